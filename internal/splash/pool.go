package splash

import (
	"fmt"

	"stillwater/internal/phys"
)

// Pool reports whether a pool is deep enough for When to hold.
type Pool struct {
	Deep   bool
	Advice string // what to expect, and what to change if it is not deep
}

// deepPoolDepth and the other depths below are from P. V. Hobbs and A. J. Osheroff, Science 158 (1967) 1184-1186, for
// water and milk.
const (
	deepPoolDepth   phys.Length = 25e-3
	lowColumnDepth  phys.Length = 7e-3
	looseCrownDepth phys.Length = 5e-3
	noDropsDepth    phys.Length = 3e-3
	maxPoolDepth    phys.Length = 2
	// C. K. Mutchler and L. M. Hansen, Science 169 (1970) 1311-1312: a splash is the same in all layers deeper than
	// three drops.
	deepInDiameters = 3
)

// PoolAdvice reports whether a pool is deep for a drop of that diameter: from 25 mm or three diameters, whichever is
// more. Domains: depth 0.1 mm to 2 m, diameter 1 to 12 mm.
func PoolAdvice(depth, diameter phys.Length) (Pool, error) {
	if err := phys.Within("depth", depth, 0.1e-3, maxPoolDepth); err != nil {
		return Pool{}, err
	}
	if err := phys.Within("diameter", diameter, minDiameter, maxDiameter); err != nil {
		return Pool{}, err
	}
	deep := max(deepPoolDepth, deepInDiameters*diameter)
	if depth >= deep {
		return Pool{Deep: true, Advice: fmt.Sprintf("%s is deep enough: from %s on the depth does not matter",
			depth, phys.Round(deep, 2))}, nil
	}
	return Pool{Advice: fmt.Sprintf("%s of pool is not deep: %s; fill it to %s or more for the times given here",
		depth, shallowEffect(depth), phys.Round(deep, 2))}, nil
}

// shallowEffect describes the splash in a pool that is not deep.
func shallowEffect(depth phys.Length) string {
	switch {
	case depth < noDropsDepth:
		return "the column is low and sheds no drops, and the crown is ragged"
	case depth < looseCrownDepth:
		return "the column is low, and the crown less stable"
	case depth < lowColumnDepth:
		return "the column is much lower and sheds fewer drops"
	}
	return "the column gets higher and sheds more drops, at other times"
}
