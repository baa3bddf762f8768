// Package scene is the simulated room: drops from a nozzle, throws by hand and sounds, the sensors they pass, a
// camera with lag and a flash. It is pure: every time is passed in, and everything that varies comes from the seed,
// so the same seed and the same calls give the same room.
//
// What the room does is drawn around what the set says; how much it varies, and why that much, stands in spreads. The
// room knows the truth (when the liquid was at its best in the focus spot) and so can say what a picture shows. Nothing
// here was measured on a real rig.
package scene

import (
	"cmp"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"time"

	"stillwater/internal/phys"
	"stillwater/internal/shot"
)

// Sensor is what an edge comes from.
type Sensor uint8

const (
	Gate       Sensor = iota // the first beam of a throw
	Beam                     // the drop's beam, the throw's second beam
	Microphone               //
	Sync                     // the camera's sync contact
)

// Edge is one change of a sensor. Active means: beam broken, sound heard, contact closed.
type Edge struct {
	Sensor Sensor
	Active bool
	At     time.Duration
}

// Flight is one drop, throw or sound let go: the edges it makes and the truth about it.
type Flight struct {
	Number   int // in the room, from 1
	Set      shot.Set
	Released time.Duration
	Arrives  bool          // it comes to the focus spot at all: Best holds
	Best     time.Duration // when the liquid is at its best in the focus spot
	Ends     time.Duration // nothing is left to see
	Edges    []Edge        // in order of time

	Speed    phys.Speed    // throw: at the focus spot along the path; drop: at the surface; sound: of sound
	Contact  time.Duration // drop: it touches the surface; throw: it is at the second beam; sound: it is made
	Diameter phys.Length   // drop
	Phases   []PhaseAt     // drop: in order of time
	Passing  phys.Speed    // throw: at the second beam
	Angle    phys.Angle    // throw: above level at the second beam
	Above    phys.Length   // throw: how far above the focus spot it passes, negative below
}

// spreads is how much the room varies. Standard deviations, unless said otherwise.
type spreads struct {
	DropDiameter  float64          // of the diameter, from drop to drop
	DropHeavier   float64          // largest excess of the diameter over the computed one, one for the room
	DropEdge      phys.Length      // of the place on the drop that breaks the beam
	BeamPlace     phys.Length      // of the drop's beam against what was measured, one for the room
	PhaseTime     float64          // of a phase's time after contact, from drop to drop
	BandLow       float64          // where in a phase's published band this room's splashes may lie, 0 low, 1 high: from
	BandHigh      float64          // to
	ThrowOutside  float64          // share of throws outside the accepted speeds
	ThrowAngle    phys.Angle       // from throw to throw
	RaggedEdge    phys.Length      // of the leading edge, at each beam by itself
	DragLow       float64          // a thrown mass is no sphere: its drag over a sphere's, from
	DragHigh      float64          // to
	SoundJitter   phys.Time        // of when the microphone trips
	SoundWarmth   phys.Temperature // of the air against what was measured, one for the room
	SoundDistance phys.Length      // of the distance against what was measured, one for the room
	BeamJitter    phys.Time        // of a beam's electronics
	LagOff        float64          // of the camera's mean lag over what the set says, one for the room
}

// defaultSpreads is an ordinary kitchen. Drop weight: ordinary dripping gives drops up to 8 percent heavier than the
// slow formation that the Harkins and Brown factor holds for (F. Eschbaum 1895,
// testdata/published/drop_from_nozzle_check.csv), that is 2.6 percent in diameter. All others: common practice, no
// source.
func defaultSpreads() spreads {
	return spreads{
		DropDiameter:  0.01,
		DropHeavier:   0.026,
		DropEdge:      0.3e-3,
		BeamPlace:     1e-3,
		PhaseTime:     0.02,
		BandLow:       0.15,
		BandHigh:      0.85,
		ThrowOutside:  0.1,
		ThrowAngle:    phys.Angle(3 * math.Pi / 180),
		RaggedEdge:    3e-3,
		DragLow:       1,
		DragHigh:      1.6,
		SoundJitter:   0.2e-3,
		SoundWarmth:   1,
		SoundDistance: 1e-2,
		BeamJitter:    20e-6,
		LagOff:        0.03,
	}
}

// Room is one room. It is not safe for concurrent use.
type Room struct {
	seed    uint64
	spreads spreads
	flights int
	over    time.Duration // the last flight
	camera  camera

	// What is the same all evening, and what a person can learn.
	band    float64          // where in each phase's band this room's splashes lie, 0 low, 1 high
	heavier float64          // drops are this much wider than computed
	lower   phys.Length      // the drop's beam is this much lower than measured
	warmer  phys.Temperature // than measured
	farther phys.Length      // the microphone is this much farther than measured
}

// New makes a room with ordinary spreads.
func New(seed uint64) *Room { return newWith(seed, defaultSpreads()) }

// newWith makes a room with chosen spreads.
func newWith(seed uint64, s spreads) *Room {
	rng := dice{rand.New(rand.NewPCG(seed, 0))}
	return &Room{
		seed:    seed,
		spreads: s,
		camera:  newCamera(seed, 1+rng.normal(s.LagOff)),
		band:    rng.between(s.BandLow, s.BandHigh),
		heavier: rng.between(0, s.DropHeavier),
		lower:   phys.Length(rng.normal(float64(s.BeamPlace))),
		warmer:  phys.Temperature(rng.normal(float64(s.SoundWarmth))),
		farther: phys.Length(rng.normal(float64(s.SoundDistance))),
	}
}

// Release lets what the set describes go at a time. It comes to the first sensor a little later: a person needs a
// moment.
//
// Errors: what keeps the set from being carried out, from package splash or ballistics.
func (r *Room) Release(set shot.Set, at time.Duration) (Flight, error) {
	return r.letGo(set, at, dice.leadIn)
}

// Drip lets a set's drop go by a valve that opened at a time, which is far more regular than a hand.
func (r *Room) Drip(set shot.Set, at time.Duration) (Flight, error) {
	set.Kind = shot.Drop
	return r.letGo(set, at, dice.valveOpens)
}

func (r *Room) letGo(set shot.Set, at time.Duration, wait func(dice) time.Duration) (Flight, error) {
	r.flights++
	rng := dice{rand.New(rand.NewPCG(r.seed, uint64(r.flights)))}
	f := Flight{Number: r.flights, Set: set, Released: at}
	start := at + wait(rng)
	var err error
	switch set.Kind {
	case shot.Drop:
		err = r.drip(&f, rng, start)
	case shot.Throw:
		err = r.throw(&f, rng, start)
	case shot.Sound:
		err = r.sound(&f, rng, start)
	default:
		err = fmt.Errorf("there is no %q in this room", set.Kind)
	}
	if err != nil {
		return Flight{}, fmt.Errorf("letting go: %w", err)
	}
	slices.SortStableFunc(f.Edges, func(a, b Edge) int { return cmp.Compare(a.At, b.At) })
	r.camera.light, r.over = set.Light, f.Ends
	return f, nil
}

// dice draws what varies.
type dice struct{ *rand.Rand }

// normal draws with standard deviation sd, cut at three of them: rooms are odd, not absurd.
func (d dice) normal(sd float64) float64 {
	for {
		if z := d.NormFloat64(); math.Abs(z) <= 3 {
			return z * sd
		}
	}
}

func (d dice) between(low, high float64) float64 { return low + (high-low)*d.Float64() }
