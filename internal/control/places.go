package control

import (
	"errors"

	"stillwater/internal/shot"
)

// usePlaces puts a throw's beams where enough throws are in place. It is worked out without the mutex, as a plan is.
func (c *Control) usePlaces(client string) error {
	c.mu.Lock()
	before, bench := c.set, c.bench
	c.mu.Unlock()
	if bench == nil {
		return refusal("", "What the board can do is not known yet.", "Wait until it is connected.")
	}
	e, err := before.Estimate()
	if err != nil {
		return toRefusal(err)
	}
	better, says, err := shot.Places(before, e, shot.DefaultSpread(), bench.Tick)
	switch {
	case err != nil:
		return toRefusal(err)
	case says == "":
		return refusal("throw.to_focus", "No better places are known for these beams.", "Leave them where they are.")
	}
	return c.changeSet(client, "", func(set *shot.Set) error {
		if *set != before {
			return errChanged
		}
		*set = better.WithoutStale(before)
		return nil
	})
}

var errChanged = errors.New("the set was changed meanwhile; try again")
