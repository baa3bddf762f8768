package board

import (
	"errors"
	"fmt"
	"time"

	"stillwater/internal/wire"
)

// identityParts collects a board's identity: the Identity message, then each input and output, in any order and
// possibly more than once.
type identityParts struct {
	started bool
	header  wire.Identity
	inputs  map[uint8]wire.InputInfo
	outputs map[uint8]wire.OutputInfo
}

// handleIdentity handles part of the board's identity. Once that is known, it only checks for a restart.
func (c *Client) handleIdentity(known bool, f wire.Frame) {
	if known {
		if f.Type == wire.TypeIdentity {
			c.checkBoot(f)
		}
		return
	}
	if err := c.identity.add(f); err != nil {
		trySend(c.identified, err)
		return
	}
	trySend(c.identifying, struct{}{})
	if c.identity.complete() {
		c.setIdentity(c.identity.identity())
		trySend(c.identified, nil)
	}
}

// checkBoot ends the client if the board has restarted, because that lost its program.
func (c *Client) checkBoot(f wire.Frame) {
	m, err := wire.ParseIdentity(f)
	if err != nil {
		c.opts.Log.Warn("the board sent an invalid identity", "error", err)
		return
	}
	if m.BootID != c.id.BootID {
		c.shutdown(fmt.Errorf("it restarted (%s); it is disarmed and has no program: connect again", m.Reset))
	}
}

func (i *identityParts) complete() bool {
	return i.started && len(i.inputs) == int(i.header.Inputs) && len(i.outputs) == int(i.header.Outputs)
}

// trySend sends v if to has room.
func trySend[T any](to chan T, v T) {
	select {
	case to <- v:
	default:
	}
}

// add adds one message; an error means that this board cannot be used. Messages that do not parse are skipped: the next
// answer repeats them.
func (i *identityParts) add(f wire.Frame) error {
	switch f.Type {
	case wire.TypeIdentity:
		// The version comes first in every version of the protocol; the rest may look different.
		if f.N > 0 && f.Payload[0] != wire.Version {
			return &VersionError{Theirs: int(f.Payload[0])}
		}
		m, err := wire.ParseIdentity(f)
		if err != nil {
			return nil
		}
		if !i.started || m != i.header { // it started again, or says otherwise now
			i.inputs, i.outputs = make(map[uint8]wire.InputInfo), make(map[uint8]wire.OutputInfo)
		}
		i.started, i.header = true, m
		return checkIdentity(m)
	case wire.TypeInput:
		if m, err := wire.ParseInputInfo(f); err == nil && i.started && m.Index < i.header.Inputs {
			i.inputs[m.Index] = m
		}
	case wire.TypeOutput:
		if m, err := wire.ParseOutputInfo(f); err == nil && i.started && m.Index < i.header.Outputs {
			i.outputs[m.Index] = m
		}
	}
	return nil
}

// checkIdentity returns an error if no program could run on such a board.
func checkIdentity(m wire.Identity) error {
	switch {
	case m.TickHz == 0:
		return errors.New("it announces a clock of 0 Hz: its firmware is faulty")
	case m.Inputs > wire.MaxPins || m.Outputs > wire.MaxPins:
		return fmt.Errorf("it announces %d inputs and %d outputs, more than %d: its firmware is faulty",
			m.Inputs, m.Outputs, wire.MaxPins)
	}
	return nil
}

// identity converts the collected parts from ticks to time.
func (i *identityParts) identity() Identity {
	hz := i.header.TickHz
	id := Identity{
		Version:    int(i.header.Version),
		BootID:     i.header.BootID,
		Reset:      i.header.Reset,
		Firmware:   i.header.Firmware.String(),
		TickHz:     hz,
		Tick:       time.Second / time.Duration(hz),
		Lead:       ticksToTime(int64(i.header.Lead), hz),
		EdgeLead:   ticksToTime(int64(i.header.EdgeLead), hz),
		GateLead:   ticksToTime(int64(i.header.GateLead), hz),
		SafeWithin: ticksToTime(int64(i.header.SafeWithin), hz),
		TableLen:   int(i.header.Table),
		CueLen:     int(i.header.Cues),
		Inputs:     make([]InputInfo, i.header.Inputs),
		Outputs:    make([]OutputInfo, i.header.Outputs),
	}
	for n, in := range i.inputs {
		id.Inputs[n] = InputInfo{Kind: in.Kind, Name: in.Name.String(), ActiveHigh: in.ActiveHigh}
	}
	for n, out := range i.outputs {
		id.Outputs[n] = OutputInfo{Kind: out.Kind, Name: out.Name.String(), MaxOn: ticksToTime(int64(out.MaxOn), hz)}
	}
	return id
}
