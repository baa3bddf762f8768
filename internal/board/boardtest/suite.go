package boardtest

import (
	"bytes"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/wire"
)

// Run holds a board to the protocol. It opens a fresh bed for each part of the suite.
func Run(t *testing.T, open func(t *testing.T) Bed) {
	for _, part := range []struct {
		name string
		run  func(h *host)
	}{
		{"says what it is", testIdentity},
		{"is safe at its start", testStart},
		{"starts again safe", testRestart},
		{"tells the time", testTime},
		{"refuses bad programs", testBadPrograms},
		{"arms only when it may", testArm},
		{"fires after one beam", testSingle},
		{"meets what it announces", testLeads},
		{"fires after the other edge", testOtherEdge},
		{"runs dry", testDryRun},
		{"times by the gate", testGate},
		{"refuses intervals out of range", testIntervals},
		{"counts to the nth edge", testNth},
		{"fires once for a bounce", testBounce},
		{"waits for go", testOpening},
		{"needs go again", testOpeningAlone},
		{"starts by go", testByGo},
		{"counts drops that bounce", testDropsBounce},
		{"counts no satellite", testSatellite},
		{"refuses a shot when a drop was missed", testMissedDrop},
		{"refuses a drop after its window", testLateDrop},
		{"closes valves when disarmed", testDisarmOpening},
		{"closes valves at the kill input", testKillOpening},
		{"closes valves after a link timeout", testLinkTimeoutOpening},
		{"limits how long a valve is open", testValveLimit},
		{"rests", testRest},
		{"stops after the shots asked for", testShots},
		{"gives up what is too late", testLate},
		{"disarms in mid shot", testDisarm},
		{"reports what it is when disarmed", testDisarmRaces},
		{"reports what it is when armed again", testArmRaces},
		{"obeys the kill input", testKill},
		{"is safe after a link timeout", testLinkTimeout},
		{"pulses only when disarmed", testPulse},
		{"recovers from garbage", testGarbage},
		{"limits its reports", testStorm},
	} {
		t.Run(part.name, func(t *testing.T) {
			bed := open(t)
			defer bed.Close()
			part.run(newHost(t, bed))
		})
	}
}

func testIdentity(h *host) {
	h.mustDo(wire.Identify{})
	h.state(wire.Safe)
	id := await[wire.Identity](h)
	assert.Equal(h.t, h.id, id, "it is the same when asked again")
	assert.EqualValues(h.t, wire.Version, id.Version)
	assert.GreaterOrEqual(h.t, id.Table, uint8(3), "too small a table for the suite")
	assert.GreaterOrEqual(h.t, id.Cues, uint8(2), "too few cues for the suite")
	assert.NotZero(h.t, id.SafeWithin)
	assert.LessOrEqual(h.t, id.Lead, id.EdgeLead)
	assert.LessOrEqual(h.t, id.EdgeLead, id.GateLead)
	inputs := take[wire.InputInfo](h)
	require.Len(h.t, inputs, int(id.Inputs))
	for i, in := range inputs {
		assert.EqualValues(h.t, i, in.Index)
		isKill := in.Kind == wire.InputKill
		assert.False(h.t, isKill && (in.Index == h.w.Gate || in.Index == h.w.Clock), "a beam is a kill input")
		assert.True(h.t, isKill || in.Index != h.w.Kill, "the kill input is not one")
		switch in.Index {
		case h.w.Gate, h.w.Clock:
			assert.Equal(h.t, h.w.BrokenHigh, in.ActiveHigh, "the level of a broken beam at input %d", i)
		case h.w.Kill:
			assert.Equal(h.t, h.w.KillHigh, in.ActiveHigh, "the stop level")
		}
	}
	outputs := take[wire.OutputInfo](h)
	require.Len(h.t, outputs, int(id.Outputs))
	for i, out := range outputs {
		assert.EqualValues(h.t, i, out.Index)
	}
	for output, least := range map[uint8]time.Duration{
		h.w.Flash: 10 * time.Millisecond, h.w.Shutter: 3 * time.Second, h.w.Valve: 50 * time.Millisecond,
	} {
		require.Less(h.t, int(output), len(outputs))
		assert.GreaterOrEqual(h.t, outputs[output].MaxOn, h.ticks(least),
			"output %d may be on too short for the suite", output)
	}
	h.assertNeverOn("nobody asked for it")
}

