package avr

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"stillwater/internal/wire"
)

// trip makes the edge of an input that a program listens to.
func (h *host) trip(input uint8, at uint64) {
	if input == inMicrophone {
		h.Microphone(4500, at)
		h.Microphone(2500, at+Cycles(500*time.Microsecond))
		return
	}
	h.Pin(inputNames[input], false, at)
	h.Pin(inputNames[input], true, at+Cycles(3*time.Millisecond))
}

// identity is what the board announces.
func (h *host) identity() wire.Identity {
	h.t.Helper()
	h.post(wire.Identify{})
	h.wait(30 * time.Millisecond)
	id := the[wire.Identity](h)
	h.clear()
	return id
}

// sixAfter starts all outputs at once, a number of ticks after an edge.
func sixAfter(input uint8, delay uint32) wire.Program {
	p := simple(0, 2*time.Millisecond, 0, 1, 2, 3, 4, 5)
	p.Clock = wire.Source{Input: input, Falling: input != inMicrophone}
	p.Table[0].Delay, p.Late = delay, 0
	return p
}

// What the board announces it meets, on all outputs at once and to the tick: from an edge of each input, beside an edge
// of each other one at any time within 0.1 ms and a host that sends without a pause.
func TestEdgeLead(t *testing.T) {
	for _, input := range []uint8{inBeam, inGate, inSync, inButton, inMicrophone} {
		h := start(t)
		r := rnd(7)
		lead := h.identity().EdgeLead
		h.load(sixAfter(input, lead))
		late := 0
		for range 120 {
			h.do(wire.Arm{Shots: 1})
			h.wait(time.Millisecond)
			h.clear()
			at := h.Now + 20_000 + uint64(r.IntN(4000))
			h.pings(at+8000, 10*640+1)
			for _, other := range []uint8{inBeam, inGate, inSync, inButton} {
				if other != input {
					h.Storm(inputNames[other], at-1600+uint64(r.IntN(3200)), 60_000, 2)
				}
			}
			h.trip(input, at)
			h.wait(30 * time.Millisecond)
			if the[wire.Shot](h).Status != wire.Done {
				late++
			}
			h.clear()
		}
		t.Logf("%s: %d of 120 late at %.0f us", inputNames[input], late, float64(lead)/2)
		assert.Zero(t, late)
	}
}

// The same of a shot through a gate, beside an edge of each other input and a host that pings a thousand times a
// second, or asks what the board is.
func TestGateLead(t *testing.T) {
	h := start(t)
	r := rnd(7)
	lead := h.identity().GateLead
	p := sixAfter(inBeam, lead)
	from := gated()
	p.Gate, p.GateMin, p.GateMax, p.TableLen, p.Table = from.Gate, from.GateMin, from.GateMax, from.TableLen, from.Table
	for i := range p.TableLen {
		p.Table[i].Delay = lead + uint32(i%2)
	}
	h.load(p)
	late := 0
	for i := range 200 {
		h.do(wire.Arm{Shots: 1})
		h.wait(time.Millisecond)
		h.clear()
		gate := h.Now + 20_000 + uint64(r.IntN(4000))
		clock := gate + Cycles(6*time.Millisecond) + uint64(r.IntN(100_000))
		h.Pin("gate", false, gate)
		h.Pin("gate", true, gate+Cycles(time.Millisecond))
		h.cross(clock)
		for _, other := range []string{"sync", "button"} {
			h.Storm(other, clock-1600+uint64(r.IntN(3200)), 60_000, 2)
		}
		if i%2 == 0 {
			h.pings(clock+8000, 16_000)
		} else {
			h.postAt(wire.Identify{}, clock-uint64(r.IntN(90_000)))
		}
		h.wait(60 * time.Millisecond)
		if the[wire.Shot](h).Status != wire.Done {
			late++
		}
		h.clear()
	}
	t.Logf("%d of 200 late at %.0f us", late, float64(lead)/2)
	assert.Zero(t, late)
}

// What begins at Go, on all outputs at once, is met: opening cues and a shot without a clock.
func TestGoLead(t *testing.T) {
	h := start(t)
	r := rnd(3)
	byGo := sixAfter(wire.NoInput, 0)
	byGo.Clock = wire.Source{Input: wire.NoInput}
	opening := byGo
	opening.OpenLen, opening.Opening, opening.CueLen = byGo.CueLen, byGo.Cues, 0
	for _, p := range []wire.Program{byGo, opening} {
		h.load(p)
		for i := range 40 {
			h.do(wire.Arm{Shots: 1})
			at := h.Now + 1000 + uint64(r.IntN(1000))
			h.postAt(wire.Go{}, at)
			h.pings(h.Now+20_000, 10*640+1)
			for _, other := range []string{"beam", "gate", "sync", "button"} {
				h.Storm(other, at+3000+uint64(r.IntN(3000)), 60_000, 2)
			}
			h.wait(30 * time.Millisecond)
			assert.Len(t, h.Changes, 12, "Go %d", i)
			for _, c := range all[wire.Cue](h) {
				assert.Equal(t, c.Planned, c.On)
			}
			h.clear()
		}
	}
}
