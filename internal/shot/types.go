// Package shot compiles a plan (a Set on a Bench) to a board's Program, or explains why the plan cannot work and what
// to change. It also predicts a plan's timeline and accuracy, and gives advice on improving it.
package shot

import (
	"time"

	"stillwater/internal/beam"
	"stillwater/internal/optics"
	"stillwater/internal/phys"
	"stillwater/internal/splash"
)

// Kind is what flies past the camera.
type Kind string

const (
	Drop  Kind = "drop"  // a drop falls from a nozzle through one beam into a pool
	Throw Kind = "throw" // a sheet is thrown through a gate of two beams
	Sound Kind = "sound" // a clap, a burst, a drip on a plate: heard by a microphone
	Drops Kind = "drops" // valves let one to three drops fall on command
)

// Exposure is how the picture is exposed.
type Exposure string

const (
	// FlashInDark: the room is dark, the shutter is open when the flash fires at the moment.
	FlashInDark Exposure = "flash-in-dark"
	// LagLed: the shutter cue goes out earlier than the moment by the camera's lag, and the camera's sync fires the flash.
	LagLed Exposure = "lag-led"
)

// ShutterBy is what opens the shutter for FlashInDark.
type ShutterBy string

const (
	ByEdgeOrGo ShutterBy = "auto" // ByEdge where the earliest moment leaves the camera its time, ByGo where it does not
	ByEdge     ShutterBy = "edge" // the program, after the edge, when there is time for the camera's lag
	ByGo       ShutterBy = "go"   // the program, at Go, held open until OpenFor is over
	ByHand     ShutterBy = "hand" // the person
)

// Set is the arrangement in the room and the moment wanted: everything a plan needs that a person measures or chooses.
// All fields have values; DefaultSet gives a set that works.
type Set struct {
	Kind  Kind      `json:"kind"`
	Drop  DropSet   `json:"drop"`
	Throw ThrowSet  `json:"throw"`
	Sound SoundSet  `json:"sound"`
	Drops DropsSet  `json:"drops"`
	Beam  beam.Slit `json:"beam"` // of whatever beam the kind has, or both of a gate
	Light LightSet  `json:"light"`
	Trim  TrimSet   `json:"trim"`

	Camera     optics.Camera     `json:"camera"`
	Flash      optics.Flash      `json:"flash"`
	Room       optics.Ambient    `json:"room"`
	Background optics.Background `json:"background"`
}

// TrimSet is added to the delay, positive for later; of throws to that of the middle of the accepted speeds, and to
// others in proportion. Each kind has its own, since a correction found with one kind says nothing about another.
type TrimSet struct {
	Drop  phys.Time `json:"drop"`
	Throw phys.Time `json:"throw"`
	Sound phys.Time `json:"sound"`
	Drops phys.Time `json:"drops"`
}

// DropSet is the arrangement for a drop. Distances are below the nozzle tip.
type DropSet struct {
	Height    phys.Length  `json:"height"`   // nozzle tip to pool surface
	Beam      phys.Length  `json:"beam"`     // nozzle tip to beam
	Nozzle    phys.Length  `json:"nozzle"`   // outer diameter
	Diameter  phys.Length  `json:"diameter"` // of the drop, if measured; 0: computed from nozzle and liquid
	Liquid    string       `json:"liquid"`   // a name in liquids.All
	Phase     splash.Phase `json:"phase"`
	PoolDepth phys.Length  `json:"pool_depth"`
	// PoolLiquid is a name in liquids.All, or SameLiquid.
	PoolLiquid string `json:"pool_liquid"`
	Nth        int    `json:"nth"` // which drop of a train, 1 the first
}

// SameLiquid as the pool's liquid means the same as the drop's.
const SameLiquid = "same"

