// Package rehearsal makes many tries in the simulated room, as an evening would go: the first ones find the trim, as
// package tuning does, the others are counted. It says how many pictures have the liquid in place, how far they
// scatter, and whether the error budget had said so. The budget knows nothing of droplets that break a beam ahead of a
// sheet, nor of a beam that is late, so that it is compared with the throws that had neither.
//
// What keeps droplets from being timed is the light of the beams, higher than they are. A board that waited until a
// beam had been broken for some time would do it too: a droplet of 2 mm at 3 m/s breaks it for 0.7 ms. But then it
// could act only later, by as much as droplets may be long, and every board's program would need one more time.
//
// The room (package scene) has laws of its own for how liquid leaves, flies and splashes; what is timed is the program
// that package shot compiles.
package rehearsal

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"sort"
	"time"

	"stillwater/internal/phys"
	"stillwater/internal/record"
	"stillwater/internal/scene"
	"stillwater/internal/shot"
	"stillwater/internal/splash"
	"stillwater/internal/tuning"
)

// Method is what decides when to fire.
type Method string

// By beams, by one beam, or by hand.
const (
	Gates   Method = "gates"    // the set's own beams: two for a throw, one for a drop
	OneBeam Method = "one-beam" // a fixed delay after the throw's second beam
	Hand    Method = "hand"     // a person presses a remote
)

// Methods lists every Method.
func Methods() []Method { return []Method{Gates, OneBeam, Hand} }

// Placing is where a throw's beams stand.
type Placing string

// As advised, or as somebody new to it may do.
const (
	Well     Placing = "well"     // where shot.BetterPlaces has them
	Beginner Placing = "beginner" // 10 cm apart, 80 cm before the focus spot, of light 3 mm high
)

// Placings lists every Placing.
func Placings() []Placing { return []Placing{Well, Beginner} }

// handSD is by how much a person who sees it coming presses too soon or too late, SD, once a steady error is corrected:
// 20 to 60 ms for pressing a button as a light arrives (order of magnitude, from memory: E. J. Coker 2005, M. J. Duncan
// et al., Eur. J. Sport Sci. 2013); a bat that is steered to a falling ball all the way does 7 ms (E. Brenner, B.
// Driesen, J. B. J. Smeets, Front. Hum. Neurosci. 8 (2014) 342), which a button is not.
const handSD = 40 * time.Millisecond

const (
	// learningTries are judged to find the trim before any is counted.
	learningTries = 12
	// measuredSD is how well a person measures in a picture how far a throw is from its place, SD: own choice.
	measuredSD = 5e-3
	between    = 10 * time.Second // from try to try: longer than any flash recycles here
	tick       = 100 * time.Nanosecond
)

// Options say what is rehearsed. The set is one of a drop or a throw.
type Options struct {
	Set    shot.Set
	Method Method
	Tries  int
	Seed   uint64       // of the room
	Room   scene.Preset // the zero value: the usual one

	Untrimmed bool // no trim is looked for: the plan as it is
}

// Result is the outcome of a rehearsal. Lengths are along the path, unless they say otherwise, and after the trim was
// found.
type Result struct {
	Set        shot.Set
	Room       string        // a name in scene.Presets
	Tries      int           // counted
	Pictures   int           // of them; the others were not accepted, or fell short
	InPlace    float64       // share of pictures with the liquid within shot.InPlace of the focus spot, from the side
	InTime     float64       // the same along the path alone, which is all that timing has a hand in
	Good       float64       // share that the room's person calls good
	Clean      int           // pictures of throws without a droplet ahead that broke a beam: what follows is of these
	CleanPlace float64       // share of them in place
	Spread     time.Duration // of the moment, SD
	SpreadLong phys.Length   // in which the liquid moves so far, SD
	Height     phys.Length   // throw: how far above or below the spot it passes, SD
	Predicted  float64       // share in place, by the plan; 0: no plan says
	Budget     time.Duration // the spread by the error budget, from shot to shot; 0: it has none for this
	Trim       time.Duration // that was found
	Learned    int           // in so many judged tries
	Better     *Better       // a throw by its beams: places that are better; nil: none
}

// Better is a set with which more throws are in place, by the plan.
type Better struct {
	Set   shot.Set
	Share float64
}

// Agreement is the simulated spread over the budget's; 0: there is no budget.
func (r Result) Agreement() float64 {
	if r.Budget == 0 {
		return 0
	}
	return float64(r.Spread) / float64(r.Budget)
}

