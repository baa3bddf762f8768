// Package valve predicts the drops that a valve lets out of a tip: how much liquid an opening gives, when a drop of it
// lets go and how big it is, what stays on the tip, and which openings give no drop or more than one.
//
// All functions are pure. An argument outside a model's domain yields a *phys.DomainError whose Field is the
// parameter's name.
package valve
