package shot

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"time"

	"stillwater/internal/phys"
)

const (
	// flashContact is how long a flash's contact is held closed: common practice, no source.
	flashContact = 10 * time.Millisecond
	// minFlashContact is the shortest contact a flash is trusted to notice: common practice, no source.
	minFlashContact = 100 * time.Microsecond
	// shutterMargin is how much earlier than its lag and scatter require the shutter is opened: common practice, no
	// source.
	shutterMargin = 2 * time.Millisecond
	// shutterTail is how long after the moment the shutter is held open: common practice, no source.
	shutterTail = 20 * time.Millisecond
	// minDropHoldOff is longer than the small drop that a neck leaves behind comes after the large one: 20 to 40 ms at a
	// beam 5 cm below a 3 mm nozzle, less further down (the simulated room's model, not measured). Without it that would
	// be counted as the next drop of a train.
	minDropHoldOff = 50 * time.Millisecond
	// minRest keeps flashes at three in any second or fewer: Web Content Accessibility Guidelines 2.x, success
	// criterion 2.3.1.
	minRest = 334 * time.Millisecond
)

// shutterCue is the name of the shutter's cue.
const shutterCue = "shutter"

// Compile compiles a set on a bench to a program, and to the timeline of its middle shot.
//
// Errors: *FieldError if a field is impossible, *Refusal if the plan as a whole cannot work. Each Fix of a refusal has
// been tried: with it alone the plan compiles, and with a step less it does not.
func Compile(set Set, bench Bench) (Program, Timeline, error) {
	program, timeline, err := plan{set, bench}.compile()
	if t := new(problem); errors.As(err, &t) {
		err = t.refusal(set, func(s Set) error { return plan{s, bench}.works() })
	}
	return program, timeline, err
}

// Compiles reports whether Compile gives no error. It is quicker: it looks for no fixes.
func Compiles(set Set, bench Bench) bool { return plan{set, bench}.works() == nil }

// plan is a set on a bench.
type plan struct {
	set   Set
	bench Bench
}

// works is the error of compile.
func (p plan) works() error {
	if p.set.Kind == Drops {
		_, err := p.compileDrops()
		return err
	}
	_, _, err := p.compile()
	return err
}

// compile is Compile with refusals as *problem, before their fixes are computed.
func (p plan) compile() (Program, Timeline, error) {
	none := func(err error) (Program, Timeline, error) { return Program{}, Timeline{}, err }
	if p.set.Kind == Drops {
		program, err := p.compileDrops()
		if err != nil {
			return none(err)
		}
		timeline, err := p.timeline(program)
		return program, timeline, err
	}
	if err := p.set.Validate(); err != nil {
		return none(err)
	}
	if err := p.checkPins(); err != nil {
		return none(err)
	}
	span, err := p.span()
	if err != nil {
		return none(err)
	}
	p.set.Light.Shutter = p.shutterBy(span)
	cues, opening := p.cues()
	if err := p.checkLead(span, cues); err != nil {
		return none(err)
	}
	if err := p.checkOnTimes(span, cues, opening); err != nil {
		return none(err)
	}
	if err := p.checkBlur(); err != nil {
		return none(err)
	}
	program := Program{Nth: 1, Cues: cues, Opening: opening, HoldOff: p.bench.HoldOff, Late: p.bench.Late,
		Rest: max(minRest, p.set.Light.Recycle.Duration())}
	if err := p.setDelay(&program); err != nil {
		return none(err)
	}
	timeline, err := p.timeline(program)
	return program, timeline, err
}

// compileDrops is the program of drops on command.
func (p plan) compileDrops() (Program, error) {
	if err := p.set.Validate(); err != nil {
		return Program{}, err
	}
	if err := p.checkPins(); err != nil {
		return Program{}, err
	}
	path, err := p.set.dropsPath()
	if err != nil {
		return Program{}, err
	}
	delay := p.boardDelay(p.set.Drops.fromClock(path, path.Moment))
	s := span{delay, delay}
	p.set.Light.Shutter = p.shutterBy(s)
	cues, shutter := p.cues()
	valves := p.valveCues(path)
	for _, check := range []func() error{
		func() error { return p.checkValveGaps(path, valves) },
		func() error { return p.checkLead(s, cues) },
		func() error { return p.checkPulses(cues, shutter) },
		func() error { return p.checkShutterAtGo(path) },
		p.checkBlur,
	} {
		if err := check(); err != nil {
			return Program{}, err
		}
	}
	program := Program{Nth: 1, Cues: cues, Opening: append(shutter, valves...), HoldOff: p.bench.HoldOff,
		Late: p.bench.Late,
		Rest: max(minRest, p.set.Light.Recycle.Duration(), coilRest(valves)), Table: []Point{{Delay: s.shortest}}}
	if p.set.Drops.From == FromBeam {
		program.Clock = &Source{Input: p.bench.Beam.Index, Falling: p.bench.Beam.Falling}
	}
	return program, p.setWindow(&program, path)
}