func testStart(h *host) {
	h.assertRefused(wire.Arm{Shots: 1}, wire.ReasonNoProgram)
	h.assertRefused(wire.Go{}, wire.ReasonNotArmed)
	h.breakBeam(h.w.Gate)
	h.breakBeam(h.w.Clock)
	h.sleep(200 * time.Millisecond)
	h.assertNeverOn("not armed")
	assertNone[wire.Shot](h, "not armed")
	assertNone[wire.Rejected](h, "not armed")
	assert.GreaterOrEqual(h.t, len(take[wire.Edge](h)), 2, "edges are reported though")
}

func testRestart(h *host) {
	h.arm(h.held(), 1)
	h.breakBeam(h.w.Clock)
	h.sleep(2 * delay)
	before := h.id
	h.bed.Restart()
	h.decoder, h.synced, h.inbox = wire.Decoder{}, false, nil
	h.identify()
	assert.NotEqual(h.t, before.BootID, h.id.BootID, "the host must see that the board has started again")
	h.assertAllOff("the board started again")
	h.changes = nil
	h.mustDo(wire.Identify{})
	h.state(wire.Safe)
	h.assertRefused(wire.Arm{Shots: 1}, wire.ReasonNoProgram)
	h.breakBeam(h.w.Clock)
	h.sleep(2 * delay)
	h.assertNeverOn("it was armed before it started again, not after")
}

func testTime(h *host) {
	const slept = 50 * time.Millisecond
	from := h.now()
	h.sleep(slept)
	passed := time.Duration(uint32(h.now()-from)) * time.Second / time.Duration(h.id.TickHz)
	assert.GreaterOrEqual(h.t, passed, slept-time.Millisecond)
	if h.bed.Exact() {
		assert.Less(h.t, passed, slept+10*time.Millisecond)
	}
}

func testBadPrograms(h *host) {
	good := h.single()
	encoded := wire.AppendProgram(nil, &good)
	refuse := func(want wire.Reason, encoded []byte, damage uint16) (detail uint32) {
		h.t.Helper()
		reason, detail := h.tryLoad(encoded, damage)
		assert.Equal(h.t, want, reason, "want %q, got %q", want, reason)
		h.assertRefused(wire.Arm{Shots: 1}, wire.ReasonNoProgram)
		return detail
	}
	refuse(wire.ReasonBadCRC, encoded, 1)
	assert.EqualValues(h.t, len(encoded)-1, refuse(wire.ReasonBadLength, encoded[:len(encoded)-1], 0))
	assert.EqualValues(h.t, len(encoded)+1, refuse(wire.ReasonBadLength, append(bytes.Clone(encoded), 0), 0))
	refuse(wire.ReasonBadProgram, append([]byte{99}, encoded[1:]...), 0)
	h.assertRefused(wire.Commit{Length: wire.MaxProgram + 1}, wire.ReasonBadLength)
	h.assertRefused(wire.LoadPart{Offset: wire.MaxProgram, N: 1}, wire.ReasonBadLength)

	for _, test := range []struct {
		change func(p *wire.Program)
		want   wire.Reason
		detail uint32
	}{
		{func(p *wire.Program) { p.Clock.Input = h.id.Inputs }, wire.ReasonNoSuchPin, uint32(h.id.Inputs)},
		{func(p *wire.Program) { p.Cues[0].Output = h.id.Outputs }, wire.ReasonNoSuchPin, uint32(h.id.Outputs)},
		{func(p *wire.Program) { p.Cues[0].Width = h.outs[h.w.Flash].MaxOn + 1 }, wire.ReasonMaxOn,
			h.outs[h.w.Flash].MaxOn},
		{func(p *wire.Program) { p.Cues[0].Width = 0 }, wire.ReasonBadProgram, 28 + 8 + 5},
		{func(p *wire.Program) { p.Nth = 0 }, wire.ReasonBadProgram, 3},
		{func(p *wire.Program) { p.TableLen = 0 }, wire.ReasonBadProgram, 5},
		{func(p *wire.Program) { p.CueLen, p.Cues[1] = 2, p.Cues[0] }, wire.ReasonBadProgram, 28 + 8 + 9},
		{func(p *wire.Program) { p.Rest = wire.MaxWidth + 1 }, wire.ReasonBadProgram, 24},
	} {
		p := good
		test.change(&p)
		reason, detail := h.tryLoad(wire.AppendProgram(nil, &p), 0)
		assert.Equal(h.t, test.want, reason, "want %q, got %q", test.want, reason)
		assert.Equal(h.t, test.detail, detail, "detail of %q", test.want)
	}
	h.arm(good, 1) // nothing of this has hurt
}

