package shot

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"stillwater/internal/phys"
	"stillwater/internal/splash"
)

// checkPins refuses a plan that needs a pin the board lacks.
func (p plan) checkPins() error {
	b, light := p.bench, p.set.Light
	lacks := func(missing bool, field, what, role string, fixes ...fix) error {
		if !missing {
			return nil
		}
		return &problem{field: field, why: fmt.Sprintf("the board has no %s", what), fixes: fixes,
			fallback: fmt.Sprintf("give one of its lines the role %q in the configuration", role)}
	}
	byHand := fix{field: "light.shutter", choice: string(ByHand), format: "open the shutter by hand"}
	inDark := light.Expose == FlashInDark
	for _, err := range []error{
		lacks(p.set.Kind == Sound && b.Microphone == nil, "kind", "microphone input", "microphone"),
		lacks(p.set.Kind == Drops && p.set.Drops.From == FromBeam && b.Beam == nil, "drops.from", "beam input", "beam",
			fix{field: "drops.from", choice: string(FromValve), format: "let the delay run from the valve alone"}),
		lacks(p.set.Kind != Sound && p.set.Kind != Drops && b.Beam == nil, "kind", "beam input", "beam"),
		lacks(p.set.Kind == Throw && b.Gate == nil, "kind", "second beam: a throw needs a gate input before the beam",
			"gate"),
		lacks(inDark && b.Flash == nil, "light.expose", "flash output", "flash",
			fix{field: "light.expose", choice: string(LagLed), format: "let the camera's own sync fire the flash (lag-led)"}),
		lacks(inDark && light.Shutter != ByHand && b.Shutter == nil, "light.shutter", "shutter output", "shutter", byHand),
		lacks(!inDark && b.Shutter == nil, "light.expose", "shutter output", "shutter"),
	} {
		if err != nil {
			return err
		}
	}
	if p.set.Kind == Drops {
		return p.checkValves()
	}
	return nil
}

// checkLead refuses a plan whose first cue comes sooner after the edge than the board can fire it.
func (p plan) checkLead(s span, cues []Cue) error {
	first := slices.MinFunc(cues, func(a, b Cue) int { return cmp.Compare(a.Offset, b.Offset) })
	needs := p.needs(first.Offset)
	if s.shortest >= needs {
		return nil
	}
	who := "the board needs %s from edge to moment"
	if first.Name == "shutter" {
		who = "the camera needs %s from edge to moment (its lag, three times its scatter, and a margin)"
		if p.set.Light.Expose == LagLed {
			who = "the camera needs %s from edge to moment (its lag)"
		}
	}
	if p.set.Kind == Drops && p.set.Drops.From == FromValve {
		who = strings.Replace(who, "from edge", "from Go", 1)
	}
	t := &problem{field: "light.shutter",
		why: fmt.Sprintf(who+", but %s", inMs(phys.Seconds(needs)), p.describeMoment(s.shortest))}
	t.fixes = p.laterMomentFixes(func(set Set) bool {
		s, err := plan{set, p.bench}.span()
		return err == nil && s.shortest >= needs
	})
	if first.Name == "shutter" {
		t.fixes = append(t.fixes, p.earlierShutterFixes()...)
		if p.set.Light.Expose == LagLed && p.set.Light.Shutter == ByEdge {
			t.fallback = "open the shutter beforehand and let the flash fire in the dark"
		}
	}
	return t
}

// needs is how long after the edge the moment must be for the board to fire a cue that is at offset from it.
func (p plan) needs(offset time.Duration) time.Duration {
	lead := p.bench.EdgeLead
	if p.set.Kind == Throw {
		lead = max(lead, p.bench.GateLead)
	}
	return lead + 2*p.bench.Tick - offset
}

