package shot

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"time"

	"stillwater/internal/phys"
	"stillwater/internal/splash"
)

// pins refuses a plan whose board lacks a pin.
func (p plan) pins() error {
	b, light := p.bench, p.set.Light
	lacks := func(missing bool, field, what, role string, mends ...mend) error {
		if !missing {
			return nil
		}
		return &trouble{field: field, why: fmt.Sprintf("the board has no %s", what), mends: mends,
			otherwise: fmt.Sprintf("give one of its lines the role %q in the configuration", role)}
	}
	byHand := mend{field: "light.shutter", choice: string(ByHand), say: "open the shutter by hand"}
	inDark := light.Expose == FlashInDark
	for _, err := range []error{
		lacks(p.set.Kind == Sound && b.Microphone == nil, "kind", "microphone input", "microphone"),
		lacks(p.set.Kind != Sound && b.Beam == nil, "kind", "beam input", "beam"),
		lacks(p.set.Kind == Throw && b.Gate == nil, "kind", "second beam: a throw needs a gate input before the beam",
			"gate"),
		lacks(inDark && b.Flash == nil, "light.expose", "flash output", "flash",
			mend{field: "light.expose", choice: string(LagLed), say: "let the camera's own sync fire the flash (lag-led)"}),
		lacks(inDark && light.Shutter != ByHand && b.Shutter == nil, "light.shutter", "shutter output", "shutter", byHand),
		lacks(!inDark && b.Shutter == nil, "light.expose", "shutter output", "shutter"),
	} {
		if err != nil {
			return err
		}
	}
	return nil
}

// inTime refuses a plan whose first cue would have to go out before the board can send it.
func (p plan) inTime(s span, cues []Cue) error {
	first := slices.MinFunc(cues, func(a, b Cue) int { return cmp.Compare(a.Offset, b.Offset) })
	// The board counts its lead from when it looks at the edge: it gets as long again to look.
	lead := 2 * p.bench.Lead
	if p.set.Kind == Throw {
		lead = max(lead, p.bench.TableLead)
	}
	needs := lead + 2*p.bench.Tick - first.Offset
	if s.shortest >= needs {
		return nil
	}
	who := "the board needs %s from edge to moment"
	if first.Name == "shutter" {
		who = "the camera needs %s from edge to moment (its lag, three times its scatter, a little to spare)"
		if p.set.Light.Expose == LagLed {
			who = "the camera needs %s from edge to moment (its lag)"
		}
	}
	t := &trouble{field: "light.shutter", why: fmt.Sprintf(who+", %s", inMs(phys.Seconds(needs)), p.comes(s.shortest))}
	t.mends = p.laterMoment(func(set Set) bool {
		s, err := plan{set, p.bench}.span()
		return err == nil && s.shortest >= needs
	})
	if first.Name == "shutter" {
		t.mends = append(t.mends, p.soonerShutter()...)
		if p.set.Light.Expose == LagLed && p.set.Light.Shutter == ByEdge {
			t.otherwise = "open the shutter beforehand and let the flash fire in the dark"
		}
	}
	return t
}

// comes says when the moment is.
func (p plan) comes(shortest time.Duration) string {
	at := inMs(phys.Seconds(shortest))
	switch s := p.set; {
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
		return fmt.Sprintf("the moment (%s) comes %s after the beam", words(string(s.Drop.Phase)), at)
	}
}

// laterMoment lists what puts more time between the edge and the moment.
func (p plan) laterMoment(cured func(Set) bool) []mend {
	s := p.set
	var mends []mend
	number := func(field string, by step, from, limit float64, say string) {
		mends = append(mends, mend{field: field, step: by, from: from, limit: limit, cured: cured, say: say})
	}
	switch s.Kind {
	case Throw:
		number("throw.to_focus", byMm, float64(s.Throw.ToFocus), 5,
			"move both beams back by at least %s, to %s from the focus spot")
		number("throw.speed_high", byCmPerSec, float64(s.Throw.SpeedHigh), float64(s.Throw.SpeedLow),
			"bring the fastest throw accepted down by at least %s, to %s")
	case Sound:
		number("sound.distance", byMm, float64(s.Sound.Distance), 0.01,
			"move the microphone nearer by at least %s, to %s from the sound")
		number("sound.after", byMs, float64(s.Sound.After), 10,
			"ask for a moment at least %s later, %s after the sound")
	default:
		number("drop.beam", byMm, float64(s.Drop.Beam), 1e-3, "raise the beam by at least %s, to %s below the nozzle")
		number("drop.height", byMm, float64(s.Drop.Height), 5,
			"raise nozzle and beam together by at least %s, the nozzle to %s above the surface")
	}
	if trim := s.trim(); trim < 0 {
		number("trim."+string(s.Kind), byMs, float64(trim), 0, "make the trim later by at least %s, to %s")
	}
	return mends
}

