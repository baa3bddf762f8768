package lighting

import (
	"cmp"
	"math"
	"slices"

	"stillwater/internal/optics"
	"stillwater/internal/phys"
	"stillwater/internal/shot"
)

// after is the report with a fix, without what the fix makes stale; false if the set would be impossible.
func (r Report) after(fix shot.Fix) (Report, bool) {
	next := r.Set
	if fix.Put(&next) != nil {
		return Report{}, false
	}
	then, err := weigh(next.WithoutStale(r.Set))
	return then, err == nil
}

// frozen reports whether the light is short enough that no blur is seen and no limit exceeded; known: whether that is
// known.
func (r Report) frozen() (is, known bool) {
	if !r.BlurKnown() {
		return false, false
	}
	asked := r.Set.Camera.MaxBlur
	return r.Blur.Subject <= r.SharpBlur && (asked == 0 || r.BlurAround.Subject <= asked), true
}

// blursWith reports that a fix ends what is frozen.
func (r Report) blursWith(fix shot.Fix) bool {
	now, known := r.frozen()
	if !known || !now {
		return false
	}
	then, ok := r.after(fix)
	if !ok {
		return false
	}
	is, known := then.frozen()
	return known && !is
}

func (r Report) keyRight() bool {
	return r.Light.KeyKnown && r.Light.Key >= keyLow && r.Light.Key <= keyHigh
}

// keeping returns those of the fixes after which the key light is right, and motion no less frozen nor the liquid less
// often sharp than byShare lets pass.
func (r Report) keeping(fixes []shot.Fix) (kept []shot.Fix) {
	now, _ := r.frozen()
	for _, fix := range fixes {
		then, ok := r.after(fix)
		if !ok || !then.keyRight() || !r.works(then.Set) {
			continue
		}
		if is, known := then.frozen(); now && known && !is {
			continue
		}
		if byShare(then.InDepth) == Change && byShare(r.InDepth) != Change {
			continue
		}
		kept = append(kept, fix)
	}
	return kept
}

// keepingKey makes a fix of the power, by which light is lost, one that leaves the key light right: with each of what
// makes up for it, or alone where that is enough, or nothing is.
func (r Report) keepingKey(power shot.Fix, lost optics.Stops) []shot.Fix {
	then, ok := r.after(power)
	if !ok || !then.Light.KeyKnown || then.keyRight() {
		return []shot.Fix{power}
	}
	if kept := r.keeping(r.makeUpFixes(lost-r.Light.Key, &power)); len(kept) > 0 {
		return kept
	}
	return []shot.Fix{power}
}

// nearestFlash is how near a flash is offered: nearer, its light falls off too fast across the liquid. Own choice.
const nearestFlash phys.Length = 0.2

// makeUpFixes are single changes that make up for light, negative where there is too much: the power, if no other goes
// with them, the distance, the camera's speed, the aperture.
func (r Report) makeUpFixes(lacks optics.Stops, with *shot.Fix) (fixes []shot.Fix) {
	c, f := r.Set.Camera, r.Set.Flash
	m := optics.MakeUpFor(lacks, f.Unit(), c.Speed, c.Aperture)
	add := func(field, value string) {
		fix := shot.Fix{Field: field, Value: value}
		if with != nil {
			fix = shot.Fix{Field: with.Field, Value: with.Value, Also: []shot.Fix{fix}}
		}
		fixes = append(fixes, fix)
	}
	if with == nil && lacks < 0 && !r.several() {
		add("flash.power", nearestPower(float64(f.Power)*math.Exp2(float64(lacks))).String())
	}
	if m.Distance >= nearestFlash && !r.several() {
		add("flash.distance", phys.Round(m.Distance, 2).String())
	}
	add("camera.iso", optics.NearestISO(m.Speed).String())
	if n := optics.NearestFNumber(m.Aperture); n >= c.Widest && (c.Narrowest == 0 || n <= c.Narrowest) {
		add("camera.aperture", n.String())
	}
	return fixes
}

// nearestPower is the mark that gives most nearly as much light.
func nearestPower(want float64) optics.Fraction {
	return slices.MinFunc(optics.PowerMarks(), func(a, b optics.Fraction) int {
		return cmp.Compare(math.Abs(math.Log2(float64(a)/want)), math.Abs(math.Log2(float64(b)/want)))
	})
}