// setDelay sets the clock input, whose edge starts the delay, the gate and the delay or its table.
func (p plan) setDelay(program *Program) error {
	input := p.clockInput()
	program.Clock = &Source{Input: input.Index, Falling: input.Falling}
	if p.set.Kind == Throw {
		gate := p.bench.Gate
		program.Gate = &Source{Input: gate.Index, Falling: gate.Falling}
		return p.fillTable(program)
	}
	if p.set.Kind == Drop {
		program.Nth, program.HoldOff = p.set.Drop.Nth, max(p.bench.HoldOff, minDropHoldOff)
	}
	span, err := p.span()
	program.Table = []Point{{Delay: span.shortest}}
	return err
}

func (p plan) clockInput() *Sensor {
	if p.set.Kind == Sound {
		return p.bench.Microphone
	}
	return p.bench.Beam
}

// span is the shortest and the longest delay from the stamp of the clock edge.
type span struct{ shortest, longest time.Duration }

func (p plan) span() (span, error) {
	var a, b phys.Time
	switch s := p.set; s.Kind {
	case Throw:
		slow, err := s.Throw.flight(s.Throw.SpeedLow)
		if err != nil {
			return span{}, p.throwTooSlow(err)
		}
		fast, err := s.Throw.flight(s.Throw.SpeedHigh)
		if err != nil {
			return span{}, p.throwTooSlow(err)
		}
		factor, err := s.trimFactor()
		if err != nil {
			return span{}, err
		}
		return span{p.fromStamp(fast.Time * phys.Time(factor)), p.fromStamp(slow.Time * phys.Time(factor))}, nil
	case Drops:
		path, err := s.dropsPath()
		if err != nil {
			return span{}, err
		}
		a = s.Drops.fromClock(path, path.Moment)
		b = a
	case Sound:
		e, err := s.estimateSound(Spread{})
		if err != nil {
			return span{}, err
		}
		a, b = e.Delay-s.OwnTrim(), e.Delay-s.OwnTrim()
	default:
		d, err := s.dropPath()
		if err != nil {
			return span{}, err
		}
		a, b = d.moment(), d.moment()
	}
	return span{p.boardDelay(a), p.boardDelay(b)}, nil
}

// boardDelay converts a delay from an event to the board's: trimmed, and from the stamp.
func (p plan) boardDelay(t phys.Time) time.Duration { return p.fromStamp(t + p.set.OwnTrim()) }

// fromStamp converts a delay from an event to one from its stamp, which comes after it.
func (p plan) fromStamp(t phys.Time) time.Duration { return t.Duration() - p.stampDelay() }

// stampDelay is how long after the event that starts the delay its stamp comes.
func (p plan) stampDelay() time.Duration {
	if p.set.Kind == Drops && p.set.Drops.From == FromValve {
		return 0
	}
	if in := p.clockInput(); in != nil {
		return in.Delay
	}
	return 0
}

// ShutterBy is what opens the shutter, with ByEdgeOrGo decided: by this set alone, without a board's own delays.
func (s Set) ShutterBy() ShutterBy {
	if s.Light.Shutter != ByEdgeOrGo {
		return s.Light.Shutter
	}
	p := plan{set: s}
	span, err := p.span()
	if err != nil {
		return ByEdge
	}
	return p.shutterBy(span)
}

// shutterBy decides ByEdgeOrGo: at Go if the shutter would be late after an edge whose moment comes earliest.
func (p plan) shutterBy(s span) ShutterBy {
	light := p.set.Light
	if light.Shutter != ByEdgeOrGo {
		return light.Shutter
	}
	needs := p.needs(-p.shutterLead())
	if out := p.bench.Shutter; out != nil {
		needs += out.Delay
	}
	if light.Expose == FlashInDark && s.shortest < needs {
		return ByGo
	}
	return ByEdge
}

