// Package scene is the simulated room: drops from a nozzle, throws by hand and sounds, the sensors they pass, a camera
// with lag and a flash. It is pure: times are passed in and all randomness comes from the seed, so that the same seed
// and calls give the same room.
//
// Flights vary randomly around what the set describes, with the standard deviations in spreads. The room knows the
// truth (when the liquid was at its best in the focus spot), so it can describe what a picture shows, and say where the
// liquid is at any instant (Flight.WaterAt). Nothing here was measured on a real rig.
//
// What is shared with shot, so that practice says nothing of it: a drop's fall through air and the speed of sound, both
// package ballistics'; the size of a nozzle's drop on average, package splash's; where in a beam's slit a drop or a
// front breaks it, package beam's, which single rays witness; liquids' figures. The throw's path is in neither: shot
// works its own out by package ballistics.
//
// What is the room's own: how a drop leaves, how much heavier it is, how it swings (Rayleigh 1879, damped as Lamb has
// it); when a splash is in which phase, and between these times the crater, which opens by the balance of the drop's
// energy with that of the liquid it moves and raises, and the column, whose tip rises and falls as a body thrown up;
// what drops from valves weigh, when they let go and what they meet; how a throw flies, by an equation of motion of its
// own, and how it spreads, thins, tears and becomes threads and drops; a hand that warms up and tires; sensors that
// bounce, sag and miss, satellites, droplets ahead and holes; a camera's lag with its scatter and its rare outlier; a
// flash that charges up; a door that lets light in. Package shot knows none of these.
//
// A room is of a Preset, from one in which nothing goes wrong to one in which much does.
package scene

import (
	"cmp"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"time"

	"stillwater/internal/beam"
	"stillwater/internal/phys"
	"stillwater/internal/shot"
)

// Sensor is the source of an edge.
type Sensor uint8

const (
	Gate       Sensor = iota // the first beam of a throw
	Beam                     // the drop's beam, the throw's second beam
	Microphone               //
	Sync                     // the camera's sync contact
)

// Edge is one change of a sensor. Active means beam broken, sound detected, contact closed.
type Edge struct {
	Sensor Sensor
	Active bool
	At     time.Duration
}

// Flight is one drop, throw or sound: the edges it causes and the truth about it.
type Flight struct {
	Number   int      // in the room, from 1
	Detail   uint64   // seed of what the liquid looks like and no sensor notices
	Through  Velocity // throw: at the focus spot
	Set      shot.Set
	Released time.Duration
	Arrives  bool          // it reaches the focus spot, so that Best is set
	Best     time.Duration // when the liquid is at its best in the focus spot
	Ends     time.Duration // when it is over
	Edges    []Edge        // in order of time

	Speed    phys.Speed    // throw: at the focus spot along the path; drop: at the surface; sound: of sound
	Contact  time.Duration // drop: at the surface; throw: at the second beam; sound: at its source
	Diameter phys.Length   // drop
	Phases   []PhaseAt     // drop: in order of time
	Passing  phys.Speed    // throw: at the second beam
	Angle    phys.Angle    // throw: above level at the second beam
	Above    phys.Length   // throw: height above the focus spot as it passes, negative below
	Aside    phys.Length   // throw: how much nearer to the camera than the focus spot, negative beyond
	Missed   []Sensor      // did not see it
	Sprayed  []Sensor      // throw: sensors that a droplet ahead of the sheet broke
	Sagged   []Sensor      // were late to notice it
	parcels  []parcel      // throw: what the sheet is made of
	door     span          // open, and letting light in; zero: no door was

	crater, capillary float64 // drop: the crater's radius; surface tension over density of the pool; in SI units

	Drops   []ValveDrop // from valves: in order
	Column  ColumnRise  // of the first of them, in a collision; of the last, for a phase
	Meeting *Meeting    // what the second one meets, in a collision; nil: there is none yet
	before  []PhaseAt   // of the first one's splash, in a collision
}

// spreads is how much the room varies: standard deviations, unless stated otherwise.
type spreads struct {
	DropDiameter  float64          // of the diameter, from drop to drop
	DropHeavier   float64          // largest excess of the diameter over the computed one, one for the room
	DropEdge      phys.Length      // of a drop's lowest point, which swings and wobbles
	Broken        beam.Share       // of a beam's light that must be gone, anywhere between: from pass to pass
	BeamPlace     phys.Length      // of the drop's beam against what was measured, one for the room
	PhaseTime     float64          // of a phase's time after contact, from drop to drop
	BandLow       float64          // range of Room.bandPosition: from
	BandHigh      float64          // to
	ThrowSpeed    float64          // from throw to throw, fraction of the speed
	Strength      float64          // of a person's average throw, from room to room, fraction
	ThrowAngle    phys.Angle       // from throw to throw
	RaggedEdge    phys.Length      // of the leading edge, at each beam by itself
	DragLow       float64          // drag of a thrown mass relative to a sphere's: from
	DragHigh      float64          // to
	SoundJitter   phys.Time        // of the microphone's response
	SoundWarmth   phys.Temperature // of the air against what was measured, one for the room
	SoundDistance phys.Length      // of the distance against what was measured, one for the room
	BeamJitter    phys.Time        // of a beam's electronics
	LagOff        float64          // of the camera's mean lag over what the set says, one for the room

	mishaps
	handDrift
	valveSpreads
}

