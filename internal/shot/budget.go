package shot

import (
	"time"

	"stillwater/internal/phys"
)

// Budget says how far from the moment the picture will be, contribution by contribution.
type Budget struct {
	Terms []Term
	Total Term       // all of them in quadrature: the first shot
	Again Term       // without the steady ones: what is left once the trim is right
	Speed phys.Speed // along the path at the moment; 0: a turning point, or nothing moves along a path
}

// Term is one contribution, one standard deviation.
type Term struct {
	Name        string
	Mistiming   phys.Time
	Displaced   phys.Length // along the path
	Steady      bool        // the same in every shot of an evening: the trim takes it out
	Compensated bool        // the plan takes it out; Mistiming is what is left of Without
	Without     phys.Time   // what it would be if the plan did not
}

// Spread is how much what a plan takes as known varies. Each default says where it is from.
type Spread struct{}

// DefaultSpread is used where a person measured nothing better.
func DefaultSpread() Spread { return Spread{} }

// Errors works out the budget of the shot that e describes; tick is the board's resolution.
func Errors(set Set, e Estimate, spread Spread, tick time.Duration) (Budget, error) {
	return Budget{}, nil
}

// Advice says what would make the shot more exact, with the numbers.
func Advice(set Set, e Estimate, spread Spread, tick time.Duration) ([]string, error) {
	return nil, nil
}