// ThrowSet is the arrangement for a throw.
type ThrowSet struct {
	Gate       phys.Length `json:"gate"`        // between the two beams along the path
	ToFocus    phys.Length `json:"to_focus"`    // level distance from the second beam to the focus spot
	Angle      phys.Angle  `json:"angle"`       // above level at the second beam
	SpeedLow   phys.Speed  `json:"speed_low"`   // slowest throw accepted
	SpeedHigh  phys.Speed  `json:"speed_high"`  // fastest throw accepted
	Mass       phys.Length `json:"mass"`        // diameter of a sphere of the thrown liquid's volume
	Thickness  phys.Length `json:"thickness"`   // of a sheet that is thrown; 0: it keeps together like a ball
	Edge       phys.Length `json:"edge"`        // of the ragged leading edge as measured, SD; 0: not, AssumedEdge
	AboveFloor phys.Length `json:"above_floor"` // height of the second beam
	BeamHeight phys.Length `json:"beam_height"` // of a beam's light itself, across the path; 0: not known, see BeamHigh
}

// BeamHigh is how high the light of a beam is. A beam of unknown height is taken to be 3 mm high: own choice.
func (t ThrowSet) BeamHigh() phys.Length {
	if t.BeamHeight == 0 {
		return 3 * mm
	}
	return t.BeamHeight
}

// SoundSet is the arrangement for a sound, made at Distance from the microphone. The moment is After the sound.
type SoundSet struct {
	Distance    phys.Length      `json:"distance"`
	Temperature phys.Temperature `json:"temperature"`
	After       phys.Time        `json:"after"`
}

// LightSet is the part of camera and flash that timing needs.
type LightSet struct {
	Expose     Exposure  `json:"expose"`
	Shutter    ShutterBy `json:"shutter"`
	Lag        phys.Time `json:"lag"`         // camera: release to open
	LagScatter phys.Time `json:"lag_scatter"` // its standard deviation
	OpenFor    phys.Time `json:"open_for"`    // how long the shutter is held
	Recycle    phys.Time `json:"recycle"`     // flash ready again
}

// Bench is what a plan runs on: the board's pins by role, and its limits. It is filled from the board's identity and
// the configuration.
type Bench struct {
	Beam, Gate, Microphone *Sensor       // Beam: the drop's beam and the throw's second beam. nil: there is none
	Shutter, Flash         *Output       // nil: there is none
	MoreFlash              []Output      // further flashes, which fire at the moment too
	Valves                 []Output      // in the order of the configuration
	MaxOpening             int           // the most opening cues the board takes; 0: as many as its protocol has
	Lead                   time.Duration // the least time the board needs between two cues of one output
	EdgeLead               time.Duration // the least from the edge to the first cue
	GateLead               time.Duration // the same with a gate, if that is longer
	Tick                   time.Duration
	TableLen               int
	Late                   time.Duration // a cue further behind than this is late
	HoldOff                time.Duration // bounce
}

// Sensor is a board's input and the direction of the edge that counts.
type Sensor struct {
	Index   uint8
	Name    string
	Falling bool
	Delay   time.Duration // between the event at the sensor and the edge's stamp
}

// Output is a board's output and its limits.
type Output struct {
	Index uint8
	Name  string
	MaxOn time.Duration
	Delay time.Duration // from the pin to the light or the contact
}

// Program is a board's program in time instead of ticks. The board's client converts it to ticks.
type Program struct {
	Clock   *Source // nil: Go starts the delay
	Nth     int
	Gate    *Source
	GateMin time.Duration // shortest gate interval; without a gate, from when after Go the n-th edge counts
	GateMax time.Duration // longest; without a gate, until when; 0: until the opening cues are over
	Table   []Point       // one point: fixed delay
	Cues    []Cue         // Offset from the moment
	Opening []Cue         // Offset from Go
	HoldOff time.Duration
	Late    time.Duration
	Rest    time.Duration
}

// HasWindow reports whether the n-th clock edge counts within a time after Go only.
func (p Program) HasWindow() bool { return p.Gate == nil && p.GateMax > 0 }

// Source is an input and the direction of its edge.
type Source struct {
	Input   uint8
	Falling bool
}

// Point is one gate interval and its delay.
type Point struct{ Interval, Delay time.Duration }

// Cue is one pulse on one output.
type Cue struct {
	Output uint8
	Name   string // for people: "flash", "shutter"
	Offset time.Duration
	Width  time.Duration
}
