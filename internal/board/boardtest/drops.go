package boardtest

import (
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/wire"
)

// Times of programs that count drops from a valve, in seconds where a bed that is not exact must keep to them.
const (
	dropGap     = 100 * time.Millisecond // between two openings
	dropHoldOff = time.Second
)

// drops opens the valve twice at Go. The second drop's edge starts the delay if it comes between from and to. Nothing
// is on while the drops fall.
func (h *host) drops(from, to time.Duration) wire.Program {
	p := h.single()
	p.Nth, p.HoldOff = 2, h.ticks(dropHoldOff)
	p.GateMin, p.GateMax = h.ticks(from), h.ticks(to)
	p.OpenLen = 2
	p.Opening = [wire.MaxCues]wire.CueSpec{
		{Output: h.w.Valve, Width: h.ticks(20 * time.Millisecond)},
		{Output: h.w.Valve, Offset: int32(h.ticks(dropGap)), Width: h.ticks(20 * time.Millisecond)},
	}
	return p
}

// release gives Go and waits until the openings are over, with the drops still to come. It returns their cues and what
// the window counts from.
func (h *host) release(p wire.Program) (cues []wire.Cue, base wire.Tick) {
	h.t.Helper()
	h.mustDo(wire.Go{})
	h.state(wire.Armed)
	for range p.OpenLen {
		cues = append(cues, await[wire.Cue](h))
	}
	assert.Zero(h.t, cues[0].Index)
	assert.True(h.t, cues[0].Opening)
	return cues, cues[0].Planned - wire.Tick(p.Opening[0].Offset)
}

// sleepUntil sleeps until the board's time is at.
func (h *host) sleepUntil(at wire.Tick) {
	h.t.Helper()
	for left := at.Sub(h.now()); left > 0; left = at.Sub(h.now()) {
		h.sleep(time.Duration(left) * time.Second / time.Duration(h.id.TickHz))
	}
}

// dropShot waits for a shot whose opening cues were reported before, and checks it.
func (h *host) dropShot(opening []wire.Cue, p wire.Program) wire.Shot {
	h.t.Helper()
	r := report{Shot: await[wire.Shot](h)}
	for _, cue := range append(opening, take[wire.Cue](h)...) {
		assert.Equal(h.t, r.Number, cue.Shot)
		r.cues = append(r.cues, cue)
	}
	assert.Len(h.t, r.cues, int(r.Cues))
	h.assertComplete(r, p)
	return r.Shot
}

// rejected waits for a clock edge that was rejected, and returns its interval.
func (h *host) rejected(want wire.Reason) uint32 {
	h.t.Helper()
	r := await[wire.Rejected](h)
	assert.Equal(h.t, want, r.Reason, "want %q, got %q", want, r.Reason)
	assert.Equal(h.t, h.w.Clock, r.Input)
	return r.Interval
}

// testDropsBounce counts two drops long after the valve has closed, each with a ragged edge.
func testDropsBounce(h *host) {
	p := h.drops(0, 8*time.Second)
	h.arm(p, 1)
	opening, base := h.release(p)
	h.assertRefused(wire.Go{}, wire.ReasonBusy)
	ragged := func() wire.Tick {
		at := h.bed.Set(h.w.Clock, h.w.BrokenHigh)
		for range 3 {
			h.bed.Sleep(200 * time.Microsecond)
			h.bed.Set(h.w.Clock, !h.w.BrokenHigh)
			h.bed.Sleep(200 * time.Microsecond)
			h.bed.Set(h.w.Clock, h.w.BrokenHigh)
		}
		h.sleep(poll)
		h.bed.Set(h.w.Clock, !h.w.BrokenHigh)
		return at
	}
	ragged()
	assert.EqualValues(h.t, 1, h.rejected(wire.ReasonNotNth))
	h.sleep(dropHoldOff + 50*time.Millisecond)
	at := ragged()
	r := h.dropShot(opening, p)
	h.assertNear(at, r.ClockAt, "the second drop was")
	assert.LessOrEqual(h.t, uint32(r.ClockAt-base), p.GateMax)
	assert.GreaterOrEqual(h.t, r.Bounced, uint16(3), "those of the first drop at least")
	assertNone[wire.Rejected](h, "bounces are counted, not reported one by one")
}

// testSatellite has a small drop behind the first: within the hold-off it is bounce, and after that too early to be the
// second drop.
func testSatellite(h *host) {
	p := h.drops(2500*time.Millisecond, 20*time.Second)
	h.arm(p, 1)
	opening, base := h.release(p)
	h.breakBeam(h.w.Clock)
	h.sleep(2 * time.Millisecond)
	h.breakBeam(h.w.Clock)
	assert.EqualValues(h.t, 1, h.rejected(wire.ReasonNotNth))
	h.sleep(dropHoldOff)
	assertNone[wire.Rejected](h, "within the hold-off it is bounce")
	h.breakBeam(h.w.Clock)
	assert.Less(h.t, h.rejected(wire.ReasonTooFast), p.GateMin)
	h.assertAllOff("that was a satellite, not the second drop")
	h.sleep(dropHoldOff)
	h.sleepUntil(base + wire.Tick(p.GateMin))
	at := h.breakBeam(h.w.Clock)
	r := h.dropShot(opening, p)
	h.assertNear(at, r.ClockAt, "the second drop was")
	assert.GreaterOrEqual(h.t, uint32(r.ClockAt-base), p.GateMin)
}

