package shot

import (
	"errors"
	"fmt"
	"time"

	"stillwater/internal/phys"
)

const (
	// maxCoilDuty is the part of the time that a valve's coil is on at most, from shot to shot: common practice, no
	// source. Coils for continuous duty get hot to the touch; drops need a few percent.
	maxCoilDuty = 0.1
	// windowSigmas is how many standard deviations of the drop's time, what is steady included, the board waits either
	// side of it: own choice.
	windowSigmas = 3
	// minWindow is the least half of that: a beam's edge needs no finer one. Own choice.
	minWindow = 5 * time.Millisecond
	// defaultMaxCues is how many opening cues a board takes that says nothing else: as in its protocol.
	defaultMaxCues = 8
)

// clockDrop is the drop whose edge starts the delay.
func (p DropsPath) clockDrop() FallingDrop { return p.Drops[p.Clock] }

// fromClock is when something comes after what starts the delay.
func (d DropsSet) fromClock(p DropsPath, t phys.Time) phys.Time {
	if d.From == FromBeam {
		return t - p.clockDrop().Beam
	}
	return t
}

// valveOf is the output of an opening.
func (p plan) valveOf(o Opening) Output { return p.bench.Valves[o.Valve-1] }

// checkValves refuses openings of valves that are not there, or longer or more than the board allows.
func (p plan) checkValves() error {
	all, most := p.set.Drops.openings(), p.bench.MaxOpening
	if most == 0 {
		most = defaultMaxCues
	}
	if p.shutterAtGo() {
		most--
	}
	if len(all) > most {
		return &problem{field: "drops.count", why: fmt.Sprintf("%d openings are asked for, but the board takes %d",
			len(all), most),
			fixes: []fix{{field: "drops.count", choice: fmt.Sprint(most), format: fmt.Sprintf("let %d drops fall", most)}}}
	}
	for i, o := range all {
		if o.Valve > len(p.bench.Valves) {
			return p.noValve(i, o)
		}
		if out := p.valveOf(o); o.Open.Duration() > out.MaxOn {
			return &problem{field: openingField(i, "open"), why: fmt.Sprintf("the valve would be open for %s, but the "+
				"output %q may "+
				"only be on for %s", inMs(o.Open), out.Name, inMs(phys.Seconds(out.MaxOn))),
				fixes: []fix{{field: openingField(i, "open"), step: byMs, from: float64(o.Open), limit: 1e-3,
					holds:  func(s Set) bool { return s.Drops.openings()[i].Open.Duration() <= out.MaxOn },
					format: "open it for at least %s less, %s at most"}},
				fallback: fmt.Sprintf("give that output a longest on-time of at least %s in the configuration", inMs(o.Open))}
		}
	}
	return nil
}

func (p plan) noValve(i int, o Opening) error {
	t := &problem{field: openingField(i, "valve"),
		fallback: `give one of the board's lines the kind "valve" in the configuration`}
	switch n := len(p.bench.Valves); n {
	case 0:
		t.field, t.why = "kind", "the board has no valve output"
	default:
		t.why = fmt.Sprintf("the %s opening uses valve %d, but the board has %d", openingNames[i], o.Valve, n)
		t.fixes = []fix{{field: t.field, choice: fmt.Sprint(n), format: fmt.Sprintf("use valve %d", n)}}
	}
	return t
}

func (p plan) shutterAtGo() bool {
	return p.set.Light.Expose == FlashInDark && p.set.Light.Shutter == ByGo
}

// valveCues are the openings, from Go. Go counts from when the first output may switch.
func (p plan) valveCues(path DropsPath) []Cue {
	var cues []Cue
	for i := range path.Count {
		drop := path.Drops[i]
		out, name := p.valveOf(drop.Opening), "valve"
		if len(p.bench.Valves) > 1 {
			name = fmt.Sprintf("valve %d", drop.Valve)
		}
		cues = append(cues, Cue{Output: out.Index, Name: name, Offset: max(drop.On.Duration()-out.Delay, 0),
			Width: drop.Open.Duration()})
	}
	return cues
}

// checkValveGaps refuses openings of one valve that follow each other sooner than the board can switch.
func (p plan) checkValveGaps(path DropsPath, cues []Cue) error {
	needs := p.bench.Lead + p.bench.Tick
	for i := 1; i < len(cues); i++ {
		for j := range i {
			if gap := cues[i].Offset - cues[j].Offset - cues[j].Width; cues[i].Output == cues[j].Output && gap < needs {
				return p.set.gapProblem(path, i, fmt.Sprintf("the valve would be closed for %s between two openings, but the "+
					"board needs %s",
					inMs(phys.Seconds(gap)), inMs(phys.Seconds(needs))), true)
			}
		}
	}
	return nil
}

// coilRest is how long after a shot the valves rest, so that no coil is on for more than its part of the time.
func coilRest(cues []Cue) time.Duration {
	on, longest := map[uint8]time.Duration{}, time.Duration(0)
	for _, c := range cues {
		on[c.Output] += c.Width
		longest = max(longest, on[c.Output])
	}
	return time.Duration(float64(longest) * (1/maxCoilDuty - 1))
}