// Placed is the standard set of a kind with its beams so placed.
func Placed(kind shot.Kind, placing Placing) (shot.Set, error) {
	set := shot.DefaultSet()
	set.Kind = kind
	if kind != shot.Throw {
		return set, nil
	}
	set.Throw.Gate, set.Throw.ToFocus, set.Throw.BeamHeight, set.Throw.SpeedLow = 0.1, 0.8, 0, 3
	if placing != Well {
		return set, nil
	}
	e, err := set.Estimate()
	if err != nil {
		return set, err
	}
	set, _, err = shot.BetterPlaces(set, e, shot.DefaultSpread(), tick)
	set.Throw.SpeedLow = 2 // so near, a hand throws more gently
	return set, err
}

// begin is an evening with nothing made yet.
func begin(o Options) (*evening, error) {
	if o.Set.Kind != shot.Drop && o.Set.Kind != shot.Throw {
		return nil, fmt.Errorf("a %s cannot be rehearsed: use drop or throw", o.Set.Kind)
	}
	if o.Room.Name == "" {
		var err error
		if o.Room, err = scene.PresetNamed(scene.UsualPreset); err != nil {
			return nil, err
		}
	}
	// What the shutter does is not under test: it is open.
	o.Set.Light.Expose, o.Set.Light.Shutter = shot.FlashInDark, shot.ByHand
	return &evening{Options: o, room: scene.NewIn(o.Seed, o.Room), hand: rand.New(rand.NewPCG(o.Seed, 7))}, nil
}

// Run makes as many tries in the simulated room as o asks for, after the trim was found as a person finds it.
func Run(o Options) (Result, error) {
	e, err := begin(o)
	if err != nil {
		return Result{}, err
	}
	if err := e.findTrim(); err != nil {
		return Result{}, err
	}
	var all []try
	for range o.Tries {
		t, ok, err := e.next()
		if err != nil {
			return Result{}, err
		}
		if ok {
			all = append(all, t)
		}
	}
	if len(all) == 0 {
		return Result{}, errors.New("no try gave a picture: the throws are slower or faster than the set accepts")
	}
	r := summarize(all)
	r.Set, r.Room, r.Tries, r.Trim, r.Learned = e.Set, e.Room.Name, o.Tries, e.Set.OwnTrim().Duration(), e.judged
	return r, e.predict(&r, all)
}

// evening is one room and the set as it is trimmed.
type evening struct {
	Options
	room    *scene.Room
	hand    *rand.Rand
	program shot.Program
	now     time.Duration
	judged  int
}

// try is one picture.
type try struct {
	frame scene.Frame
	along float64 // metres past the focus spot, along the path; a column: below its highest
	up    float64 // metres above it
	level float64 // angle of the path there
	speed phys.Speed
	at    phys.Time // gate interval of a throw
	clean bool      // no droplet broke a beam ahead of the sheet, and no beam was late
}

// bench is a board without limits that matter here.
func bench() shot.Bench {
	return shot.Bench{
		Gate: &shot.Sensor{Index: 0, Name: "gate"}, Beam: &shot.Sensor{Index: 1, Name: "beam"},
		Shutter: &shot.Output{Index: 0, Name: "shutter", MaxOn: time.Minute},
		Flash:   &shot.Output{Index: 1, Name: "flash", MaxOn: time.Second, Delay: scene.FlashDelay},
		Lead:    time.Millisecond, Tick: tick, TableLen: 32, Late: time.Millisecond, HoldOff: 20 * time.Millisecond,
	}
}

// findTrim judges tries as the room's person would, and follows the advice. A hand needs no trim.
func (e *evening) findTrim() error {
	if err := e.compile(); err != nil || e.Method == Hand || e.Untrimmed {
		return err
	}
	plan, err := shot.TuningPlan(e.Set, shot.DefaultSpread(), tick)
	if err != nil {
		return err
	}
	var tries []tuning.Try
	for attempts := 0; len(tries) < learningTries && attempts < 20*learningTries; attempts++ {
		t, ok, err := e.next()
		if err != nil {
			return err
		}
		if !ok {
			continue
		}
		trim := e.Set.OwnTrim().Duration()
		tries = append([]tuning.Try{e.judge(t, trim)}, tries...)
		a := tuning.Learn(plan, tries, trim)
		if err := e.trim(a.Trim); err != nil {
			return err
		}
	}
	e.judged = len(tries)
	return nil
}