func testArm(h *host) {
	h.load(h.single())
	h.assertRefused(wire.Arm{}, wire.ReasonBadValue)
	h.mustDo(wire.Arm{Shots: 7})
	assert.EqualValues(h.t, 7, h.state(wire.Armed).Left)
	h.assertRefused(wire.Arm{Shots: 1}, wire.ReasonArmed)
	h.assertRefused(wire.LoadPart{N: 1}, wire.ReasonArmed)
	h.assertRefused(wire.Commit{}, wire.ReasonArmed)
	h.assertRefused(wire.Go{}, wire.ReasonUnsupported)
	h.mustDo(wire.Identify{})
	assert.EqualValues(h.t, 7, h.state(wire.Armed).Left)
	h.mustDo(wire.Disarm{})
	assert.Equal(h.t, wire.ReasonRequested, h.state(wire.Safe).Reason)
	h.mustDo(wire.Arm{Shots: 1}) // the program is still there
	h.mustDo(wire.Disarm{})
	h.mustDo(wire.LoadPart{N: 1})
	h.assertRefused(wire.Arm{Shots: 1}, wire.ReasonNoProgram)
	h.assertNeverOn("nothing happened")
}

func testSingle(h *host) {
	p := h.single()
	h.arm(p, 1)
	at := h.breakBeam(h.w.Clock)
	h.state(wire.Firing)
	r := h.shot()
	h.assertComplete(r, p)
	h.assertNear(at, r.ClockAt, "the edge was")
	assert.Equal(h.t, r.ClockAt, r.GateAt)
	assert.Equal(h.t, p.Table[0].Delay, r.Delay)
	edges := take[wire.Edge](h)
	require.NotEmpty(h.t, edges)
	assert.Equal(h.t, wire.Edge{Input: h.w.Clock, High: h.w.BrokenHigh, Count: 1, At: r.ClockAt}, edges[0])
}

// testLeads has all outputs of the suite start at once, as soon as the board says it can: after an edge, after one
// through a gate, at Go. On a bed whose times mean nothing that says nothing.
func testLeads(h *host) {
	if !h.bed.Exact() {
		return
	}
	all := func(p wire.Program) wire.Program {
		p.CueLen = 3
		for i, output := range []uint8{h.w.Flash, h.w.Shutter, h.w.Valve} {
			p.Cues[i] = wire.CueSpec{Output: output, Width: h.ticks(pulse)}
		}
		return p
	}
	complete := func(p wire.Program) {
		h.t.Helper()
		h.assertComplete(h.shot(), p)
		h.mustDo(wire.Disarm{})
		h.clear()
	}
	single := all(h.single())
	single.Table[0].Delay = h.id.EdgeLead
	h.arm(single, 1)
	h.breakBeam(h.w.Clock)
	complete(single)

	through := all(h.gated(time.Millisecond, 3*time.Second))
	for i := range through.TableLen {
		through.Table[i].Delay = h.id.GateLead
	}
	h.arm(through, 1)
	h.breakBeam(h.w.Gate)
	h.sleep(40 * time.Millisecond)
	h.breakBeam(h.w.Clock)
	complete(through)

	byGo := single
	byGo.Clock, byGo.Table[0].Delay = wire.Source{Input: wire.NoInput}, 0
	h.arm(byGo, 1)
	h.mustDo(wire.Go{})
	complete(byGo)

	opening := single
	opening.OpenLen, opening.Opening, opening.CueLen = 3, single.Cues, 0
	h.arm(opening, 1)
	h.mustDo(wire.Go{})
	h.breakBeam(h.w.Clock)
	complete(opening)
}

// testDryRun runs the sensors' part of a program, and nothing else.
func testDryRun(h *host) {
	p := h.gated(time.Millisecond, 3*time.Second)
	p.CueLen = 0
	h.arm(p, 2)
	gate := h.breakBeam(h.w.Gate)
	h.sleep(40 * time.Millisecond)
	at := h.breakBeam(h.w.Clock)
	h.state(wire.Firing)
	r := h.shot()
	assert.Equal(h.t, wire.Done, r.Status)
	assert.Zero(h.t, r.Cues)
	h.assertNear(gate, r.GateAt, "the gate edge was")
	h.assertNear(at, r.ClockAt, "the clock edge was")
	assert.Equal(h.t, expectedDelay(p, uint32(r.ClockAt-r.GateAt)), r.Delay)
	h.state(wire.Resting)
	rested := h.state(wire.Armed)
	assert.EqualValues(h.t, 1, rested.Left)
	assert.False(h.t, rested.Now.Before(r.ClockAt+wire.Tick(r.Delay+p.Rest)), "it rests as if it had fired")
	h.mustDo(wire.Disarm{})

	p = h.single() // Go starts the delay
	p.Clock, p.CueLen = wire.Source{Input: wire.NoInput}, 0
	h.arm(p, 1)
	h.mustDo(wire.Go{})
	assert.Equal(h.t, p.Table[0].Delay, h.shot().Delay)
	assert.Equal(h.t, wire.ReasonShotsDone, h.state(wire.Safe).Reason)
	h.assertNeverOn("nothing is to be driven")
}

