// Package ballistics says when a falling drop, a thrown mass of liquid or a sound is where, and how fast.
package ballistics
