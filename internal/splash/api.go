package splash

import "stillwater/internal/phys"

// Liquid is what drips from the nozzle.
type Liquid struct {
	Name           string // "water"
	Label          string // for people: "Water, 20 °C"
	Density        phys.Density
	SurfaceTension phys.SurfaceTension
	Source         string
}

// Liquids lists the liquids known by name, water first.
func Liquids() []Liquid { return nil }

// LiquidNamed finds a liquid by name.
func LiquidNamed(name string) (Liquid, error) { return Liquid{}, nil }

// Phases lists the phases in the order a splash shows them.
func Phases() []Phase {
	return []Phase{Contact, CrownHighest, CraterDeepest, ColumnEmerges, ColumnHighest, ColumnGone}
}

// ParsePhase reads a phase's name.
func ParsePhase(s string) (Phase, error) { return Phase(s), nil }

// DropDiameter is the diameter of the drop that falls from a nozzle of that outer diameter.
func DropDiameter(nozzleOuter phys.Length, liquid Liquid) (phys.Length, error) { return 0, nil }

// Window is when a phase is seen, after contact.
type Window struct {
	Central, Low, High phys.Time
	Extrapolated       bool // the drop is smaller than those the times were measured on
}

// When is the window of a phase for a drop of that diameter and impact speed, in a deep pool.
func When(phase Phase, diameter phys.Length, impactSpeed phys.Speed) (Window, error) { return Window{}, nil }

// Pool says whether a pool is deep enough for When to hold.
type Pool struct {
	Deep   bool
	Advice string // what to expect, and what to change when it is not deep
}

// PoolAdvice judges a pool's depth for a drop of that diameter.
func PoolAdvice(depth, diameter phys.Length) (Pool, error) { return Pool{}, nil }
