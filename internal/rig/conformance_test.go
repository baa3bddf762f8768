package rig

import (
	"errors"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stillwater/internal/board/boardtest"
	"stillwater/internal/shot"
	"stillwater/internal/wire"
)

// suiteBed gives the conformance suite a manual rig: exact, in no time.
type suiteBed struct {
	t       *testing.T
	rig     *Rig
	link    *link
	changes []boardtest.Change
}

func newSuiteBed(t *testing.T, opts Options) *suiteBed {
	opts.manual, opts.Log = true, discardLog()
	r, err := New(opts)
	require.NoError(t, err)
	r.set.Kind = shot.Sound // nothing hangs from the valve: the suite moves the beams itself
	b := &suiteBed{t: t, rig: r, link: r.link}
	r.onOutput = func(output uint8, on bool, at wire.Tick) {
		b.changes = append(b.changes, boardtest.Change{Output: output, On: on, At: at})
	}
	return b
}

func (b *suiteBed) Wiring() boardtest.Wiring {
	return boardtest.Wiring{
		Gate: InGate, Clock: InBeam, BrokenHigh: !inputSpecs[InBeam].idleHigh, Kill: InKill, KillHigh: true,
		Flash: OutFlash, Shutter: OutShutter, Valve: OutValve,
	}
}

func (b *suiteBed) Send(p []byte) {
	_, err := b.link.Write(p)
	require.NoError(b.t, err)
}

func (b *suiteBed) Receive() []byte {
	b.link.mu.Lock()
	defer b.link.mu.Unlock()
	p := b.link.unread
	b.link.unread = nil
	return p
}

func (b *suiteBed) Set(input uint8, high bool) wire.Tick {
	b.rig.mu.Lock()
	defer b.rig.mu.Unlock()
	b.rig.change(input, high, b.rig.now)
	return b.rig.tickOf(b.rig.now)
}

func (b *suiteBed) Sleep(d time.Duration) { b.rig.advance(d) }

func (b *suiteBed) Changes() []boardtest.Change {
	c := b.changes
	b.changes = nil
	return c
}

func (b *suiteBed) Exact() bool { return true }

func (b *suiteBed) Restart() {
	require.NoError(b.t, b.rig.restart())
	b.link = b.rig.link
}

func (b *suiteBed) Close() { require.NoError(b.t, b.rig.Close()) }

// restart resets the board: it loses its program, is disarmed with outputs off, and its link is closed. The room goes
// on.
func (r *Rig) restart() error {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.closed {
		return errors.New("the rig is closed")
	}
	r.link.Close()
	r.notify()
	return r.boot()
}

// advance advances a manual rig's time, through everything due in between, each at its exact time.
func (r *Rig) advance(d time.Duration) {
	r.mu.Lock()
	defer r.mu.Unlock()
	end := r.now + d
	for !r.closed {
		at, _, ok := r.next()
		if !ok || at > end {
			break
		}
		r.now = max(r.now, at)
		r.runNext()
	}
	r.now = max(r.now, end)
}

// TestSuite holds the simulated rig to the board protocol.
func TestSuite(t *testing.T) {
	for name, opts := range map[string]Options{
		"manual":                 {Seed: 1},
		"its clock wraps midway": {Seed: 2, StartTick: 1<<32 - 5_000_000},
	} {
		t.Run(name, func(t *testing.T) {
			boardtest.Run(t, func(t *testing.T) boardtest.Bed { return newSuiteBed(t, opts) })
		})
	}
}