// soonerShutter lists how to have the shutter open without the edge.
func (p plan) soonerShutter() []mend {
	if p.set.Light.Expose == LagLed {
		return []mend{{field: "light.expose", choice: string(FlashInDark),
			say: "open the shutter beforehand and let the flash fire in the dark"}}
	}
	return []mend{{field: "light.shutter", choice: string(ByGo), say: "open the shutter beforehand, at Go"},
		{field: "light.shutter", choice: string(ByHand), say: "open it by hand"}}
}

// withinLimits refuses pulses longer than their outputs allow, and a shutter that closes too soon.
func (p plan) withinLimits(s span, cues, opening []Cue) error {
	light, out := p.set.Light, p.bench.Shutter
	if light.Expose == FlashInDark {
		for _, flash := range p.flashes() {
			if flash.MaxOn < flashShortest {
				return tooShortForFlash(flash)
			}
		}
	}
	for _, c := range append(opening, cues...) {
		if c.Name == "shutter" && c.Width > out.MaxOn {
			return p.heldTooLong(c)
		}
	}
	if len(opening) == 0 {
		return nil
	}
	least := func(set Set, s span) phys.Time {
		return phys.Seconds(plan{set, p.bench}.openBefore() + out.Delay + s.longest + shutterTail)
	}
	if light.OpenFor >= least(p.set, s) {
		return nil
	}
	return &trouble{field: "light.open_for", why: fmt.Sprintf("the shutter would be open for %s from Go: opening it and "+
		"the longest delay take %s", inMs(light.OpenFor), inMs(least(p.set, s))),
		mends: []mend{{field: "light.open_for", step: byMs, from: float64(light.OpenFor), limit: 600,
			cured: func(set Set) bool { return set.Light.OpenFor >= least(set, s) },
			say:   "hold it open for at least %s longer, %s in all"}},
		otherwise: "open it by hand"}
}

func tooShortForFlash(flash Output) error {
	return &trouble{field: "light.expose", why: fmt.Sprintf("the output %q may be on for %v only, too short for a flash",
		flash.Name, flash.MaxOn), otherwise: fmt.Sprintf("give it a longest on-time of at least %v in the configuration",
		flashContact)}
}

func (p plan) heldTooLong(c Cue) error {
	out := p.bench.Shutter
	t := &trouble{field: "light.shutter", why: fmt.Sprintf("the shutter would be held for %s, and the output %q may be "+
		"on for %s only", inMs(phys.Seconds(c.Width)), out.Name, inMs(phys.Seconds(out.MaxOn))),
		otherwise: fmt.Sprintf("give that output a longest on-time of at least %s in the configuration",
			byMs.text(float64((c.Width + time.Millisecond - 1).Milliseconds())))}
	if p.set.Light.Expose == FlashInDark && p.set.Light.Shutter == ByGo {
		t.field = "light.open_for"
		t.mends = append(t.mends, mend{field: "light.open_for", step: byMs, from: float64(p.set.Light.OpenFor), limit: 0.01,
			cured: func(set Set) bool { return set.Light.OpenFor.Duration() <= out.MaxOn },
			say:   "hold it for at least %s less, %s at most"})
	}
	if p.set.Light.Expose == FlashInDark {
		t.mends = append(t.mends, mend{field: "light.shutter", choice: string(ByHand), say: "open it by hand"})
	}
	return t
}

// tooSlow refuses throws that never get to the focus spot.
func (p plan) tooSlow(err error) error {
	t := p.set.Throw
	r := new(Refusal)
	if !errors.As(p.set.refuseSpeed(err, t.SpeedLow), &r) {
		return p.set.refuseSpeed(err, t.SpeedLow)
	}
	arrives := func(set Set) bool { _, err := set.Throw.flight(set.Throw.SpeedLow); return err == nil }
	if slowest := new(slowestError); errors.As(err, &slowest) {
		arrives = func(set Set) bool { _, err := set.Throw.interval(set.Throw.SpeedLow); return err == nil }
	}
	return &trouble{field: r.Field, why: r.Why, mends: []mend{
		{field: "throw.speed_low", step: byCmPerSec, from: float64(t.SpeedLow), limit: float64(t.SpeedHigh), cured: arrives,
			say: "bring the slowest throw accepted up by at least %s, to %s"},
		{field: "throw.to_focus", step: byMm, from: float64(t.ToFocus), limit: 0.01, cured: arrives,
			say: "move both beams nearer by at least %s, to %s from the focus spot"},
	}}
}