// describeMoment describes when the moment is.
func (p plan) describeMoment(shortest time.Duration) string {
	at := inMs(phys.Seconds(shortest))
	switch s := p.set; {
	case s.Kind == Drops && s.Drops.From == FromValve:
		return fmt.Sprintf("the moment comes %s after it", at)
	case s.Kind == Drops && shortest >= 0:
		return fmt.Sprintf("the moment comes %s after the beam", at)
	case s.Kind == Sound && shortest < 0:
		return fmt.Sprintf("the moment is over %s before the sound reaches the microphone", inMs(phys.Seconds(-shortest)))
	case shortest < 0:
		return fmt.Sprintf("the moment would be %s before the edge", inMs(phys.Seconds(-shortest)))
	case s.Kind == Throw:
		return fmt.Sprintf("the fastest throw accepted is at the focus spot %s after the second beam", at)
	case s.Kind == Sound:
		return fmt.Sprintf("the moment comes %s after the sound reaches the microphone", at)
	case s.Drop.Phase == splash.Contact:
		return fmt.Sprintf("the drop reaches the surface %s after the beam", at)
	default:
		return fmt.Sprintf("the moment (%s) comes %s after the beam", spaced(string(s.Drop.Phase)), at)
	}
}

// laterMomentFixes lists changes that put more time between the edge and the moment.
func (p plan) laterMomentFixes(holds func(Set) bool) []fix {
	s := p.set
	var fixes []fix
	number := func(field string, by step, from, limit float64, say string) {
		fixes = append(fixes, fix{field: field, step: by, from: from, limit: limit, holds: holds, format: say})
	}
	switch s.Kind {
	case Drops:
		if s.Drops.From == FromValve {
			number("drops.first.gap", byMs, float64(s.Drops.First.Gap), 10,
				"open the first valve at least %s later, %s after Go")
			break
		}
		number("drops.beam", byMm, float64(s.Drops.Beam), 1e-3, "raise the beam by at least %s, to %s below the tip")
		fixes = append(fixes, fix{field: "drops.from", choice: string(FromValve), holds: holds,
			format: "let the delay run from the valve alone"})
	case Throw:
		number("throw.to_focus", byMm, float64(s.Throw.ToFocus), 5,
			"move both beams back by at least %s, to %s from the focus spot")
		number("throw.speed_high", byCmPerSec, float64(s.Throw.SpeedHigh), float64(s.Throw.SpeedLow),
			"lower the fastest throw accepted by at least %s, to %s")
	case Sound:
		number("sound.distance", byMm, float64(s.Sound.Distance), 0.01,
			"move the microphone nearer by at least %s, to %s from the sound")
		number("sound.after", byMs, float64(s.Sound.After), 10,
			"choose a moment at least %s later, %s after the sound")
	default:
		number("drop.beam", byMm, float64(s.Drop.Beam), 1e-3, "raise the beam by at least %s, to %s below the nozzle")
		number("drop.height", byMm, float64(s.Drop.Height), 5,
			"raise nozzle and beam together by at least %s, the nozzle to %s above the surface")
	}
	if trim := s.OwnTrim(); trim < 0 {
		number("trim."+string(s.Kind), byMs, float64(trim), 0, "make the trim later by at least %s, to %s")
	}
	return fixes
}

// earlierShutterFixes lists ways to open the shutter before the edge.
func (p plan) earlierShutterFixes() []fix {
	if p.set.Light.Expose == LagLed {
		return []fix{{field: "light.expose", choice: string(FlashInDark),
			format: "open the shutter beforehand and let the flash fire in the dark"}}
	}
	return []fix{{field: "light.shutter", choice: string(ByGo), format: "open the shutter beforehand, at Go"},
		{field: "light.shutter", choice: string(ByHand), format: "open it by hand"}}
}

// checkPulses refuses pulses longer than their outputs allow.
func (p plan) checkPulses(cues, opening []Cue) error {
	light, out := p.set.Light, p.bench.Shutter
	if light.Expose == FlashInDark {
		for _, flash := range p.flashes() {
			if flash.MaxOn < minFlashContact {
				return flashTooShort(flash)
			}
		}
	}
	for _, c := range append(slices.Clone(opening), cues...) {
		if c.Name == "shutter" && c.Width > out.MaxOn {
			return p.shutterOnTooLong(c)
		}
	}
	return nil
}