func testOtherEdge(h *host) {
	p := h.single()
	p.Clock.Falling = !p.Clock.Falling
	h.arm(p, 1)
	h.bed.Set(h.w.Clock, h.w.BrokenHigh)
	h.sleep(2 * delay)
	h.assertNeverOn("this is not the edge of the program")
	h.bed.Set(h.w.Clock, !h.w.BrokenHigh)
	h.assertComplete(h.shot(), p)
}

func testGate(h *host) {
	p := h.gated(5*time.Millisecond, 3*time.Second)
	for _, interval := range []time.Duration{10 * time.Millisecond, 120 * time.Millisecond} {
		h.arm(p, 1)
		gate := h.breakBeam(h.w.Gate)
		h.sleep(interval)
		clockAt := h.breakBeam(h.w.Clock)
		r := h.shot()
		h.assertNear(gate, r.GateAt, "the gate edge was")
		h.assertNear(clockAt, r.ClockAt, "the clock edge was")
		got := uint32(r.ClockAt - r.GateAt)
		assert.GreaterOrEqual(h.t, got, h.ticks(interval))
		if h.bed.Exact() {
			assert.LessOrEqual(h.t, got, h.ticks(interval+3*time.Millisecond))
		}
		assert.Equal(h.t, expectedDelay(p, got), r.Delay, "interval %d", got)
		h.assertComplete(r, p)
		assert.Equal(h.t, wire.ReasonShotsDone, h.state(wire.Safe).Reason)
	}
	// The far side of the kink, near enough not to wait for.
	p = h.gated(time.Millisecond, 100*time.Millisecond)
	p.Table[1].Interval = h.ticks(2 * time.Millisecond)
	if !h.bed.Exact() {
		p.GateMax = h.ticks(3 * time.Second)
		p.Table[2].Interval = p.GateMax
	}
	h.arm(p, 1)
	h.breakBeam(h.w.Gate)
	h.sleep(60 * time.Millisecond)
	h.breakBeam(h.w.Clock)
	r := h.shot()
	assert.Equal(h.t, expectedDelay(p, uint32(r.ClockAt-r.GateAt)), r.Delay)
	h.assertComplete(r, p)
}

func testIntervals(h *host) {
	rejected := func(want wire.Reason) wire.Rejected {
		h.t.Helper()
		r := await[wire.Rejected](h)
		assert.Equal(h.t, want, r.Reason, "want %q, got %q", want, r.Reason)
		assert.Equal(h.t, h.w.Clock, r.Input)
		return r
	}
	h.arm(h.gated(2*time.Second, 3*time.Second), 1)
	h.breakBeam(h.w.Clock)
	rejected(wire.ReasonNoGate)
	h.sleep(2 * holdOff)
	h.breakBeam(h.w.Gate)
	h.sleep(10 * time.Millisecond)
	h.breakBeam(h.w.Clock)
	fast := rejected(wire.ReasonTooFast)
	assert.Less(h.t, fast.Interval, h.ticks(2*time.Second))
	assert.GreaterOrEqual(h.t, fast.Interval, h.ticks(10*time.Millisecond))
	h.sleep(2 * holdOff)
	h.breakBeam(h.w.Clock) // that gate is used up
	rejected(wire.ReasonNoGate)
	h.mustDo(wire.Disarm{})

	h.arm(h.gated(time.Millisecond, 300*time.Millisecond), 1)
	h.breakBeam(h.w.Gate)
	h.sleep(350 * time.Millisecond)
	h.breakBeam(h.w.Clock)
	slow := rejected(wire.ReasonTooSlow)
	assert.Greater(h.t, slow.Interval, h.ticks(300*time.Millisecond))
	h.sleep(2 * holdOff)
	h.breakBeam(h.w.Gate)
	h.sleep(650 * time.Millisecond)
	h.breakBeam(h.w.Clock)
	rejected(wire.ReasonNoGate)
	h.sleep(2 * delay)
	h.assertNeverOn("no interval was accepted")
	assertNone[wire.Shot](h, "no interval was accepted")
}