// trim has the next tries made with a trim.
func (e *evening) trim(by time.Duration) error {
	if err := e.Set.Put("trim."+string(e.Set.Kind), fmt.Sprintf("%g ms", by.Seconds()*1e3)); err != nil {
		return err
	}
	return e.compile()
}

// judge is what the person makes of a picture: a throw in it is measured, of a drop a person says early, good or late.
func (e *evening) judge(t try, trim time.Duration) tuning.Try {
	judged := tuning.Try{At: trim, Verdict: t.frame.Verdict}
	if e.Set.Kind != shot.Throw || judged.Verdict == record.Nothing {
		return judged
	}
	error := e.hand.NormFloat64() * measuredSD
	if off, ok := tuning.MeasuredAlong(phys.Length(t.along+error), measuredSD, t.speed); ok {
		judged.Verdict, judged.Off = "", &off
	}
	return judged
}

func (e *evening) compile() (err error) {
	e.program, _, err = shot.Compile(e.Set, bench())
	return err
}

// next is one try; false if it gave no picture.
func (e *evening) next() (try, bool, error) {
	e.now += between
	f, err := e.room.Release(e.Set, e.now)
	if err != nil {
		return try{}, false, err
	}
	moment, interval, ok := e.moment(f)
	if !ok || !f.Arrives {
		return try{}, false, nil
	}
	e.room.Drive(scene.Flash, true, moment-scene.FlashDelay)
	frame := e.room.Look(f)
	if !frame.Exposed {
		return try{}, false, nil
	}
	t := try{frame: frame, speed: f.Speed, at: interval, clean: len(f.Sprayed)+len(f.Sagged) == 0 || e.Method == Hand}
	off := frame.Offset.Seconds()
	switch {
	case f.Set.Kind == shot.Throw:
		t.level = math.Atan2(float64(f.Through.Y), float64(f.Through.X))
		t.along, t.up = float64(f.Speed)*off, float64(f.Above)
	case f.Set.Drop.Phase == splash.Contact:
		t.along = float64(f.Speed) * off
	default: // a column's tip in free flight about its highest
		t.along = -phys.Gravity * off * off / 2
	}
	return t, true, nil
}

// moment is when the flash gives its light, and a throw's gate interval; false if the board would not have fired.
func (e *evening) moment(f scene.Flight) (moment time.Duration, interval phys.Time, ok bool) {
	if e.Method == Hand {
		return f.Best + time.Duration(e.hand.NormFloat64()*float64(handSD)), 0, true
	}
	beam, ok := edge(f, scene.Beam)
	if !ok {
		return 0, 0, false
	}
	flash := e.program.Cues[len(e.program.Cues)-1].Offset + scene.FlashDelay
	if f.Set.Kind != shot.Throw {
		return beam + e.program.Table[0].Delay + flash, 0, true
	}
	gate, ok := edge(f, scene.Gate)
	took := beam - gate
	if !ok || took < e.program.GateMin || took > e.program.GateMax {
		return 0, 0, false
	}
	if e.Method == OneBeam {
		return beam + e.fixed() + flash, phys.Seconds(took), true
	}
	return beam + delayOf(e.program, took) + flash, phys.Seconds(took), true
}

// fixed is the delay of the middle of the accepted speeds: all that one beam can have.
func (e *evening) fixed() time.Duration {
	estimate, err := e.Set.Estimate()
	if err != nil {
		return 0 // it was compiled
	}
	return estimate.Delay.Duration()
}

// edge is when a sensor became active first.
func edge(f scene.Flight, s scene.Sensor) (time.Duration, bool) {
	for _, at := range f.Edges {
		if at.Sensor == s && at.Active {
			return at.At, true
		}
	}
	return 0, false
}

// delayOf interpolates the program's table as a board does.
func delayOf(p shot.Program, interval time.Duration) time.Duration {
	i := sort.Search(len(p.Table)-1, func(i int) bool { return p.Table[i].Interval >= interval })
	a, b := p.Table[max(i, 1)-1], p.Table[max(i, 1)]
	part := float64(interval-a.Interval) / float64(b.Interval-a.Interval)
	return a.Delay + time.Duration(part*float64(b.Delay-a.Delay))
}
