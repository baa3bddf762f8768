// Package board is the host's client of a board, which has the pins and is at the other end of a byte stream. It speaks
// the protocol of package wire and converts times to the board's ticks and back.
package board

import (
	"time"

	"stillwater/internal/wire"
)

// Identity is what a board announces about itself, in time instead of ticks.
type Identity struct {
	Version    int             `json:"version"`
	BootID     uint32          `json:"boot_id"`
	Reset      wire.ResetCause `json:"-"`
	Firmware   string          `json:"firmware"`
	TickHz     uint32          `json:"tick_hz"`
	Tick       time.Duration   `json:"tick_ns"`
	Lead       time.Duration   `json:"lead_ns"`
	EdgeLead   time.Duration   `json:"edge_lead_ns"` // from an edge to the first start that the board meets
	GateLead   time.Duration   `json:"gate_lead_ns"` // the same with a gate
	SafeWithin time.Duration   `json:"safe_within_ns"`
	TableLen   int             `json:"table_len"`
	CueLen     int             `json:"cue_len"`
	Inputs     []InputInfo     `json:"inputs"`
	Outputs    []OutputInfo    `json:"outputs"`
}

// InputInfo is one input, as its board announces it.
type InputInfo struct {
	Kind       wire.InputKind `json:"kind"`
	Name       string         `json:"name"`
	ActiveHigh bool           `json:"active_high"` // the level of a broken beam, of stop, of what is heard or closed
}

// OutputInfo is one output, as its board announces it.
type OutputInfo struct {
	Kind  wire.OutputKind `json:"kind"`
	Name  string          `json:"name"`
	MaxOn time.Duration   `json:"max_on_ns"`
}

// Event is one report of a board. Exactly one field is set.
type Event struct {
	State    *wire.State
	Edge     *wire.Edge
	Shot     *ShotReport // with its cues
	Rejected *wire.Rejected
	Fault    *wire.Fault
	Level    *wire.Level
	Lost     *wire.Lost
	Pulse    *CueReport // a test pulse ended
	Opening  *CueReport // an opening cue ended; it comes again with its shot, if there is one
	Gone     error      // why the client ended; the last event
}

// ShotReport is what a board reports of a shot. Times are the board's tick count, widened so that it does not wrap, in
// nanoseconds.
type ShotReport struct {
	Number   int
	Status   wire.Status
	GateAt   time.Duration // the gate edge; equal to ClockAt without a gate
	ClockAt  time.Duration
	Delay    time.Duration
	Bounced  int
	Cues     []CueReport
	Missing  int       // cue reports announced and not received
	Received time.Time // by the host's clock
}

// Interval is the time from the gate edge to the clock edge; 0 without a gate.
func (s ShotReport) Interval() time.Duration { return s.ClockAt - s.GateAt }

// CueReport is one pulse, planned and actual.
type CueReport struct {
	Output  uint8
	Index   int // of the program's cues or opening cues
	Opening bool
	Planned time.Duration
	On      time.Duration
	Off     time.Duration
}

// Late is how far behind its planned time the pulse began.
func (c CueReport) Late() time.Duration { return c.On - c.Planned }