func testNth(h *host) {
	p := h.single()
	p.Nth = 3
	h.arm(p, 1)
	for i := range uint32(2) {
		h.breakBeam(h.w.Clock)
		r := await[wire.Rejected](h)
		assert.Equal(h.t, wire.ReasonNotNth, r.Reason)
		assert.Equal(h.t, i+1, r.Interval)
		h.sleep(2 * holdOff)
	}
	h.assertNeverOn("two edges of three")
	h.breakBeam(h.w.Clock)
	h.assertComplete(h.shot(), p)
}

func testBounce(h *host) {
	p := h.single()
	p.HoldOff = h.ticks(time.Second)
	h.arm(p, 2)
	for range 4 {
		h.bed.Set(h.w.Clock, h.w.BrokenHigh)
		h.bed.Sleep(200 * time.Microsecond)
		h.bed.Set(h.w.Clock, !h.w.BrokenHigh)
		h.bed.Sleep(200 * time.Microsecond)
	}
	r := h.shot()
	h.assertComplete(r, p)
	assert.EqualValues(h.t, 3, r.Bounced)
	h.state(wire.Armed)
	h.breakBeam(h.w.Clock) // after the rest, within the hold-off
	h.sleep(2 * delay)
	h.assertNeverOn("a bounce")
	assertNone[wire.Rejected](h, "bounces are counted, not reported one by one")
	h.sleep(300 * time.Millisecond)
	h.breakBeam(h.w.Clock)
	h.sleep(500 * time.Millisecond) // a second after the first edge, not after the last bounce
	h.breakBeam(h.w.Clock)
	h.assertComplete(h.shot(), p)
	assert.EqualValues(h.t, 5, h.state(wire.Safe).Bounced)
}

func testOpening(h *host) {
	p := h.opened()
	h.load(p)
	h.mustDo(wire.Arm{Shots: 1})
	assert.Equal(h.t, wire.ReasonNotOpened, h.state(wire.Armed).Reason)
	h.breakBeam(h.w.Clock)
	assert.Equal(h.t, wire.ReasonNotOpened, await[wire.Rejected](h).Reason)
	h.sleep(2 * holdOff)
	h.assertNeverOn("before go")
	h.mustDo(wire.Go{})
	assert.Equal(h.t, wire.ReasonNone, h.state(wire.Armed).Reason)
	h.assertRefused(wire.Go{}, wire.ReasonBusy)
	h.sleep(30 * time.Millisecond)
	h.breakBeam(h.w.Clock)
	r := h.shot()
	h.assertComplete(r, p)
	opening := map[uint8]wire.Tick{}
	for _, cue := range r.cues {
		if cue.Opening {
			opening[cue.Index] = cue.Planned
		}
	}
	assert.EqualValues(h.t, p.Opening[1].Offset, opening[1]-opening[0])

	h.mustDo(wire.Arm{Shots: 1})
	h.mustDo(wire.Go{})
	h.mustDo(wire.Disarm{})
	h.clear()
	h.mustDo(wire.Arm{Shots: 1})
	assert.Equal(h.t, wire.ReasonNotOpened, h.state(wire.Armed).Reason, "the go of before is void")
}

func testOpeningAlone(h *host) {
	p := h.opened()
	h.arm(p, 1)
	h.mustDo(wire.Go{})
	assert.Equal(h.t, wire.ReasonNone, h.state(wire.Armed).Reason)
	again := h.state(wire.Armed)
	assert.Equal(h.t, wire.ReasonNotOpened, again.Reason)
	assert.EqualValues(h.t, 1, again.Left)
	first := take[wire.Cue](h)
	require.Len(h.t, first, 2)
	h.assertChanges(first)
	assertNone[wire.Shot](h, "nothing started one")
	h.breakBeam(h.w.Clock)
	assert.Equal(h.t, wire.ReasonNotOpened, await[wire.Rejected](h).Reason)
	h.sleep(2 * holdOff)
	h.mustDo(wire.Go{})
	h.breakBeam(h.w.Clock)
	r := h.shot()
	h.assertComplete(r, p)
	assert.NotEqual(h.t, first[0].Shot, r.Number, "pulses of the first go are not this shot's")
}