// cues are the pulses around the moment, and those from Go, in order of time.
func (p plan) cues() (cues, opening []Cue) {
	light := p.set.Light
	if light.Expose == LagLed {
		return []Cue{p.shutter(light.Lag.Duration())}, nil
	}
	for i, flash := range p.flashes() {
		fire := Cue{Output: flash.Index, Name: "flash", Offset: -flash.Delay, Width: min(flashContact, flash.MaxOn)}
		if i > 0 {
			fire.Name = fmt.Sprint("flash ", i+1)
		}
		cues = append(cues, fire)
	}
	slices.SortStableFunc(cues, func(a, b Cue) int { return cmp.Compare(a.Offset, b.Offset) })
	switch light.Shutter {
	case ByEdge:
		return append([]Cue{p.shutter(p.shutterLead())}, cues...), nil
	case ByGo:
		return cues, []Cue{{Output: p.bench.Shutter.Index, Name: shutterCue, Width: light.OpenFor.Duration()}}
	default:
		return cues, nil
	}
}

// flashes are all that fire at the moment.
func (p plan) flashes() []Output { return append([]Output{*p.bench.Flash}, p.bench.MoreFlash...) }

// shutterLead is how long before the moment the shutter is triggered, so that it is open in time in all but one shot in
// a thousand: lag, three times its scatter, and a margin.
func (p plan) shutterLead() time.Duration {
	return (p.set.Light.Lag + 3*p.set.Light.LagScatter).Duration() + shutterMargin
}

// shutter is the shutter's cue, that long before the moment, held until shutterTail after it or until the slowest
// shutter has opened.
func (p plan) shutter(before time.Duration) Cue {
	out := p.bench.Shutter
	return Cue{Output: out.Index, Name: shutterCue, Offset: -before - out.Delay,
		Width: out.Delay + p.shutterLead() + shutterTail}
}

// timeline is the timeline of the middle shot.
func (p plan) timeline(program Program) (Timeline, error) {
	e, err := p.set.Estimate()
	if err != nil {
		return Timeline{}, err
	}
	stamp := p.stampDelay()
	t := Timeline{Delay: e.Delay.Duration() - stamp, Low: e.Low.Duration() - stamp, High: e.High.Duration() - stamp}
	switch p.set.Kind {
	case Throw:
		t.Marks = []Mark{{"gate", -e.Interval.Duration() - stamp}, {"edge", 0}}
	case Sound:
		t.Marks = []Mark{{"sound", -e.Travel.Duration() - stamp}, {"edge", 0}}
	case Drops:
		p.addDropsMarks(&t, e.Drops, stamp)
	default:
		t.Marks = []Mark{{"edge", 0}, {"surface", e.EdgeToSurface.Duration() - stamp}}
	}
	t.Marks = append(t.Marks, Mark{"moment", t.Delay})
	for _, c := range program.Opening {
		if p.set.Kind == Drops && c.Name != shutterCue { // on the delay's clock: when the edge comes is known
			from := p.set.Drops.fromClock(e.Drops, 0).Duration() - stamp + c.Offset
			t.Bars = append(t.Bars, Bar{Name: c.Name, From: from, To: from + c.Width})
			continue
		}
		t.Bars = append(t.Bars, Bar{Name: c.Name, From: c.Offset, To: c.Offset + c.Width, Opening: true})
	}
	for _, c := range program.Cues {
		t.Bars = append(t.Bars, p.bar(c, t.Delay))
	}
	return t, nil
}

// bar is a cue's bar around the moment. A flash's is how long it is lit, if that is known: its light begins at the
// moment, when the contact has been closed for the output's delay.
func (p plan) bar(c Cue, moment time.Duration) Bar {
	lit := p.set.Flash.Lit()
	if c.Name == shutterCue || !lit.Known {
		return Bar{Name: c.Name, From: moment + c.Offset, To: moment + c.Offset + c.Width}
	}
	return Bar{Name: c.Name, From: moment, To: moment + lit.Pulse.Tenth.Duration(), Light: true}
}
