package splash

import (
	"fmt"

	"stillwater/internal/phys"
)

// Pool says whether a pool is deep enough for When to hold.
type Pool struct {
	Deep   bool
	Advice string // what to expect, and what to change when it is not deep
}

// deepPool and the other depths below are from P. V. Hobbs and A. J. Osheroff, Science 158 (1967) 1184-1186, for
// water and milk.
const (
	deepPool    phys.Length = 25e-3
	lowColumn   phys.Length = 7e-3
	looseCrown  phys.Length = 5e-3
	noDrops     phys.Length = 3e-3
	deepestPool phys.Length = 2
	// C. K. Mutchler and L. M. Hansen, Science 169 (1970) 1311-1312: a splash is the same in all layers deeper than
	// three drops.
	deepInDrops = 3
)

// PoolAdvice judges a pool's depth for a drop of that diameter. A pool is deep from 25 mm, or three diameters if that
// is more. Domains: depth more than 0 up to 2 m, diameter 1 to 12 mm.
func PoolAdvice(depth, diameter phys.Length) (Pool, error) {
	if err := phys.Within("depth", depth, 0.1e-3, deepestPool); err != nil {
		return Pool{}, err
	}
	if err := phys.Within("diameter", diameter, leastDrop, largestDrop); err != nil {
		return Pool{}, err
	}
	deep := max(deepPool, deepInDrops*diameter)
	if depth >= deep {
		return Pool{Deep: true, Advice: fmt.Sprintf("%s is deep enough: from %s on the depth does not matter",
			depth, phys.Round(deep, 2))}, nil
	}
	return Pool{Advice: fmt.Sprintf("%s of pool is not deep: %s; fill it to %s or more for the times given here",
		depth, shallow(depth), phys.Round(deep, 2))}, nil
}

// shallow says what a pool of less than deep depth does.
func shallow(depth phys.Length) string {
	switch {
	case depth < noDrops:
		return "the column is low and sheds no drops, and the crown is ragged"
	case depth < looseCrown:
		return "the column is low, and the crown less stable"
	case depth < lowColumn:
		return "the column is much lower and sheds fewer drops"
	}
	return "the column gets higher and sheds more drops, at other times"
}