func testByGo(h *host) {
	p := h.single()
	p.Clock = wire.Source{Input: wire.NoInput}
	h.arm(p, 2)
	for range 2 {
		h.breakBeam(h.w.Clock)
		h.clear()
		h.mustDo(wire.Go{})
		assert.Equal(h.t, wire.Firing, await[wire.State](h).State, "the only state that Go causes")
		r := h.shot()
		h.assertComplete(r, p)
		assert.Equal(h.t, p.Table[0].Delay, r.Delay)
		assert.Equal(h.t, wire.Resting, await[wire.State](h).State)
		h.assertRefused(wire.Go{}, wire.ReasonResting)
		awaitMatch(h, func(s wire.State) bool { return s.State == wire.Armed || s.State == wire.Safe })
	}
	assertNone[wire.Rejected](h, "the program has no input")
}

func testRest(h *host) {
	p := h.single()
	p.HoldOff = 0
	p.Rest = h.ticks(600 * time.Millisecond)
	h.arm(p, 2)
	h.breakBeam(h.w.Clock)
	h.sleep(delay / 2)
	h.breakBeam(h.w.Clock)
	assert.Equal(h.t, wire.ReasonBusy, await[wire.Rejected](h).Reason)
	h.assertComplete(h.shot(), p)
	assert.EqualValues(h.t, 1, h.state(wire.Resting).Left)
	h.breakBeam(h.w.Clock)
	assert.Equal(h.t, wire.ReasonResting, await[wire.Rejected](h).Reason)
	h.state(wire.Armed)
	h.assertNeverOn("resting")
	h.breakBeam(h.w.Clock)
	h.assertComplete(h.shot(), p)
}

func testShots(h *host) {
	p := h.single()
	h.arm(p, 2)
	var last uint16
	for left := uint16(1); ; left-- {
		h.breakBeam(h.w.Clock)
		r := h.shot()
		h.assertComplete(r, p)
		assert.NotEqual(h.t, last, r.Number)
		last = r.Number
		assert.Equal(h.t, left, h.state(wire.Resting).Left)
		if left == 0 {
			break
		}
		h.state(wire.Armed)
		h.sleep(holdOff)
	}
	assert.Equal(h.t, wire.ReasonShotsDone, h.state(wire.Safe).Reason)
	h.breakBeam(h.w.Clock)
	h.sleep(2 * delay)
	h.assertNeverOn("the shots are done")
	h.assertRefused(wire.Go{}, wire.ReasonNotArmed)
}

func testLate(h *host) {
	p := h.single()
	p.Table[0].Delay = 0
	p.Cues[0].Offset = -1 // before the edge itself
	p.CueLen = 2
	p.Cues[1] = wire.CueSpec{Output: h.w.Shutter, Offset: int32(h.ticks(delay)), Width: h.ticks(pulse)}
	h.arm(p, 2)
	for left := range uint16(2) {
		h.breakBeam(h.w.Clock)
		r := h.shot()
		assert.Equal(h.t, wire.Late, r.Status)
		assert.Zero(h.t, r.Cues)
		state := h.state(wire.Resting)
		assert.Equal(h.t, wire.ReasonLate, state.Reason)
		assert.Equal(h.t, 1-left, state.Left, "a late shot counts")
		awaitMatch(h, func(s wire.State) bool { return s.State == wire.Armed || s.State == wire.Safe })
	}
	h.sleep(2 * delay)
	h.assertNeverOn("if one pulse is late none is fired")
}

// midShot arms with a long pulse and waits until it is on.
func midShot(h *host) {
	h.t.Helper()
	h.arm(h.held(), 3)
	h.breakBeam(h.w.Clock)
	for range 1000 {
		h.sleep(poll)
		if len(h.changes) > 0 {
			return
		}
	}
	require.FailNow(h.t, "the shutter did not open")
}

// cutShort checks the report of a shot that was ended by something, and that the outputs are off.
func cutShort(h *host, want wire.Status) report {
	h.t.Helper()
	r := h.shot()
	assert.Equal(h.t, want, r.Status, "want %q, got %q", want, r.Status)
	require.NotEmpty(h.t, r.cues, "the shutter was on and that is reported")
	h.assertAllOff("cut short")
	return r
}

// boardTime is the board's time now, where times mean something, read off the bed by an input that stays as it is.
func (h *host) boardTime() wire.Tick { return h.bed.Set(h.w.Gate, !h.w.BrokenHigh) }

// offBy checks, where times mean something, that the last output went off soon after there was a reason.
func (h *host) offBy(reason wire.Tick) {
	h.t.Helper()
	require.NotEmpty(h.t, h.changes)
	if h.bed.Exact() {
		last := h.changes[len(h.changes)-1]
		assert.False(h.t, last.On)
		assert.LessOrEqual(h.t, last.At.Sub(reason), int32(h.id.SafeWithin), "off too long after the reason")
	}
}

