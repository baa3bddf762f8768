package rehearsal

import (
	"math"
	"slices"
	"time"

	"stillwater/internal/phys"
	"stillwater/internal/record"
	"stillwater/internal/shot"
)

func summarize(all []try) Result {
	r := Result{Pictures: len(all)}
	var times, along, up []float64
	for _, t := range all {
		placed := inPlace(t.along, t.up, t.level)
		if placed {
			r.InPlace++
		}
		if math.Abs(t.along) <= float64(shot.InPlace) {
			r.InTime++
		}
		if t.frame.Verdict == record.Good {
			r.Good++
		}
		if !t.clean {
			continue
		}
		r.Clean++
		if placed {
			r.CleanPlace++
		}
		times, along, up = append(times, t.frame.Offset.Seconds()), append(along, t.along), append(up, t.up)
	}
	r.CleanPlace /= float64(max(r.Clean, 1))
	n := float64(len(all))
	r.InPlace, r.InTime, r.Good = r.InPlace/n, r.InTime/n, r.Good/n
	r.Spread = time.Duration(sd(times) * 1e9)
	r.SpreadLong, r.Height = phys.Length(sd(along)), phys.Length(sd(up))
	return r
}

// inPlace reports whether the liquid is near the focus spot, seen from the side.
func inPlace(along, up, level float64) bool {
	sin, cos := math.Sincos(level)
	return math.Hypot(along*cos, up+along*sin) <= float64(shot.InPlace)
}

func sd(list []float64) float64 {
	mean := 0.0
	for _, x := range list {
		mean += x / float64(len(list))
	}
	sum := 0.0
	for _, x := range list {
		sum += (x - mean) * (x - mean)
	}
	return math.Sqrt(sum / float64(max(len(list)-1, 1)))
}

// maxShares is for about how many throws the share in place is worked out: each takes a while. Their mean is then that
// of all within a part in a hundred or so.
const maxShares = 100

// predict adds what the plan says of the same tries: for throws, of each as fast as it was.
func (e *evening) predict(r *Result, all []try) error {
	if e.Method != Gates {
		return nil
	}
	spread, sum := shot.DefaultSpread(), 0.0
	all = slices.DeleteFunc(slices.Clone(all), func(t try) bool { return !t.clean })
	shares, every := 0, max(len(all)/maxShares, 1)
	for i, t := range all {
		estimate, err := e.estimate(t.at)
		if err != nil {
			return err
		}
		b, err := shot.Errors(e.Set, estimate, spread, tick)
		if err != nil {
			return err
		}
		sum += math.Pow(float64(b.Repeat.Mistiming), 2)
		if e.Set.Kind != shot.Throw {
			r.Budget = b.Repeat.Mistiming.Duration() // that of all drops
			return nil
		}
		if i%every != 0 {
			continue
		}
		share, err := shot.InPlaceShare(e.Set, estimate, spread, tick)
		if err != nil {
			return err
		}
		r.Predicted, shares = r.Predicted+share, shares+1
	}
	r.Predicted /= float64(shares)
	r.Budget = phys.Time(math.Sqrt(sum / float64(len(all)))).Duration()
	return e.findBetter(r, all)
}

func (e *evening) estimate(interval phys.Time) (shot.Estimate, error) {
	if e.Set.Kind == shot.Throw {
		return e.Set.EstimateAt(interval)
	}
	return e.Set.Estimate()
}

// findBetter looks for better places of the beams, for throws as they were on average.
func (e *evening) findBetter(r *Result, all []try) error {
	mean := phys.Time(0)
	for _, t := range all {
		mean += t.at / phys.Time(len(all))
	}
	estimate, err := e.Set.EstimateAt(mean)
	if err != nil {
		return err
	}
	better, share, err := shot.BetterPlaces(e.Set, estimate, shot.DefaultSpread(), tick)
	if err == nil && better != e.Set {
		r.Better = &Better{better, share}
	}
	return err
}