// testMissedDrop has one edge where two are expected: there is no shot, and the count begins again with the next Go.
func testMissedDrop(h *host) {
	p := h.drops(0, 800*time.Millisecond)
	h.arm(p, 1)
	_, base := h.release(p)
	h.breakBeam(h.w.Clock)
	assert.EqualValues(h.t, 1, h.rejected(wire.ReasonNotNth))
	h.changes = nil
	state := h.state(wire.Armed)
	assert.Equal(h.t, wire.ReasonNotOpened, state.Reason, "the window is over")
	assert.EqualValues(h.t, 1, state.Left, "that was no shot")
	assert.Greater(h.t, uint32(state.Now-base), p.GateMax)
	h.sleep(dropHoldOff)
	h.breakBeam(h.w.Clock)
	h.rejected(wire.ReasonNotOpened)
	h.sleep(2 * delay)
	h.assertNeverOn("a drop was missed")
	assertNone[wire.Shot](h, "a drop was missed")
	h.sleep(dropHoldOff)

	h.release(p)
	h.breakBeam(h.w.Clock)
	assert.EqualValues(h.t, 1, h.rejected(wire.ReasonNotNth), "the edge of the Go before does not count")
}

// testLateDrop has the second edge after its window, while an opening cue is on: it is not taken for the second drop.
func testLateDrop(h *host) {
	p := h.drops(0, 200*time.Millisecond)
	p.HoldOff = h.ticks(holdOff)
	p.OpenLen = 3
	p.Opening[2] = wire.CueSpec{Output: h.w.Shutter, Width: h.ticks(3 * time.Second)}
	h.arm(p, 1)
	h.mustDo(wire.Go{})
	h.breakBeam(h.w.Clock)
	assert.EqualValues(h.t, 1, h.rejected(wire.ReasonNotNth))
	h.sleep(250 * time.Millisecond)
	h.breakBeam(h.w.Clock)
	assert.Greater(h.t, h.rejected(wire.ReasonTooSlow), p.GateMax)
	h.sleep(2 * delay)
	for _, c := range h.changes {
		assert.NotEqual(h.t, h.w.Flash, c.Output, "it was too late")
	}
	assertNone[wire.Shot](h, "it was too late")
	h.mustDo(wire.Disarm{})
	h.assertAllOff("disarmed")
}

// midOpening gives Go and waits until something is on, with openings still to come.
func midOpening(h *host) {
	h.t.Helper()
	p := h.drops(0, 8*time.Second)
	p.OpenLen = 3
	p.Opening[1].Offset = int32(h.ticks(1500 * time.Millisecond))
	p.Opening[2] = wire.CueSpec{Output: h.w.Shutter, Width: h.ticks(3 * time.Second)}
	h.arm(p, 3)
	h.mustDo(wire.Go{})
	for range 1000 {
		if len(h.changes) > 0 {
			return
		}
		h.sleep(poll)
	}
	require.FailNow(h.t, "nothing opened")
}

// assertOpeningCut checks that what was on is off and was reported, and that the openings to come never come.
func (h *host) assertOpeningCut(why string) {
	h.t.Helper()
	h.sleep(poll)
	h.assertAllOff(why)
	cues := take[wire.Cue](h)
	require.NotEmpty(h.t, cues, "what was on is reported")
	for _, cue := range cues {
		assert.True(h.t, cue.Opening)
	}
	h.changes = nil
	h.breakBeam(h.w.Clock)
	h.sleep(1600 * time.Millisecond)
	h.assertNeverOn(why)
	assertNone[wire.Shot](h, why)
}

func testDisarmOpening(h *host) {
	midOpening(h)
	sent := h.boardTime()
	h.mustDo(wire.Disarm{})
	assert.Equal(h.t, wire.ReasonRequested, h.state(wire.Safe).Reason)
	h.offBy(sent)
	h.assertOpeningCut("disarmed")
}

func testKillOpening(h *host) {
	if h.w.Kill == wire.NoInput {
		h.t.Log("left out: the board has no kill input")
		return
	}
	midOpening(h)
	h.bed.Set(h.w.Kill, h.w.KillHigh)
	fault := await[wire.Fault](h)
	assert.Equal(h.t, wire.ReasonKill, h.state(wire.Faulted).Reason)
	h.offBy(fault.At)
	h.assertOpeningCut("the kill input stopped it")
}

func testLinkTimeoutOpening(h *host) {
	midOpening(h)
	h.mustDo(wire.Identify{})
	heard := h.boardTime()
	h.noPings = true
	h.sleep(1200 * time.Millisecond)
	h.noPings = false
	assert.Equal(h.t, wire.ReasonLinkTimeout, h.state(wire.Safe).Reason)
	h.offBy(heard + wire.Tick(h.id.TickHz))
	h.assertOpeningCut("the link timed out")
}

// testValveLimit opens the valve for as long as it may be on and no longer, and for a tick more not at all.
func testValveLimit(h *host) {
	p := h.drops(0, 8*time.Second)
	p.OpenLen = 1
	limit := h.outs[h.w.Valve].MaxOn
	p.Opening[0].Width = limit + 1
	reason, detail := h.tryLoad(wire.AppendProgram(nil, &p), 0)
	assert.Equal(h.t, wire.ReasonMaxOn, reason)
	assert.Equal(h.t, limit, detail)
	h.assertRefused(wire.Arm{Shots: 1}, wire.ReasonNoProgram)
	h.assertNeverOn("refused")

	p.Opening[0].Width = limit
	h.arm(p, 1)
	opening, _ := h.release(p)
	h.assertTiming(opening[0], limit, p.Late)
	h.assertChanges(opening)
	assertNone[wire.Fault](h, "it went off by itself")
}