func testDisarm(h *host) {
	midShot(h)
	sent := h.boardTime()
	h.mustDo(wire.Disarm{})
	state := h.state(wire.Safe)
	assert.Equal(h.t, wire.ReasonRequested, state.Reason)
	assert.Zero(h.t, state.Left)
	cutShort(h, wire.Disarmed)
	h.offBy(sent)
	h.changes = nil
	assertNone[wire.Fault](h, "disarming is no fault")
	h.breakBeam(h.w.Clock)
	h.sleep(2 * delay)
	h.assertNeverOn("disarmed")

	h.arm(h.single(), 1) // and planned, not yet on
	h.breakBeam(h.w.Clock)
	h.mustDo(wire.Disarm{})
	assert.Equal(h.t, wire.Disarmed, h.shot().Status)
	h.sleep(2 * delay)
	h.assertAllOff("disarmed")
	if h.bed.Exact() {
		h.assertNeverOn("disarmed before the flash")
	}
}

func testKill(h *host) {
	if h.w.Kill == wire.NoInput {
		h.t.Log("left out: the board has no kill input")
		return
	}
	midShot(h)
	h.bed.Set(h.w.Kill, h.w.KillHigh)
	fault := await[wire.Fault](h)
	assert.Equal(h.t, wire.ReasonKill, fault.Reason)
	assert.EqualValues(h.t, h.w.Kill, fault.Detail)
	assert.Equal(h.t, wire.ReasonKill, h.state(wire.Faulted).Reason)
	cutShort(h, wire.Killed)
	h.offBy(fault.At)
	h.changes = nil
	h.assertRefused(wire.Arm{Shots: 1}, wire.ReasonKill)
	h.assertRefused(wire.Pulse{Output: h.w.Flash, Width: 1}, wire.ReasonKill)
	h.mustDo(wire.Disarm{})
	assert.Equal(h.t, wire.ReasonKill, h.state(wire.Faulted).Reason, "it is still at stop")
	h.bed.Set(h.w.Kill, !h.w.KillHigh)
	h.sleep(10 * time.Millisecond)
	h.assertRefused(wire.Arm{Shots: 1}, wire.ReasonFaulted)
	h.mustDo(wire.Disarm{})
	h.state(wire.Safe)
	h.mustDo(wire.Arm{Shots: 1})
	h.state(wire.Armed)
	h.breakBeam(h.w.Clock)
	h.state(wire.Firing)
	h.assertNeverOn("the kill input stopped it")
	h.bed.Set(h.w.Kill, h.w.KillHigh)
	h.state(wire.Faulted)
}

func testLinkTimeout(h *host) {
	if h.bed.Exact() {
		h.arm(h.single(), 1)
		h.noPings = true
		h.sleep(850 * time.Millisecond)
		h.noPings = false
		h.mustDo(wire.Identify{})
		h.state(wire.Armed) // not a second yet
		h.mustDo(wire.Disarm{})
		h.clear()
	}
	midShot(h)
	h.sleep(1200 * time.Millisecond)
	assertNone[wire.Fault](h, "the link had not timed out")
	h.mustDo(wire.Identify{})
	heard := h.boardTime()
	h.noPings = true
	h.sleep(1200 * time.Millisecond)
	h.noPings = false
	assert.Equal(h.t, wire.ReasonLinkTimeout, await[wire.Fault](h).Reason)
	assert.Equal(h.t, wire.ReasonLinkTimeout, h.state(wire.Safe).Reason)
	cutShort(h, wire.LinkTimeout)
	h.offBy(heard + wire.Tick(h.id.TickHz))
	h.changes = nil
	h.breakBeam(h.w.Clock)
	h.sleep(2 * delay)
	h.assertNeverOn("disarmed by the link timeout")
	h.mustDo(wire.Arm{Shots: 1}) // the host is back
	h.state(wire.Armed)
}

