package board

import (
	"errors"
	"fmt"
	"time"

	"stillwater/internal/wire"
)

// introduction gathers what a board says it is: Identity, then each input and output, which may come in any order and
// more than once.
type introduction struct {
	got   bool
	ident wire.Identity
	ins   map[uint8]wire.InputInfo
	outs  map[uint8]wire.OutputInfo
}

// introduced takes a part of what the board says it is. Once the board is known, it only watches for another start.
func (c *Client) introduced(known bool, f wire.Frame) {
	if known {
		if f.Type == wire.TypeIdentity {
			c.sameStart(f)
		}
		return
	}
	if err := c.asking.add(f); err != nil {
		offer(c.met, err)
		return
	}
	offer(c.hello, struct{}{})
	if c.asking.whole() {
		c.meet(c.asking.identity())
		offer(c.met, nil)
	}
}

// sameStart ends the client when the board has started again: it knows nothing of its program any more.
func (c *Client) sameStart(f wire.Frame) {
	m, err := wire.ParseIdentity(f)
	if err != nil {
		c.opts.Log.Warn("the board sent an identity that makes no sense", "error", err)
		return
	}
	if m.BootID != c.id.BootID {
		c.end(fmt.Errorf("%w: it started again (%s); it is disarmed and has no program: connect again",
			ErrGone, m.Reset))
	}
}

func (i *introduction) whole() bool {
	return i.got && len(i.ins) == int(i.ident.Inputs) && len(i.outs) == int(i.ident.Outputs)
}

// offer puts v where somebody may wait for it; the first one counts.
func offer[T any](to chan T, v T) {
	select {
	case to <- v:
	default:
	}
}

// add takes one message; an error means that this board will not do. Messages that do not parse are left out: the next
// answer brings them again.
func (i *introduction) add(f wire.Frame) error {
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
		if !i.got || m.BootID != i.ident.BootID {
			i.ins, i.outs = make(map[uint8]wire.InputInfo), make(map[uint8]wire.OutputInfo)
		}
		i.got, i.ident = true, m
		return usable(m)
	case wire.TypeInput:
		if m, err := wire.ParseInputInfo(f); err == nil && i.got && m.Index < i.ident.Inputs {
			i.ins[m.Index] = m
		}
	case wire.TypeOutput:
		if m, err := wire.ParseOutputInfo(f); err == nil && i.got && m.Index < i.ident.Outputs {
			i.outs[m.Index] = m
		}
	}
	return nil
}

// usable says why no program could run on such a board.
func usable(m wire.Identity) error {
	switch {
	case m.TickHz == 0:
		return errors.New("it says that its clock stands still: its firmware is broken")
	case m.Inputs > wire.MaxPins || m.Outputs > wire.MaxPins:
		return fmt.Errorf("it says it has %d inputs and %d outputs, at most %d each are possible: its firmware is broken",
			m.Inputs, m.Outputs, wire.MaxPins)
	}
	return nil
}

// identity is what was gathered, in time instead of ticks.
func (i *introduction) identity() Identity {
	hz := i.ident.TickHz
	id := Identity{
		Version:    int(i.ident.Version),
		BootID:     i.ident.BootID,
		Reset:      i.ident.Reset,
		Firmware:   i.ident.Firmware.String(),
		TickHz:     hz,
		Tick:       time.Second / time.Duration(hz),
		Lead:       ticksToTime(int64(i.ident.Lead), hz),
		SafeWithin: ticksToTime(int64(i.ident.SafeWithin), hz),
		TableLen:   int(i.ident.Table),
		CueLen:     int(i.ident.Cues),
		Inputs:     make([]Input, i.ident.Inputs),
		Outputs:    make([]Output, i.ident.Outputs),
	}
	for n, in := range i.ins {
		id.Inputs[n] = Input{Kind: in.Kind, Name: in.Name.String()}
	}
	for n, out := range i.outs {
		id.Outputs[n] = Output{Kind: out.Kind, Name: out.Name.String(), MaxOn: ticksToTime(int64(out.MaxOn), hz)}
	}
	return id
}