// setWindow has the board wait for the drop's edge when it is due, and take neither a satellite for it nor another
// drop.
//
// The edge may come half a window early or late in all shots of an evening, and by again from shot to shot. When an
// earlier drop was missed, what comes behind the due one must come after the window's end: the hold-off is longer than
// the window. And it must not hide the due drop: it is shorter than the least gap. Where the gap leaves less room than
// the times are known to, the window is as wide as it leaves: a drop outside it gives no shot, and its time is
// reported.
func (p plan) setWindow(program *Program, path DropsPath) error {
	d := p.set.Drops
	if d.From != FromBeam {
		return nil
	}
	all, differs, err := d.edgeSpread(path, DefaultSpread())
	if err != nil {
		return err
	}
	half, again := max((windowSigmas*all).Duration(), minWindow), (windowSigmas * differs).Duration()
	at := path.clockDrop().Beam.Duration() + p.bench.Beam.Delay
	gapBefore := func(i int) time.Duration { return (path.Drops[i].Beam - path.Drops[i-1].Beam).Duration() }
	for i := 1; i <= path.Clock; i++ {
		half = min(half, (gapBefore(i)-2*again)*9/20)
	}
	program.Nth = path.Clock + 1
	program.GateMin, program.GateMax = max(at-half, 0), at+half
	for i := 1; i <= path.Clock; i++ {
		gap := gapBefore(i)
		longest := gap - 2*again
		if half < max(again, minWindow) {
			t := p.set.gapProblem(path, i, fmt.Sprintf("the drops pass the beam %s apart, and each by %s sooner or later: "+
				"another could be taken for the one that counts", inMs(phys.Seconds(gap)),
				inMs(phys.Seconds(again))), true)
			return p.fromValveInstead(t)
		}
		holdOff := max(p.bench.HoldOff, (2*half+longest)/2)
		if i == 1 || holdOff < program.HoldOff {
			program.HoldOff = holdOff
		}
	}
	return nil
}

// fromValveInstead adds that remedy.
func (p plan) fromValveInstead(err error) error {
	if t := new(problem); errors.As(err, &t) {
		t.fixes = append(t.fixes, fix{field: "drops.from", choice: string(FromValve), holds: dropsHold,
			format: "let the delay run from the valve alone"})
		if p.set.Drops.Weighed == "" {
			t.fallback = "weigh some drops: then their times are known better"
		}
	}
	return err
}

// checkShutterAtGo refuses a shutter that opens at Go and is not open when the moment comes.
func (p plan) checkShutterAtGo(path DropsPath) error {
	if !p.shutterAtGo() {
		return nil
	}
	moment := func(path DropsPath, set Set) phys.Time { return path.Moment + set.OwnTrim() }
	lead := phys.Seconds(p.shutterLead() + p.bench.Shutter.Delay)
	at := moment(path, p.set)
	if at < lead {
		return &problem{field: "drops.first.gap", why: fmt.Sprintf("the moment comes %s after Go, but the shutter needs "+
			"%s to open",
			inMs(at), inMs(lead)), fixes: []fix{{field: "drops.first.gap", step: byMs, from: float64(p.set.Drops.First.Gap),
			limit: 10, holds: func(s Set) bool {
				path, err := s.dropsPath()
				return err == nil && moment(path, s) >= lead
			}, format: "open the first valve at least %s later, %s after Go"}}}
	}
	least := at + phys.Seconds(shutterTail+p.bench.Shutter.Delay)
	if p.set.Light.OpenFor >= least {
		return nil
	}
	return &problem{field: "light.open_for", why: fmt.Sprintf("the shutter would be held for %s from Go, and the "+
		"moment comes at %s",
		inMs(p.set.Light.OpenFor), inMs(at)),
		fixes: []fix{{field: "light.open_for", step: byMs, from: float64(p.set.Light.OpenFor), limit: 600,
			holds: func(s Set) bool { return s.Light.OpenFor >= least }, format: "hold it open for at least %s longer, " +
				"%s in all"}}}
}

// addDropsMarks adds what happens in the air and in the pool, on the delay's clock.
func (p plan) addDropsMarks(t *Timeline, path DropsPath, stamp time.Duration) {
	d := p.set.Drops
	t.FromGo = d.From == FromValve
	at := func(x phys.Time) time.Duration { return d.fromClock(path, x).Duration() - stamp }
	t.Marks = []Mark{{"Go", at(0)}}
	if d.From == FromBeam {
		t.Marks = []Mark{{"edge", 0}}
	}
	for i := range path.Count {
		if name := "surface"; d.Want == WantPhase || i != 1 {
			t.Marks = append(t.Marks, Mark{name, at(path.Drops[i].Lands)})
			continue
		}
		t.Marks = append(t.Marks, Mark{"meeting", at(path.Meeting.At)})
	}
	for i := 1; i < path.Count; i++ {
		t.Bars = append(t.Bars, Bar{Name: gapBar, From: at(path.Drops[i-1].On), To: at(path.Drops[i].On)})
	}
	if d.Want == WantCollision {
		emerges := path.Drops[0].Lands + path.Column.Emerges
		t.Marks = append(t.Marks, Mark{"column", at(emerges)})
		t.Bars = append(t.Bars, Bar{Name: columnBar, From: at(emerges), To: at(path.Drops[0].Lands + path.Column.Gone)})
	}
}

// Names of bars that are no pulses: the first drop's column, and from the start of one opening to that of the next.
const (
	columnBar = "column"
	gapBar    = "gap"
)