func testPulse(h *host) {
	for _, output := range []uint8{h.w.Flash, h.w.Shutter, h.w.Valve} {
		h.mustDo(wire.Pulse{Output: output, Width: h.ticks(pulse)})
		cue := await[wire.Cue](h)
		assert.Zero(h.t, cue.Shot)
		assert.Equal(h.t, output, cue.Output)
		h.assertTiming(cue, h.ticks(pulse), h.id.SafeWithin)
		h.assertChanges([]wire.Cue{cue})
	}
	limit := h.outs[h.w.Flash].MaxOn
	reason, detail := h.request(wire.Pulse{Output: h.w.Flash, Width: limit + 1})
	assert.Equal(h.t, wire.ReasonMaxOn, reason)
	assert.Equal(h.t, limit, detail)
	h.assertRefused(wire.Pulse{Output: h.id.Outputs, Width: 1}, wire.ReasonNoSuchPin)
	h.assertRefused(wire.Pulse{Output: h.w.Flash}, wire.ReasonBadValue)
	h.load(h.single())
	h.mustDo(wire.Pulse{Output: h.w.Shutter, Width: h.ticks(3 * time.Second)})
	h.assertRefused(wire.Pulse{Output: h.w.Flash, Width: 1}, wire.ReasonBusy)
	h.assertRefused(wire.Arm{Shots: 1}, wire.ReasonBusy)
	h.mustDo(wire.Disarm{})
	h.assertChanges([]wire.Cue{await[wire.Cue](h)})
	h.mustDo(wire.Arm{Shots: 1})
	h.assertRefused(wire.Pulse{Output: h.w.Flash, Width: h.ticks(pulse)}, wire.ReasonArmed)
	h.assertNeverOn("armed")
	assertNone[wire.Shot](h, "test pulses are no shots")
}

func testGarbage(h *host) {
	ping := wire.AppendFrame(nil, wire.Ping{Token: 1}.Frame(1))
	disarm := wire.AppendFrame(nil, wire.Disarm{}.Frame(2))
	h.arm(h.single(), 1)
	flipped := bytes.Clone(disarm)
	flipped[len(flipped)-2] ^= 1
	for _, garbage := range [][]byte{
		{0, 0, 0},
		bytes.Repeat([]byte{0x55}, 300),
		flipped,
		disarm[:3], // and no zero after it: takes the next frame with it, or ends it
		{0},
		{9, 1, 2, 3, 0},
		ping[:4],
		{0},
	} {
		h.bed.Send(garbage)
		h.sleep(2 * time.Millisecond)
	}
	for range 20 {
		h.bed.Send(ping[:len(ping)-1]) // cut before its end
	}
	h.bed.Send([]byte{0})
	h.sleep(10 * time.Millisecond)
	assertNone[wire.Refused](h, "garbage is not answered")
	assertNone[wire.State](h, "garbage changes nothing")
	h.mustDo(wire.Identify{})
	h.state(wire.Armed)
	assertNone[wire.Fault](h, "garbage is no fault")

	for _, f := range []wire.Frame{
		{Type: 0x7F, Seq: 200}, {Type: wire.TypePong, Seq: 201, N: 8}, {Type: wire.TypeDisarm, Seq: 202, N: 1},
		{Type: wire.TypePing, Seq: 203, N: 3}, {Type: wire.TypeLoad, Seq: 204, N: 2},
	} {
		h.bed.Send(wire.AppendFrame(nil, f))
		want := wire.ReasonBadLength
		if f.Seq <= 201 {
			want = wire.ReasonUnknownType
		}
		r := await[wire.Refused](h)
		assert.Equal(h.t, f.Seq, r.Seq)
		assert.Equal(h.t, f.Type, r.Type)
		assert.Equal(h.t, want, r.Reason, "%s", r.Reason)
	}
	for _, b := range wire.AppendFrame(nil, wire.Disarm{}.Frame(205)) { // byte by byte is as good
		h.bed.Send([]byte{b})
		h.bed.Sleep(100 * time.Microsecond)
	}
	h.state(wire.Safe)
}

func testStorm(h *host) {
	p := h.single()
	p.HoldOff = 0
	p.Nth = 255
	h.arm(p, 1)
	const edges = 120
	from := h.now()
	for i := range edges {
		h.bed.Set(h.w.Clock, h.w.BrokenHigh == (i%2 == 0))
		h.sleep(poll)
	}
	h.sleep(100 * time.Millisecond)
	windows := 2 + int(uint32(h.now()-from)/h.ticks(50*time.Millisecond))
	total, lost := 0, 0
	reports := take[wire.Edge](h)
	for _, e := range reports {
		total += int(e.Count)
	}
	for _, l := range take[wire.Lost](h) {
		lost += int(l.Count)
	}
	assert.Equal(h.t, edges, total+lost, "every edge is counted")
	assert.LessOrEqual(h.t, len(reports), windows, "one report each 50 ms at most")
	rejected := 0
	refusals := take[wire.Rejected](h)
	for _, r := range refusals {
		rejected += int(r.Count)
	}
	assert.LessOrEqual(h.t, len(refusals), windows)
	if lost == 0 {
		assert.Equal(h.t, edges/2, rejected)
	}
}