// defaultSpreads is an ordinary kitchen. Drop weight: ordinary dripping gives drops up to 8 percent heavier than the
// slow formation that the Harkins and Brown factor holds for (F. Eschbaum 1895,
// testdata/published/drop_from_nozzle_check.csv), that is 2.6 percent in diameter. Speed and angle of throws: R. Allain
// 2010, of balls (testdata/published/splash_published_2.csv). All others: common practice, no source.
func defaultSpreads() spreads {
	return spreads{
		DropDiameter:  0.01,
		DropHeavier:   0.026,
		DropEdge:      0.3e-3,
		Broken:        beam.Boards(),
		BeamPlace:     1e-3,
		PhaseTime:     0.02,
		BandLow:       0.15,
		BandHigh:      0.85,
		ThrowSpeed:    0.08,
		Strength:      0.05,
		ThrowAngle:    0.062,
		RaggedEdge:    3e-3,
		DragLow:       1,
		DragHigh:      1.6,
		SoundJitter:   0.2e-3,
		SoundWarmth:   1,
		SoundDistance: 1e-2,
		BeamJitter:    20e-6,
		LagOff:        0.03,
		mishaps:       usualMishaps(),
		handDrift:     handDrift{WarmUp: 0.2, Tires: 0.03},
		valveSpreads:  defaultValveSpreads(),
	}
}

// Room is one room. It is not safe for concurrent use.
type Room struct {
	seed    uint64
	spreads spreads
	flights int
	lastEnd time.Duration // the last flight
	throws  int
	camera  camera
	tips    [Valves]tip

	// Constant for the evening, so that a person can learn it.
	bandPosition   float64          // of this room's splashes in each phase's published band, 0 low, 1 high
	sizeExcess     float64          // of the drop's diameter over the computed one, as a fraction
	beamOffset     phys.Length      // how much lower the drop's beam is than measured
	airOffset      phys.Temperature // how much warmer the air is than measured
	distanceOffset phys.Length      // how much farther the microphone is than measured
	strength       float64          // of the person who throws, 1 on average
	way            float64          // between the beams' heads where things pass, as package beam counts it
	basin          basin
}

// New returns a room with the usual scatter; the same seed gives the same evening.
func New(seed uint64) *Room { return newWith(seed, defaultSpreads()) }

// NewIn returns a room of a preset.
func NewIn(seed uint64, p Preset) *Room { return newWith(seed, p.spreads) }

// newWith returns a room with given spreads.
func newWith(seed uint64, s spreads) *Room {
	rng := dice{rand.New(rand.NewPCG(seed, 0))}
	return &Room{
		seed:           seed,
		spreads:        s,
		camera:         newCamera(seed, 1+rng.normal(s.LagOff), s.LagOutlier),
		tips:           newTips(seed, s.valveSpreads),
		basin:          newBasin(seed, s.valveSpreads),
		bandPosition:   rng.between(s.BandLow, s.BandHigh),
		sizeExcess:     rng.between(0, s.DropHeavier),
		beamOffset:     phys.Length(rng.normal(float64(s.BeamPlace))),
		airOffset:      phys.Temperature(rng.normal(float64(s.SoundWarmth))),
		distanceOffset: phys.Length(rng.normal(float64(s.SoundDistance))),
		strength:       1 + rng.normal(s.Strength),
		way:            wayBetween(seed),
	}
}

// Release starts what the set describes, by hand: it reaches the first sensor a reaction time later.
//
// Errors: as packages splash and ballistics, for an impossible set.
func (r *Room) Release(set shot.Set, at time.Duration) (Flight, error) {
	return r.start(set, at, dice.handDelay)
}

// Drip starts a set's drop by a valve that opened at a time, which is far more regular than a hand.
func (r *Room) Drip(set shot.Set, at time.Duration) (Flight, error) {
	set.Kind = shot.Drop
	return r.start(set, at, dice.valveDelay)
}

func (r *Room) start(set shot.Set, at time.Duration, wait func(dice) time.Duration) (Flight, error) {
	r.flights++
	rng := dice{rand.New(rand.NewPCG(r.seed, uint64(r.flights)))}
	f := Flight{Number: r.flights, Detail: r.seed<<20 ^ uint64(r.flights), Set: set, Released: at}
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
		return Flight{}, fmt.Errorf("releasing it: %w", err)
	}
	r.openDoor(&f)
	slices.SortStableFunc(f.Edges, func(a, b Edge) int { return cmp.Compare(a.At, b.At) })
	r.camera.light, r.lastEnd = set.Light, f.Ends
	return f, nil
}

// dice draws random values.
type dice struct{ *rand.Rand }

// normal draws with standard deviation sd, truncated at three of them.
func (d dice) normal(sd float64) float64 {
	for {
		if z := d.NormFloat64(); math.Abs(z) <= 3 {
			return z * sd
		}
	}
}

func (d dice) between(low, high float64) float64 { return low + (high-low)*d.Float64() }