// checkOnTimes refuses pulses longer than their outputs allow, and a shutter that closes too early.
func (p plan) checkOnTimes(s span, cues, opening []Cue) error {
	light, out := p.set.Light, p.bench.Shutter
	if err := p.checkPulses(cues, opening); err != nil {
		return err
	}
	if len(opening) == 0 {
		return nil
	}
	least := func(set Set, s span) phys.Time {
		return phys.Seconds(plan{set, p.bench}.shutterLead() + out.Delay + s.longest + shutterTail)
	}
	if light.OpenFor >= least(p.set, s) {
		return nil
	}
	return &problem{field: "light.open_for", why: fmt.Sprintf("the shutter would be held for %s from Go, but opening it "+
		"and the longest delay take %s", inMs(light.OpenFor), inMs(least(p.set, s))),
		fixes: []fix{{field: "light.open_for", step: byMs, from: float64(light.OpenFor), limit: 600,
			holds:  func(set Set) bool { return set.Light.OpenFor >= least(set, s) },
			format: "hold it open for at least %s longer, %s in all"}},
		fallback: "open it by hand"}
}

func flashTooShort(flash Output) error {
	return &problem{field: "light.expose", why: fmt.Sprintf("the output %q may only be on for %v, too short for a flash",
		flash.Name, flash.MaxOn), fallback: fmt.Sprintf("give it a longest on-time of at least %v in the configuration",
		flashContact)}
}

func (p plan) shutterOnTooLong(c Cue) error {
	out := p.bench.Shutter
	t := &problem{field: "light.shutter", why: fmt.Sprintf("the shutter would be held for %s, but the output %q may only "+
		"be on for %s", inMs(phys.Seconds(c.Width)), out.Name, inMs(phys.Seconds(out.MaxOn))),
		fallback: fmt.Sprintf("give that output a longest on-time of at least %s in the configuration",
			byMs.text(float64((c.Width + time.Millisecond - 1).Milliseconds())))}
	if p.set.Light.Expose == FlashInDark && p.set.Light.Shutter == ByGo {
		t.field = "light.open_for"
		t.fixes = append(t.fixes, fix{field: "light.open_for", step: byMs, from: float64(p.set.Light.OpenFor), limit: 0.01,
			holds:  func(set Set) bool { return set.Light.OpenFor.Duration() <= out.MaxOn },
			format: "hold it for at least %s less, %s at most"})
	}
	if p.set.Light.Expose == FlashInDark {
		t.fixes = append(t.fixes, fix{field: "light.shutter", choice: string(ByHand), format: "open it by hand"})
	}
	return t
}

// throwTooSlow refuses a range of speeds whose slowest throws never reach the focus spot.
func (p plan) throwTooSlow(err error) error {
	t := p.set.Throw
	r := new(Refusal)
	if !errors.As(p.set.speedError(err, t.SpeedLow), &r) {
		return p.set.speedError(err, t.SpeedLow)
	}
	arrives := func(set Set) bool { _, err := set.Throw.flight(set.Throw.SpeedLow); return err == nil }
	if slowest := new(tooSlowError); errors.As(err, &slowest) {
		arrives = func(set Set) bool { _, err := set.Throw.interval(set.Throw.SpeedLow); return err == nil }
	}
	return &problem{field: r.Field, why: r.Why, fixes: []fix{
		{field: "throw.speed_low", step: byCmPerSec, from: float64(t.SpeedLow), limit: float64(t.SpeedHigh), holds: arrives,
			format: "raise the slowest throw accepted by at least %s, to %s"},
		{field: "throw.to_focus", step: byMm, from: float64(t.ToFocus), limit: 0.01, holds: arrives,
			format: "move both beams nearer by at least %s, to %s from the focus spot"},
	}}
}
