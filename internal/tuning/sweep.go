package tuning

import (
	"fmt"
	"time"
)

// Sweep is a plain sweep: each trim between two ends so many times.
type Sweep struct {
	From, To, Step time.Duration
	Each           int
}

// maxSweep bounds the tries of a sweep: more than an evening has.
const maxSweep = 999

// Trims lists the trims of the sweep, in order or as shuffle puts them: the Shuffle of a seeded rand.Rand, or nil. To
// is among them if it is a whole number of steps away.
func (s Sweep) Trims(shuffle func(n int, swap func(i, k int))) ([]time.Duration, error) {
	switch {
	case s.Step <= 0:
		return nil, fmt.Errorf("sweep: a step of %v does not advance: use more than 0 ms", s.Step)
	case s.To < s.From:
		return nil, fmt.Errorf("sweep: it ends at %v, before it begins at %v: swap them", s.To, s.From)
	case s.Each < 1:
		return nil, fmt.Errorf("sweep: %d tries of each trim: use 1 or more", s.Each)
	}
	span := s.To - s.From // below 0 where it is more than a Duration holds
	if span < 0 || s.Each > maxSweep || span/s.Step >= maxSweep || int(span/s.Step+1)*s.Each > maxSweep {
		return nil, fmt.Errorf("sweep: it has more than %d tries: use a longer step or fewer of each", maxSweep)
	}
	var list []time.Duration
	for step := range span/s.Step + 1 {
		for range s.Each {
			list = append(list, s.From+step*s.Step)
		}
	}
	if shuffle != nil {
		shuffle(len(list), func(i, k int) { list[i], list[k] = list[k], list[i] })
	}
	return list, nil
}
