package trigger

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/wire"
)

func TestNewRefuses(t *testing.T) {
	for name, change := range map[string]func(c *Config){
		"longest on-time": func(c *Config) { c.Outputs[1].MaxOn = 0 },
		"1 to 1073741824": func(c *Config) { c.Outputs[2].MaxOn = wire.MaxWidth + 1 },
		"ticks a second":  func(c *Config) { c.TickHz = 999 },
		"1073741824":      func(c *Config) { c.TickHz = 1<<30 + 1 },
		"lead":            func(c *Config) { c.Lead = wire.MaxDelay + 1 },
		"from an edge":    func(c *Config) { c.EdgeLead = c.Lead - 1 },
		"with a gate":     func(c *Config) { c.GateLead = c.EdgeLead - 1 },
		"nor be above":    func(c *Config) { c.GateLead = wire.MaxDelay + 1 },
		"safe-within":     func(c *Config) { c.SafeWithin = wire.MaxDelay + 1 },
		"9 inputs":        func(c *Config) { c.InputLen = 9 },
		"9 outputs":       func(c *Config) { c.OutputLen = 9 },
		"0 outputs":       func(c *Config) { c.OutputLen = 0 },
		"identity":        func(c *Config) { c.Firmware = wire.Name{7} },
		"identity: ":      func(c *Config) { c.Reset = 99 },
		"input 3":         func(c *Config) { c.Inputs[3].Kind = 99 },
		"output 0":        func(c *Config) { c.Outputs[0].Name = wire.Name{'a', 0, 'b'} },
		"output 2: wire":  func(c *Config) { c.Outputs[2].Kind = 99 },
	} {
		c := testConfig()
		change(&c)
		_, err := New(c)
		assert.ErrorContains(t, err, name)
	}
	limits := testConfig()
	limits.TickHz, limits.Lead, limits.EdgeLead = 1<<30, wire.MaxDelay, wire.MaxDelay
	limits.GateLead, limits.SafeWithin = wire.MaxDelay, wire.MaxDelay
	_, err := New(limits)
	assert.NoError(t, err, "the limits themselves are fine")
	two := testConfig()
	two.Inputs[soundIn] = Input{Kind: wire.InputKill}
	two.Levels = 1 << soundIn
	_, err = New(two)
	assert.NoError(t, err, "two kill inputs are fine")
	full := testConfig()
	full.OutputLen = 8
	for i := range full.Outputs {
		full.Outputs[i].MaxOn = wire.MaxWidth
	}
	s, err := New(full)
	require.NoError(t, err)
	assert.Equal(t, uint8(0xFF), s.allOutputs)
}

func TestStart(t *testing.T) {
	w := newWorld(t, testConfig(), 5)
	require.NotEmpty(t, w.trace)
	assert.Equal(t, Action{Kind: ActionDrive, Mask: 7}, w.trace[0])
	id := one[wire.Identity](w)
	assert.Equal(t, wire.Identity{Version: 2, BootID: 7, TickHz: tickHz, Lead: lead, EdgeLead: 2 * lead,
		GateLead: 3 * lead, SafeWithin: within, Inputs: 4, Outputs: 3, Table: 32, Cues: 8, Firmware: name("test")}, id)
	state := one[wire.State](w)
	assert.Equal(t, wire.State{State: wire.Safe, Now: 5}, state)
	_, wakes := w.s.Wake()
	assert.False(t, wakes, "a board at rest waits for nothing")
}

func TestIdentify(t *testing.T) {
	for _, w := range []*world{newWorld(t, testConfig(), 0), armed(t, fixed(), 1)} {
		w.drain()
		w.send(wire.Identify{})
		var types []wire.Type
		for _, s := range w.log[w.unread:] {
			types = append(types, wire.TypeOf(s.m))
		}
		i, o := wire.TypeInput, wire.TypeOutput
		assert.Equal(t, []wire.Type{wire.TypeIdentity, i, i, i, i, o, o, o, wire.TypeAck, wire.TypeState}, types)
		assert.Equal(t, wire.InputInfo{Index: 2, Kind: wire.InputKill, ActiveHigh: true, Name: name("kill")},
			messages[wire.InputInfo](w)[2])
		assert.Equal(t, wire.OutputInfo{Index: 1, Kind: wire.OutputShutter, MaxOn: 2_000_000},
			messages[wire.OutputInfo](w)[1])
	}
}

func TestPingAnyTime(t *testing.T) {
	w := armed(t, fixed(), 1)
	w.now += 3
	w.send(wire.Ping{Token: 99})
	assert.Equal(t, wire.Pong{Token: 99, Now: w.now}, one[wire.Pong](w))
	assert.Empty(t, messages[wire.Ack](w))
}

func TestRefusals(t *testing.T) {
	safe := func(t *testing.T) *world {
		w := newWorld(t, testConfig(), 1_000)
		w.load(gated())
		return w
	}
	bare := func(t *testing.T) *world { return newWorld(t, testConfig(), 1_000) }
	ready := func(t *testing.T) *world { return armed(t, fixed(), 1) }
	faulted := func(t *testing.T) *world {
		w := safe(t)
		w.step(Event{Kind: EventFault, Count: 40})
		return w
	}
	killed := func(t *testing.T) *world {
		w := safe(t)
		w.rise(killIn)
		return w
	}
	pulsing := func(t *testing.T) *world {
		w := safe(t)
		w.send(wire.Pulse{Output: shutter, Width: 1000})
		return w
	}
	opening := func(t *testing.T) *world {
		w := armed(t, opened(), 1)
		w.send(wire.Go{})
		return w
	}
	firing := func(t *testing.T) *world {
		w := ready(t)
		w.rise(clockIn)
		return w
	}
	resting := func(t *testing.T) *world {
		w := armed(t, fixed(), 2)
		w.rise(clockIn)
		w.pass(22_000)
		return w
	}
	for name, test := range map[string]struct {
		board  func(*testing.T) *world
		m      wire.Message
		reason wire.Reason
		detail uint32
	}{
		"arm without program":     {bare, wire.Arm{Shots: 1}, wire.ReasonNoProgram, 0},
		"arm for none":            {safe, wire.Arm{}, wire.ReasonBadValue, 0},
		"arm twice":               {ready, wire.Arm{Shots: 1}, wire.ReasonArmed, 0},
		"arm while faulted":       {faulted, wire.Arm{Shots: 1}, wire.ReasonFaulted, 0},
		"arm while killed":        {killed, wire.Arm{Shots: 1}, wire.ReasonKill, 0},
		"arm while pulsing":       {pulsing, wire.Arm{Shots: 1}, wire.ReasonBusy, 0},
		"arm while resting":       {resting, wire.Arm{Shots: 1}, wire.ReasonArmed, 0},
		"load while armed":        {ready, wire.LoadPart{N: 1}, wire.ReasonArmed, 0},
		"load while resting":      {resting, wire.LoadPart{N: 1}, wire.ReasonArmed, 0},
		"load past the end":       {safe, wire.LoadPart{Offset: 428, N: 1}, wire.ReasonBadLength, 428},
		"load far past the end":   {safe, wire.LoadPart{Offset: 65535, N: 56}, wire.ReasonBadLength, 428},
		"commit while armed":      {ready, wire.Commit{}, wire.ReasonArmed, 0},
		"commit while firing":     {firing, wire.Commit{}, wire.ReasonArmed, 0},
		"commit too long":         {safe, wire.Commit{Length: 429}, wire.ReasonBadLength, 428},
		"commit too short":        {safe, wire.Commit{Length: 0, CRC: 0xFFFF}, wire.ReasonBadLength, 0},
		"commit wrong CRC":        {safe, wire.Commit{Length: 70}, wire.ReasonBadCRC, 0},
		"go while safe":           {safe, wire.Go{}, wire.ReasonNotArmed, 0},
		"go while faulted":        {faulted, wire.Go{}, wire.ReasonNotArmed, 0},
		"go for nothing":          {ready, wire.Go{}, wire.ReasonUnsupported, 0},
		"go twice":                {opening, wire.Go{}, wire.ReasonBusy, 0},
		"go while firing":         {firing, wire.Go{}, wire.ReasonBusy, 0},
		"go while resting":        {resting, wire.Go{}, wire.ReasonResting, 0},
		"pulse while armed":       {ready, wire.Pulse{Width: 1}, wire.ReasonArmed, 0},
		"pulse while firing":      {firing, wire.Pulse{Width: 1}, wire.ReasonArmed, 0},
		"pulse while faulted":     {faulted, wire.Pulse{Width: 1}, wire.ReasonFaulted, 0},
		"pulse while killed":      {killed, wire.Pulse{Width: 1}, wire.ReasonKill, 0},
		"pulse while pulsing":     {pulsing, wire.Pulse{Width: 1}, wire.ReasonBusy, 0},
		"pulse too long":          {safe, wire.Pulse{Output: flash, Width: 5_001}, wire.ReasonMaxOn, 5_000},
		"pulse no such output":    {safe, wire.Pulse{Output: 3, Width: 1}, wire.ReasonNoSuchPin, 3},
		"pulse of nothing":        {safe, wire.Pulse{}, wire.ReasonBadValue, 1},
		"threshold":               {safe, wire.SetLevel{Input: soundIn}, wire.ReasonUnsupported, soundIn},
		"threshold of no input":   {safe, wire.SetLevel{Input: 4}, wire.ReasonNoSuchPin, 4},
		"a board's message":       {safe, wire.Pong{}, wire.ReasonUnknownType, 0x84},
		"a board's message armed": {ready, wire.Lost{Count: 1}, wire.ReasonUnknownType, 0x8E},
	} {
		t.Run(name, func(t *testing.T) {
			w := test.board(t)
			w.drain()
			before := w.s.Code()
			w.send(test.m)
			reason, detail := w.refusal()
			assert.Equal(t, test.reason, reason, "%s", reason)
			assert.Equal(t, test.detail, detail)
			assert.Equal(t, before, w.s.Code())
			assert.Empty(t, messages[wire.Ack](w))
			r := one[wire.Refused](w)
			assert.Equal(t, wire.TypeOf(test.m), r.Type)
		})
	}
}

func TestRefusalsOfForm(t *testing.T) {
	for _, m := range []wire.Message{wire.Identify{}, wire.Ping{}, wire.Commit{}, wire.Arm{Shots: 1}, wire.Disarm{},
		wire.Go{}, wire.Pulse{Width: 1}, wire.SetLevel{}, wire.LoadPart{N: 1}} {
		w := armed(t, fixed(), 1)
		f := m.Frame(77)
		f.N = 60
		w.step(Event{Kind: EventReceived, Frame: f})
		r := one[wire.Refused](w)
		assert.Equal(t, wire.Refused{Seq: 77, Type: f.Type, Reason: wire.ReasonBadLength, Detail: 60}, r)
		assert.Equal(t, wire.Armed, w.s.Code(), "a malformed %s changes nothing", f.Type)
	}
}

func TestLoadForgetsTheProgram(t *testing.T) {
	w := newWorld(t, testConfig(), 0)
	w.load(fixed())
	require.Len(t, messages[wire.Ack](w), 2)
	w.send(wire.LoadPart{Offset: 200, N: 1})
	w.drain()
	w.send(wire.Arm{Shots: 1})
	reason, _ := w.refusal()
	assert.Equal(t, wire.ReasonNoProgram, reason)

	w.load(fixed())
	w.send(wire.Commit{Length: 1})
	w.drain()
	w.send(wire.Arm{Shots: 1})
	reason, _ = w.refusal()
	assert.Equal(t, wire.ReasonNoProgram, reason, "a commit that fails leaves none")
}

func TestCommitSaysWhatIsWrong(t *testing.T) {
	w := newWorld(t, testConfig(), 0)
	for name, test := range map[string]struct {
		change func(p *wire.Program)
		reason wire.Reason
		detail uint32
	}{
		"pin":     {func(p *wire.Program) { p.Clock.Input = 5 }, wire.ReasonNoSuchPin, 5},
		"kill":    {func(p *wire.Program) { p.Clock.Input = killIn }, wire.ReasonBadProgram, 1},
		"on-time": {func(p *wire.Program) { p.Cues[0].Width = 5_001 }, wire.ReasonMaxOn, 5_000},
		"output":  {func(p *wire.Program) { p.Cues[0].Output = 3 }, wire.ReasonNoSuchPin, 3},
	} {
		p := fixed()
		test.change(&p)
		w.drain()
		w.load(p)
		reason, detail := w.refusal()
		assert.Equal(t, test.reason, reason, name)
		assert.Equal(t, test.detail, detail, name)
	}
	p := fixed()
	encoded := wire.AppendProgram(nil, &p)
	encoded[0] = 9
	w.drain()
	w.loadBytes(encoded, wire.CRC(encoded))
	reason, detail := w.refusal()
	assert.Equal(t, wire.ReasonBadProgram, reason)
	assert.Zero(t, detail)
}

// TestSingleBeam follows one shot from edge to rest to armed, every number checked.
func TestSingleBeam(t *testing.T) {
	w := armed(t, fixed(), 2)
	w.takes = 7
	at := w.now
	w.now += 90 // seen a little after it happened
	w.step(Event{Kind: EventEdge, At: at, Input: clockIn, High: true})
	assert.Equal(t, wire.Firing, w.s.Code())
	w.pass(19_909)
	assert.Zero(t, w.outputs, "a tick early")
	w.pass(1)
	assert.Equal(t, uint8(1<<flash), w.outputs)
	w.pass(1_000 - 1)
	assert.Equal(t, uint8(1<<flash), w.outputs)
	w.pass(50)
	assert.Zero(t, w.outputs)

	cue := one[wire.Cue](w)
	on := at + 20_000 + 7
	assert.Equal(t, wire.Cue{Shot: 1, Output: flash, Planned: at + 20_000, On: on, Off: on + 1_000 + 7}, cue)
	shot := one[wire.Shot](w)
	assert.Equal(t, wire.Shot{Number: 1, Cues: 1, GateAt: at, ClockAt: at, Delay: 20_000}, shot)
	assert.Equal(t, wire.Resting, w.s.Code())
	assert.EqualValues(t, 1, w.s.Left())

	w.silence(at + 50_000 - 1 - w.now)
	assert.Equal(t, wire.Resting, w.s.Code())
	w.silence(1)
	w.settle()
	assert.Equal(t, wire.Armed, w.s.Code())
	assert.Equal(t, wire.ReasonNone, w.s.reason)

	w.drain()
	w.rise(clockIn)
	w.pass(60_000)
	assert.EqualValues(t, 2, one[wire.Shot](w).Number)
	assert.Equal(t, wire.Safe, w.s.Code())
	assert.Equal(t, wire.ReasonShotsDone, w.s.reason)
	states := messages[wire.State](w)
	assert.Equal(t, wire.Safe, states[len(states)-1].State)
	w.rise(clockIn)
	w.pass(60_000)
	assert.Len(t, messages[wire.Shot](w), 1, "fired although done")
}

func TestGate(t *testing.T) {
	for _, test := range []struct {
		interval wire.Tick
		delay    uint32      // when it fires
		reason   wire.Reason // when it does not
	}{
		{4_999, 0, wire.ReasonTooFast},
		{5_000, 25_000, 0},
		{9_999, 49_995, 0},
		{10_000, 50_000, 0},
		{10_001, 50_000, 0}, // half a tick less, rounded toward the first point
		{10_002, 50_000, 0}, // 0.99 of a tick less
		{10_003, 49_999, 0},
		{25_000, 42_501, 0},
		{40_000, 35_001, 0},
		{40_001, 0, wire.ReasonTooSlow},
		{80_000, 0, wire.ReasonTooSlow},
		{80_001, 0, wire.ReasonNoGate},
	} {
		w := armed(t, gated(), 1)
		gate := w.now
		w.rise(gateIn)
		w.pass(test.interval)
		w.rise(clockIn)
		w.pass(100_000)
		if test.reason != wire.ReasonNone {
			r := one[wire.Rejected](w)
			assert.Equal(t, test.reason, r.Reason, "interval %d", test.interval)
			assert.Equal(t, gate+test.interval, r.At)
			if test.reason != wire.ReasonNoGate {
				assert.EqualValues(t, test.interval, r.Interval)
			}
			assert.Empty(t, messages[wire.Shot](w))
			continue
		}
		shot := one[wire.Shot](w)
		assert.Equal(t, wire.Shot{Number: 1, Cues: 2, GateAt: gate, ClockAt: gate + test.interval, Delay: test.delay}, shot)
		var starts []wire.Tick
		for _, cue := range messages[wire.Cue](w) {
			starts = append(starts, cue.On)
		}
		moment := shot.ClockAt + wire.Tick(test.delay)
		assert.ElementsMatch(t, []wire.Tick{moment - 15_000, moment}, starts)
	}
}

// TestInterpolateIn32Bits holds the interpolation to the method that PROTOCOL.md gives for processors without a 64-bit
// division.
func TestInterpolateIn32Bits(t *testing.T) {
	small := func(a, b wire.Point, interval uint32) uint32 {
		into, span := interval-a.Interval, b.Interval-a.Interval
		change := b.Delay - a.Delay
		if b.Delay < a.Delay {
			change = a.Delay - b.Delay
		}
		var quotient, rest uint32
		for bit := uint32(1) << 29; bit != 0; bit >>= 1 {
			quotient, rest = 2*quotient, 2*rest
			if change&bit != 0 {
				rest += into
			}
			for rest >= span {
				rest -= span
				quotient++
			}
		}
		if b.Delay < a.Delay {
			return a.Delay - quotient
		}
		return a.Delay + quotient
	}
	r := newRand(t, 8)
	for range 20_000 {
		shift := r.IntN(29)
		a := wire.Point{Interval: r.Uint32N(wire.MaxDelay >> shift), Delay: r.Uint32N(wire.MaxDelay + 1)}
		b := wire.Point{Delay: r.Uint32N(wire.MaxDelay + 1)}
		b.Interval = a.Interval + 1 + r.Uint32N(wire.MaxDelay-a.Interval)
		interval := a.Interval + r.Uint32N(b.Interval-a.Interval+1)
		require.Equal(t, small(a, b, interval), interpolate([]wire.Point{a, b}, interval), "%v %v %d", a, b, interval)
	}
}

func TestGateRules(t *testing.T) {
	t.Run("the first edge of a ragged front counts", func(t *testing.T) {
		w := armed(t, gated(), 1)
		gate := w.now
		w.rise(gateIn)
		w.pass(3_000) // past the hold-off
		w.rise(gateIn)
		w.pass(7_000)
		w.rise(clockIn)
		w.pass(150_000)
		shot := one[wire.Shot](w)
		assert.Equal(t, gate, shot.GateAt)
		assert.EqualValues(t, 50_000, shot.Delay)
		assert.EqualValues(t, 1, shot.Bounced)
	})
	t.Run("a gate that has waited too long gives way", func(t *testing.T) {
		w := armed(t, gated(), 1)
		w.rise(gateIn)
		w.pass(40_001)
		gate := w.now
		w.rise(gateIn)
		w.pass(10_000)
		w.rise(clockIn)
		w.pass(150_000)
		assert.Equal(t, gate, one[wire.Shot](w).GateAt)
	})
	t.Run("a gate is used once", func(t *testing.T) {
		w := armed(t, gated(), 2)
		w.rise(gateIn)
		w.pass(4_000)
		w.rise(clockIn) // too fast
		w.pass(60_000)
		w.drain()
		w.rise(clockIn)
		assert.Equal(t, wire.ReasonNoGate, one[wire.Rejected](w).Reason)
	})
	t.Run("a gate after the clock is none", func(t *testing.T) {
		w := armed(t, gated(), 1)
		w.pass(20_000)
		w.rise(gateIn)
		w.step(Event{Kind: EventEdge, At: w.now - 10_000, Input: clockIn, High: true})
		assert.Equal(t, wire.ReasonNoGate, one[wire.Rejected](w).Reason)
	})
	t.Run("the other direction means nothing", func(t *testing.T) {
		w := armed(t, gated(), 1)
		w.edge(gateIn, false)
		w.pass(10_000)
		w.edge(clockIn, false)
		w.rise(soundIn)
		w.pass(150_000)
		assert.Empty(t, messages[wire.Rejected](w))
		assert.Empty(t, messages[wire.Shot](w))
		assert.Len(t, messages[wire.Edge](w), 3, "but it is reported")
	})
	t.Run("falling edges when the program says so", func(t *testing.T) {
		p := gated()
		p.Gate.Falling, p.Clock.Falling = true, true
		w := armed(t, p, 1)
		w.edge(gateIn, false)
		w.pass(10_000)
		w.edge(clockIn, false)
		w.pass(150_000)
		one[wire.Shot](w)
	})
}

func TestNth(t *testing.T) {
	p := fixed()
	p.Nth = 3
	w := armed(t, p, 2)
	for range 2 {
		var at wire.Tick
		for i := range 3 {
			at = w.now
			w.rise(clockIn)
			if i < 2 {
				w.pass(60_000)
			}
		}
		w.pass(60_000)
		assert.Equal(t, at, one[wire.Shot](w).ClockAt)
		rejected := messages[wire.Rejected](w)
		require.Len(t, rejected, 2)
		for i, r := range rejected {
			assert.Equal(t, wire.ReasonNotNth, r.Reason)
			assert.EqualValues(t, i+1, r.Interval, "which edge it was")
		}
		w.drain()
	}
}

func TestBounce(t *testing.T) {
	p := fixed()
	p.Nth = 2
	w := armed(t, p, 1)
	first := w.now
	for range 5 { // the hold-off counts from the first, and is not prolonged by what bounces
		w.rise(clockIn)
		w.pass(300)
	}
	assert.EqualValues(t, 4, w.s.bounced)
	w.pass(first + 1_999 - w.now)
	w.rise(clockIn)
	assert.EqualValues(t, 5, w.s.bounced)
	w.pass(1)
	second := w.now
	w.rise(clockIn)
	w.rise(clockIn)
	w.pass(20_500)
	w.rise(clockIn) // while the flash is on: no bounce any more, but busy
	w.pass(100_000)
	shot := one[wire.Shot](w)
	assert.Equal(t, second, shot.ClockAt)
	assert.EqualValues(t, 6, shot.Bounced)
	states := messages[wire.State](w)
	assert.EqualValues(t, 6, states[len(states)-1].Bounced)
	for _, r := range messages[wire.Rejected](w) {
		assert.NotEqual(t, wire.ReasonBounce, r.Reason, "bounces are counted, not sent")
	}
}

// TestHoldOffEndsWithTheArming: what bounced in one arming says nothing of the first edge of the next.
func TestHoldOffEndsWithTheArming(t *testing.T) {
	p := fixed()
	p.Nth = 2
	w := armed(t, p, 1)
	w.rise(clockIn)
	w.pass(500)
	w.send(wire.Disarm{})
	w.send(wire.Arm{Shots: 1})
	w.pass(500)
	w.rise(clockIn) // within the hold-off of the one before
	assert.Zero(t, w.s.bounced)
	w.pass(2_000)
	second := w.now
	w.rise(clockIn)
	w.pass(100_000)
	assert.Equal(t, second, one[wire.Shot](w).ClockAt)
}

func TestArmClearsTheCounts(t *testing.T) {
	w := armed(t, fixed(), 2)
	for range 3 {
		w.rise(clockIn)
	}
	w.step(Event{Kind: EventLost, Input: clockIn, Count: 4, At: w.now})
	w.send(wire.Disarm{})
	states := messages[wire.State](w)
	assert.EqualValues(t, 2, states[len(states)-1].Bounced)
	assert.EqualValues(t, 4, states[len(states)-1].Lost)
	w.drain()
	w.send(wire.Arm{Shots: 1})
	state := one[wire.State](w)
	assert.Zero(t, state.Bounced)
	assert.Zero(t, state.Lost)
}

// TestHeldBackReportsCome: what a limit held back is sent when its window ends, without anything else happening.
func TestHeldBackReportsCome(t *testing.T) {
	w := newWorld(t, testConfig(), 0)
	w.drain()
	for range 3 {
		w.rise(soundIn)
		w.step(Event{Kind: EventLost, Input: clockIn, Count: 5, At: w.now})
	}
	w.silence(49_999)
	assert.Len(t, messages[wire.Edge](w), 1)
	assert.Len(t, messages[wire.Lost](w), 1)
	w.silence(1)
	assert.EqualValues(t, 2, messages[wire.Edge](w)[1].Count)
	assert.EqualValues(t, 10, messages[wire.Lost](w)[1].Count)
	w.silence(50_000)
	_, wakes := w.s.Wake()
	assert.False(t, wakes, "an empty window just ends")

	w = armed(t, fixed(), 1)
	w.send(wire.Disarm{})
	w.send(wire.Arm{Shots: 1})
	for range 3 {
		w.step(Event{Kind: EventEdge, At: w.now - 1, Input: clockIn, High: true}) // from before arming
		w.s.holdOff[clockIn] = stamp{}
	}
	assert.Len(t, messages[wire.Rejected](w), 1)
	w.silence(50_001)
	assert.EqualValues(t, 2, messages[wire.Rejected](w)[1].Count)
}

func TestCountsSaturate(t *testing.T) {
	w := armed(t, fixed(), 1)
	for range 70_000 {
		w.s, w.buf = Step(w.s, Event{Kind: EventEdge, Now: w.now, At: w.now, Input: clockIn, High: true}, w.buf[:0])
	}
	assert.EqualValues(t, 0xFFFF, w.s.bounced)
	assert.EqualValues(t, 0xFFFF, w.s.shot.bounced)
	assert.EqualValues(t, 0xFFFF, addSaturating(0xFFF0, 1<<31))
	assert.EqualValues(t, 0xFFFE, addSaturating(0xFFF0, 0xE))
	l := limiter{}
	l.add(1<<32 - 1)
	l.add(5)
	assert.EqualValues(t, uint32(1<<32-1), l.pending)
}

func TestLateOnAcceptance(t *testing.T) {
	for _, test := range []struct {
		seen wire.Tick // after the edge
		late bool
	}{{20_000 - lead, false}, {20_000 - lead + 1, true}, {25_000, true}} {
		w := armed(t, fixed(), 2)
		at := w.now
		w.now += test.seen
		w.step(Event{Kind: EventEdge, At: at, Input: clockIn, High: true})
		w.pass(100_000)
		shot := one[wire.Shot](w)
		assert.Equal(t, at, shot.ClockAt)
		if !test.late {
			assert.Equal(t, wire.Done, shot.Status)
			continue
		}
		assert.Equal(t, wire.Late, shot.Status)
		assert.Empty(t, messages[wire.Cue](w), "nothing was fired")
		assert.Equal(t, wire.Armed, w.s.Code())
		assert.EqualValues(t, 1, w.s.Left(), "it counts as one of the shots")
		states := messages[wire.State](w)
		assert.Equal(t, wire.Resting, states[0].State)
		assert.Equal(t, wire.ReasonLate, states[0].Reason)
	}
}

func TestLateWake(t *testing.T) {
	for _, test := range []struct {
		behind wire.Tick
		status wire.Status
	}{{200, wire.Done}, {201, wire.Late}} {
		p := gated()
		w := armed(t, p, 1)
		w.rise(gateIn)
		w.pass(10_000)
		moment := w.now + 50_000
		w.rise(clockIn)
		w.pass(40_000) // the shutter is open by now
		require.Equal(t, uint8(1<<shutter), w.outputs)
		w.now = moment + test.behind
		w.step(Event{Kind: EventWake})
		if test.status == wire.Late {
			assert.Zero(t, w.outputs, "off at once, the shutter too")
		}
		w.pass(60_000)
		shot := one[wire.Shot](w)
		assert.Equal(t, test.status, shot.Status)
		cues := messages[wire.Cue](w)
		if test.status == wire.Late {
			require.Len(t, cues, 1)
			assert.EqualValues(t, shutter, cues[0].Output)
			assert.Equal(t, moment+201, cues[0].Off, "cut short, and it says so")
			assert.EqualValues(t, 1, shot.Cues)
			continue
		}
		require.Len(t, cues, 2)
		assert.Equal(t, moment+200, cues[0].On)
		assert.Equal(t, moment, cues[0].Planned)
		assert.Equal(t, cues[0].On+1_000, cues[0].Off, "the width is kept, the end moves")
	}
}

func TestSameTickIsOneDrive(t *testing.T) {
	p := fixed()
	p.CueLen = 3
	p.Cues = [wire.MaxCues]wire.CueSpec{{Output: flash, Width: 1_000}, {Output: valve, Width: 1_000},
		{Output: shutter, Offset: -5_000, Width: 5_000}}
	w := armed(t, p, 1)
	w.trace = nil
	w.rise(clockIn)
	w.pass(22_000)
	var drives []Action
	for _, a := range w.trace {
		if a.Kind == ActionDrive {
			drives = append(drives, a)
		}
	}
	assert.Equal(t, []Action{
		{Mask: 1 << shutter, Levels: 1 << shutter},
		{Mask: 1<<shutter | 1<<flash | 1<<valve, Levels: 1<<flash | 1<<valve},
		{Mask: 1<<flash | 1<<valve},
	}, drives)
}

func TestTwoCuesOnOneOutput(t *testing.T) {
	p := fixed()
	p.CueLen = 2
	p.Cues[1] = wire.CueSpec{Output: flash, Offset: 1_000 + lead, Width: 500}
	w := armed(t, p, 1)
	at := w.now
	w.rise(clockIn)
	w.now = at + 20_000 + 150 // the first is behind, so its end runs past the second's start
	w.step(Event{Kind: EventWake})
	w.pass(60_000)
	cues := messages[wire.Cue](w)
	require.Len(t, cues, 2)
	assert.Equal(t, at+21_150, cues[0].Off)
	assert.Equal(t, at+21_100, cues[1].Planned)
	assert.Equal(t, at+21_150, cues[1].On, "waits for the end of the first")
	assert.Equal(t, at+21_650, cues[1].Off)
	assert.Equal(t, wire.Done, one[wire.Shot](w).Status)
}

func TestOpening(t *testing.T) {
	w := armed(t, opened(), 2)
	assert.Equal(t, wire.ReasonNotOpened, w.s.reason)
	w.rise(clockIn)
	assert.Equal(t, wire.ReasonNotOpened, one[wire.Rejected](w).Reason)
	w.pass(60_000)
	w.drain()

	base := w.now + lead
	w.send(wire.Go{})
	one[wire.Ack](w)
	assert.Equal(t, wire.State{State: wire.Armed, Left: 2, Inputs: 1 << clockIn, Now: w.now}, one[wire.State](w))
	w.pass(40_000)
	w.rise(clockIn)
	w.pass(60_000)
	clock := w.now
	w.rise(clockIn)
	w.pass(400_000)

	shot := one[wire.Shot](w)
	assert.Equal(t, clock, shot.ClockAt)
	assert.EqualValues(t, 4, shot.Cues)
	planned := map[wire.Tick]wire.Cue{}
	for _, cue := range messages[wire.Cue](w) {
		assert.Equal(t, shot.Number, cue.Shot)
		planned[cue.Planned] = cue
	}
	assert.True(t, planned[base].Opening)
	assert.Equal(t, base+300_000, planned[base].Off, "the opening cue goes on past the moment to its end")
	assert.EqualValues(t, 1, planned[base+1_000].Index)
	assert.EqualValues(t, 2, planned[base+50_000].Index)
	assert.False(t, planned[clock+20_000].Opening)
	assert.Equal(t, wire.Armed, w.s.Code())
	assert.Equal(t, wire.ReasonNotOpened, w.s.reason, "the next shot needs its own Go")
}

func TestOpeningWithoutShot(t *testing.T) {
	w := armed(t, opened(), 1)
	w.send(wire.Go{})
	w.rise(clockIn) // one of two
	w.drain()
	w.pass(310_000)
	assert.Equal(t, wire.Armed, w.s.Code())
	assert.Equal(t, wire.ReasonNotOpened, w.s.reason)
	assert.Equal(t, wire.ReasonNotOpened, one[wire.State](w).Reason, "the state says that Go is needed again")
	assert.Empty(t, messages[wire.Shot](w))
	first := messages[wire.Cue](w)
	require.Len(t, first, 3)

	w.drain()
	w.rise(clockIn)
	assert.Equal(t, wire.ReasonNotOpened, one[wire.Rejected](w).Reason)
	w.send(wire.Go{})
	w.pass(60_000)
	w.drain()
	w.rise(clockIn)
	assert.Equal(t, wire.ReasonNotNth, one[wire.Rejected](w).Reason, "the count began again with Go")
	w.pass(60_000)
	w.rise(clockIn)
	w.pass(400_000)
	shot := one[wire.Shot](w)
	assert.EqualValues(t, 1, w.watch.shots)
	assert.NotEqual(t, first[0].Shot, shot.Number, "pulses of the first opening are not this shot's")
}

// TestWindow: the second edge counts within its window only, which outlasts the opening cues.
func TestWindow(t *testing.T) {
	drop := func(w *world) { w.rise(clockIn); w.pass(1_000); w.edge(clockIn, false) }
	begin := func(t *testing.T) (*world, wire.Tick) {
		w := armed(t, windowed(), 2)
		base := w.now + lead
		w.send(wire.Go{})
		w.pass(130_000)
		require.Len(t, messages[wire.Cue](w), 2, "both openings are over")
		w.drain()
		assert.Equal(t, wire.ReasonNone, w.s.reason, "the drops are still falling")
		return w, base
	}
	t.Run("both come", func(t *testing.T) {
		w, base := begin(t)
		drop(w)
		w.pass(base + 200_000 - w.now)
		drop(w)
		w.pass(60_000)
		assert.Equal(t, base+200_000, one[wire.Shot](w).ClockAt)
	})
	t.Run("at the last tick", func(t *testing.T) {
		w, base := begin(t)
		drop(w)
		w.pass(base + 240_000 - w.now)
		drop(w)
		w.pass(60_000)
		assert.Equal(t, base+240_000, one[wire.Shot](w).ClockAt)
	})
	t.Run("a satellite that counts is too early", func(t *testing.T) {
		w, base := begin(t)
		drop(w)
		w.pass(55_000)
		w.drain()
		at := w.now
		drop(w)
		early := one[wire.Rejected](w)
		assert.Equal(t, wire.ReasonTooFast, early.Reason)
		assert.EqualValues(t, at-base, early.Interval)
		w.pass(base + 239_000 - w.now)
		drop(w)
		w.pass(60_000)
		assert.Equal(t, base+239_000, one[wire.Shot](w).ClockAt, "and the second drop is still the second")
	})
	t.Run("the first was missed", func(t *testing.T) {
		w, base := begin(t)
		w.pass(base + 210_000 - w.now)
		drop(w)
		w.pass(10_000)
		drop(w) // its satellite
		w.pass(base + 240_000 - w.now)
		assert.Equal(t, wire.ReasonNone, w.s.reason)
		w.pass(1)
		assert.Equal(t, wire.ReasonNotOpened, w.s.reason, "the window is over")
		drop(w)
		w.pass(60_000)
		assert.Empty(t, messages[wire.Shot](w))
		assert.EqualValues(t, 2, w.s.Left())
	})
	t.Run("the beam was broken before the opening's own time", func(t *testing.T) {
		p := windowed()
		p.Nth = 1
		w := armed(t, p, 1)
		w.send(wire.Go{})
		w.rise(clockIn)
		early := one[wire.Rejected](w)
		assert.Equal(t, wire.ReasonTooFast, early.Reason)
		assert.Zero(t, early.Interval, "base is ahead by the lead")
	})
	t.Run("too late beside an opening cue", func(t *testing.T) {
		p := windowed()
		p.OpenLen, p.Opening[2] = 3, wire.CueSpec{Output: shutter, Width: 500_000}
		w := armed(t, p, 1)
		base := w.now + lead
		w.send(wire.Go{})
		drop(w)
		w.pass(base + 240_001 - w.now)
		w.drain()
		drop(w)
		late := one[wire.Rejected](w)
		assert.Equal(t, wire.ReasonTooSlow, late.Reason)
		assert.EqualValues(t, 240_001, late.Interval)
		w.pass(600_000)
		assert.Empty(t, messages[wire.Shot](w))
	})
	t.Run("disarmed meanwhile", func(t *testing.T) {
		w, _ := begin(t)
		w.send(wire.Disarm{})
		w.send(wire.Arm{Shots: 1})
		assert.Equal(t, wire.ReasonNotOpened, w.s.reason)
	})
}

func TestEdgesFromBefore(t *testing.T) {
	t.Run("arming", func(t *testing.T) {
		w := armed(t, fixed(), 1)
		w.step(Event{Kind: EventEdge, At: w.now - 1, Input: clockIn, High: true})
		assert.Equal(t, wire.ReasonNotArmed, one[wire.Rejected](w).Reason)
	})
	t.Run("go", func(t *testing.T) {
		p := opened()
		p.Nth = 1
		w := armed(t, p, 1)
		w.pass(1_000)
		w.send(wire.Go{})
		w.step(Event{Kind: EventEdge, At: w.now - 1, Input: clockIn, High: true})
		assert.Equal(t, wire.ReasonNotOpened, one[wire.Rejected](w).Reason)
	})
	t.Run("the end of the rest", func(t *testing.T) {
		w := armed(t, fixed(), 2)
		end := w.now + 50_000
		w.rise(clockIn)
		w.pass(50_005)
		require.Equal(t, wire.Armed, w.s.Code())
		w.drain()
		w.step(Event{Kind: EventEdge, At: end - 1, Input: clockIn, High: true})
		w.pass(50_000)
		assert.Equal(t, wire.ReasonResting, one[wire.Rejected](w).Reason)
		w.rise(clockIn)
		assert.Equal(t, wire.Firing, w.s.Code())
	})
	t.Run("after the end of the rest, before the late wake that ends it", func(t *testing.T) {
		w := armed(t, fixed(), 2)
		end := w.now + 50_000
		w.rise(clockIn)
		w.pass(49_000)
		require.Equal(t, wire.Resting, w.s.Code())
		w.drain()
		w.now = end + 300
		w.step(Event{Kind: EventEdge, At: end + 200, Input: clockIn, High: true})
		assert.Equal(t, wire.Firing, w.s.Code())
		assert.Empty(t, messages[wire.Rejected](w))
	})
	t.Run("a stamp ahead of the clock is now", func(t *testing.T) {
		w := armed(t, fixed(), 1)
		w.step(Event{Kind: EventEdge, At: w.now + 5_000, Input: clockIn, High: true})
		now := w.now
		w.pass(60_000)
		assert.Equal(t, now, one[wire.Shot](w).ClockAt)
	})
}

func TestByGo(t *testing.T) {
	p := byGo()
	p.OpenLen = 1
	p.Opening[0] = wire.CueSpec{Output: shutter, Width: 40_000}
	w := armed(t, p, 1)
	assert.Equal(t, wire.ReasonNotOpened, w.s.reason)
	at := w.now + lead
	w.send(wire.Go{})
	w.pass(90_000)
	shot := one[wire.Shot](w)
	assert.Equal(t, wire.Shot{Number: 1, Cues: 2, GateAt: at, ClockAt: at, Delay: 20_000}, shot)
	assert.Len(t, messages[wire.Cue](w), 2)

	p = byGo()
	p.Cues[0].Offset = -20_001 // before Go itself
	w = armed(t, p, 1)
	w.send(wire.Go{})
	assert.Equal(t, wire.Late, one[wire.Shot](w).Status)
}

func TestLateOpening(t *testing.T) {
	w := armed(t, opened(), 1)
	base := w.now + lead
	w.send(wire.Go{})
	w.pass(40_000)
	w.drain()
	w.now = base + 50_000 + 201
	w.step(Event{Kind: EventWake})
	assert.Zero(t, w.outputs)
	assert.Equal(t, one[wire.Rejected](w), wire.Rejected{
		Reason: wire.ReasonLate, Input: wire.NoInput, Count: 1, At: base + 50_000, Interval: 201,
	})
	assert.Equal(t, wire.Armed, w.s.Code())
	assert.Equal(t, wire.ReasonNotOpened, w.s.reason)
	assert.Empty(t, messages[wire.Shot](w))
	assert.Len(t, messages[wire.Cue](w), 1, "the shutter was on")
}

func TestRejections(t *testing.T) {
	w := armed(t, fixed(), 2)
	w.rise(clockIn)
	w.pass(10_000)
	w.rise(clockIn)
	assert.Equal(t, wire.ReasonBusy, one[wire.Rejected](w).Reason)
	w.pass(15_000)
	require.Equal(t, wire.Resting, w.s.Code())
	w.rise(clockIn)
	w.pass(35_000)
	rejected := messages[wire.Rejected](w)
	require.Len(t, rejected, 2)
	assert.Equal(t, wire.ReasonResting, rejected[1].Reason)
}

// stopped are the ways to stop a board, with what each must lead to.
var stopped = map[string]struct {
	stop   func(w *world)
	code   wire.StateCode
	reason wire.Reason
	status wire.Status
	fault  bool
}{
	"disarm": {func(w *world) { w.send(wire.Disarm{}) }, wire.Safe, wire.ReasonRequested, wire.Disarmed, false},
	"kill":   {func(w *world) { w.rise(killIn) }, wire.Faulted, wire.ReasonKill, wire.Killed, true},
	"kill unseen": {func(w *world) { w.step(Event{Kind: EventLost, Input: killIn, Count: 1, At: w.now}) },
		wire.Faulted, wire.ReasonKill, wire.Killed, true},
	"fault": {func(w *world) { w.step(Event{Kind: EventFault, Count: 44}) }, wire.Faulted, wire.ReasonBoard,
		wire.Aborted, true},
	"quiet": {func(w *world) {
		w.now = w.s.lastHeard + tickHz
		w.step(Event{Kind: EventWake})
	}, wire.Safe, wire.ReasonLinkTimeout, wire.LinkTimeout, true},
}

func TestStops(t *testing.T) {
	for name, how := range stopped {
		long := fixed()
		long.Cues[0] = wire.CueSpec{Output: shutter, Width: 2_000_000}
		moments := map[string]func() *world{
			"armed": func() *world { return armed(t, long, 3) },
			"planned": func() *world {
				w := armed(t, long, 3)
				w.rise(clockIn)
				return w
			},
			"lit": func() *world {
				w := armed(t, long, 3)
				w.rise(clockIn)
				w.pass(30_000)
				require.Equal(t, uint8(1<<shutter), w.outputs)
				return w
			},
			"due this very step": func() *world {
				w := armed(t, long, 3)
				w.rise(clockIn)
				w.now += 20_000
				return w
			},
			"opening": func() *world {
				w := armed(t, opened(), 3)
				w.send(wire.Go{})
				w.pass(10_000)
				require.NotZero(t, w.outputs)
				return w
			},
			"a test pulse": func() *world {
				w := newWorld(t, testConfig(), 500)
				w.send(wire.Pulse{Output: shutter, Width: 2_000_000})
				w.pass(10_000)
				require.Equal(t, uint8(1<<shutter), w.outputs)
				return w
			},
			"resting": func() *world {
				p := fixed()
				p.Rest = wire.MaxWidth
				w := armed(t, p, 3)
				w.rise(clockIn)
				w.pass(30_000)
				require.Equal(t, wire.Resting, w.s.Code())
				return w
			},
		}
		for when, board := range moments {
			t.Run(name+" while "+when, func(t *testing.T) {
				w := board()
				firing := w.s.Code() == wire.Firing
				lit := w.outputs
				w.drain()
				from := len(w.trace)
				how.stop(w)
				assert.Equal(t, how.code, w.s.Code())
				assert.Equal(t, how.reason, w.s.reason)
				assert.Equal(t, Action{Kind: ActionDrive, Mask: 7}, w.trace[from], "off first, then words")
				if name != "quiet" { // whose clock jumps past more than one thing
					assert.Len(t, messages[wire.Cue](w), popcount(lit), "what was on is reported")
				}
				if firing {
					assert.Equal(t, how.status, one[wire.Shot](w).Status)
				} else {
					assert.Empty(t, messages[wire.Shot](w))
				}
				if how.fault {
					assert.Equal(t, how.reason, one[wire.Fault](w).Reason)
				} else {
					assert.Empty(t, messages[wire.Fault](w))
				}
				states := messages[wire.State](w)
				require.Len(t, states, 1)
				assert.Equal(t, how.code, states[0].State)
				assert.Zero(t, states[0].Left)

				from = len(w.trace)
				w.rise(clockIn)
				w.pass(100_000)
				for _, a := range w.trace[from:] {
					assert.NotEqual(t, ActionDrive, a.Kind, "something moved after the stop")
				}
			})
		}
	}
}

func popcount(m uint8) (n int) {
	for ; m != 0; m &= m - 1 {
		n++
	}
	return n
}

func TestDisarmEndsTheOpening(t *testing.T) {
	w := armed(t, opened(), 1)
	w.send(wire.Go{})
	number := w.s.shot.number
	w.send(wire.Disarm{})
	assert.Equal(t, number+1, w.s.shot.number, "its pulses are not the next shot's")
	w.send(wire.Arm{Shots: 1})
	assert.Equal(t, wire.ReasonNotOpened, w.s.reason)
	w.drain()
	w.rise(clockIn)
	assert.Equal(t, wire.ReasonNotOpened, one[wire.Rejected](w).Reason)
}

func TestFaultsClear(t *testing.T) {
	w := armed(t, fixed(), 1)
	w.rise(killIn)
	states := messages[wire.State](w)
	assert.EqualValues(t, 1<<killIn, states[len(states)-1].Inputs, "the state that tells of it shows it")
	w.send(wire.Disarm{})
	assert.Equal(t, wire.Faulted, w.s.Code(), "the kill switch is still on")
	assert.Equal(t, wire.ReasonKill, w.s.reason)
	w.edge(killIn, false)
	assert.Equal(t, wire.Faulted, w.s.Code(), "letting go of it is not enough")
	w.drain()
	w.send(wire.Arm{Shots: 1})
	reason, _ := w.refusal()
	assert.Equal(t, wire.ReasonFaulted, reason)
	w.send(wire.Disarm{})
	assert.Equal(t, wire.Safe, w.s.Code())
	w.send(wire.Arm{Shots: 1})
	assert.Equal(t, wire.Armed, w.s.Code(), "the program is still there")

	w.step(Event{Kind: EventFault, Count: 9})
	w.drain()
	w.step(Event{Kind: EventFault, Count: 10})
	w.rise(killIn)
	assert.Empty(t, messages[wire.Fault](w), "one fault is told once")
	assert.Equal(t, wire.ReasonBoard, w.s.reason)
	w.send(wire.Disarm{})
	assert.Equal(t, wire.ReasonKill, w.s.reason)

	w = armed(t, fixed(), 1)
	w.silence(tickHz)
	require.Equal(t, wire.ReasonLinkTimeout, w.s.reason)
	w.send(wire.Arm{Shots: 1})
	assert.Equal(t, wire.Armed, w.s.Code(), "a host that is back may arm at once")
}

func TestKillAtStart(t *testing.T) {
	c := testConfig()
	c.Inputs[soundIn] = Input{Kind: wire.InputKill} // low means stop, and it is low
	w := newWorld(t, c, 0)
	assert.Equal(t, wire.Faulted, w.s.Code())
	assert.EqualValues(t, soundIn, one[wire.Fault](w).Detail)
	c.Levels = 1 << soundIn
	w = newWorld(t, c, 0)
	assert.Equal(t, wire.Safe, w.s.Code())
	w.edge(soundIn, false)
	assert.Equal(t, wire.Faulted, w.s.Code())
}

func TestLinkTimeoutNeedsAWholeSecond(t *testing.T) {
	w := armed(t, fixed(), 1)
	w.silence(tickHz - 1)
	assert.Equal(t, wire.Armed, w.s.Code())
	w.send(wire.Ping{})
	w.silence(tickHz - 1)
	assert.Equal(t, wire.Armed, w.s.Code())
	w.step(Event{Kind: EventReceived, Frame: wire.Frame{Type: 0x55}})
	w.silence(tickHz - 1)
	assert.Equal(t, wire.Armed, w.s.Code(), "any good frame is a sign of life")
	w.silence(1)
	assert.Equal(t, wire.Safe, w.s.Code())

	w = armed(t, fixed(), 1)
	w.now += tickHz // and no wake until the frame that comes too late
	w.send(wire.Ping{})
	assert.Equal(t, wire.Safe, w.s.Code())

	w = newWorld(t, testConfig(), 0)
	w.silence(10 * tickHz)
	assert.Empty(t, messages[wire.Fault](w), "a safe board may be left alone")
}

func TestPulse(t *testing.T) {
	w := newWorld(t, testConfig(), 500)
	w.takes = 3
	w.drain()
	at := w.now
	w.send(wire.Pulse{Output: valve, Width: 10_000})
	assert.Equal(t, uint8(1<<valve), w.outputs)
	one[wire.Ack](w)
	w.silence(20_000)
	assert.Zero(t, w.outputs)
	assert.Equal(t, wire.Cue{Output: valve, Planned: at, On: at + 3, Off: at + 10_006}, one[wire.Cue](w))
	assert.Empty(t, messages[wire.Shot](w))

	w.drain()
	w.send(wire.Pulse{Output: shutter, Width: 2_000_000})
	w.silence(tickHz)
	assert.Zero(t, w.outputs, "nobody there to watch it")
	assert.Equal(t, wire.ReasonLinkTimeout, one[wire.Fault](w).Reason)

	w.drain()
	w.send(wire.Pulse{Output: shutter, Width: 2_000_000})
	w.pass(10_000)
	w.send(wire.Disarm{})
	assert.Zero(t, w.outputs)
	assert.Zero(t, one[wire.Cue](w).Shot)
	w.load(fixed())
	w.send(wire.Arm{Shots: 1})
	w.drain()
	w.rise(clockIn)
	w.pass(60_000)
	assert.EqualValues(t, 1, one[wire.Shot](w).Cues, "test pulses are not counted to a shot")
}

func TestPulseInTheStepThatEndsOne(t *testing.T) {
	w := newWorld(t, testConfig(), 500)
	w.send(wire.Pulse{Output: flash, Width: 5_000})
	w.now += 5_000
	w.drain()
	w.send(wire.Pulse{Output: flash, Width: 5_000})
	reason, _ := w.refusal()
	assert.Equal(t, wire.ReasonBusy, reason)
	assert.Zero(t, w.outputs)
	w.drain()
	w.send(wire.Pulse{Output: shutter, Width: 2_000_000})
	w.now += tickHz
	w.send(wire.Pulse{Output: shutter, Width: 2_000_000}) // finds that the link timed out
	assert.Zero(t, w.outputs)
}

func TestMaxOn(t *testing.T) {
	for _, test := range []struct {
		over  wire.Tick
		fault bool
	}{{0, false}, {within, false}, {within + 1, true}} {
		p := fixed()
		p.Cues[0].Width = 5_000 // all the flash output may
		w := armed(t, p, 1)
		w.rise(clockIn)
		w.pass(20_000)
		require.NotZero(t, w.outputs)
		w.now += 5_000 + test.over
		w.step(Event{Kind: EventWake})
		assert.Zero(t, w.outputs)
		if !test.fault {
			assert.Equal(t, wire.Done, one[wire.Shot](w).Status)
			continue
		}
		assert.Equal(t, wire.Faulted, w.s.Code())
		assert.Equal(t, wire.Fault{Reason: wire.ReasonMaxOn, Detail: flash, At: w.now}, one[wire.Fault](w))
		assert.Equal(t, wire.Aborted, one[wire.Shot](w).Status)
	}
}

// TestMaxOnWhateverThePlan: a plan gone wrong in memory cannot keep an output on.
func TestMaxOnWhateverThePlan(t *testing.T) {
	w := armed(t, fixed(), 1)
	at := w.now
	w.rise(clockIn)
	w.pass(20_000)
	require.NotZero(t, w.outputs)
	w.s.pulses[0].off += 1 << 29
	w.pass(5_010)
	assert.Zero(t, w.outputs)
	assert.Equal(t, wire.ReasonMaxOn, one[wire.Fault](w).Reason)
	assert.Equal(t, at+25_000, one[wire.Cue](w).Off)
}

func TestLostEdges(t *testing.T) {
	t.Run("with a gate pending", func(t *testing.T) {
		w := armed(t, gated(), 1)
		w.rise(gateIn)
		w.pass(5_000)
		w.step(Event{Kind: EventLost, Input: clockIn, Count: 3, At: w.now - 1})
		assert.Equal(t, wire.Lost{Input: clockIn, Count: 3, At: w.now - 1}, one[wire.Lost](w))
		assert.Equal(t, wire.ReasonLostEdges, one[wire.Rejected](w).Reason)
		w.pass(60_000)
		w.drain()
		w.rise(clockIn)
		assert.Equal(t, wire.ReasonNoGate, one[wire.Rejected](w).Reason)
		assert.EqualValues(t, 3, w.s.lost)
	})
	t.Run("with nothing pending", func(t *testing.T) {
		w := armed(t, gated(), 1)
		w.step(Event{Kind: EventLost, Input: clockIn, Count: 1, At: w.now})
		assert.Empty(t, messages[wire.Rejected](w))
	})
	t.Run("of an input the program does not use", func(t *testing.T) {
		w := armed(t, gated(), 1)
		w.rise(gateIn)
		w.pass(10_000)
		w.step(Event{Kind: EventLost, Input: soundIn, Count: 1, At: w.now})
		w.rise(clockIn)
		w.pass(150_000)
		one[wire.Shot](w)
	})
	t.Run("the count begins again", func(t *testing.T) {
		p := fixed()
		p.Nth = 2
		w := armed(t, p, 1)
		w.rise(clockIn)
		w.pass(60_000)
		w.step(Event{Kind: EventLost, Input: clockIn, Count: 1, At: w.now})
		w.rise(clockIn)
		w.pass(60_000)
		w.rise(clockIn)
		clock := w.now
		w.pass(60_000)
		assert.Equal(t, clock, one[wire.Shot](w).ClockAt)
	})
	t.Run("while firing the shot goes on", func(t *testing.T) {
		w := armed(t, fixed(), 1)
		w.rise(clockIn)
		w.step(Event{Kind: EventLost, Input: clockIn, Count: 1, At: w.now})
		w.pass(60_000)
		assert.Equal(t, wire.Done, one[wire.Shot](w).Status)
	})
}

// TestStorm: a hundred thousand edges a second make twenty messages a second, and all are counted.
func TestStorm(t *testing.T) {
	p := gated()
	p.HoldOff = 0
	w := armed(t, p, 1)
	start, frames := w.now, len(w.log)
	const n = 50_000
	for i := range n {
		w.now = start + wire.Tick(10*i)
		if i%20_000 == 0 {
			w.send(wire.Ping{})
		}
		w.edge(clockIn, i%2 == 0)
	}
	w.pass(60_000)
	total := 0
	for _, e := range messages[wire.Edge](w) {
		total += int(e.Count)
	}
	assert.Equal(t, n, total)
	rejected := 0
	for _, r := range messages[wire.Rejected](w) {
		assert.Equal(t, wire.ReasonNoGate, r.Reason)
		rejected += int(r.Count)
	}
	assert.Equal(t, n/2, rejected)
	assert.LessOrEqual(t, len(w.log)-frames, 2*12+10)
}

func TestUnknownInputsAreIgnored(t *testing.T) {
	w := armed(t, fixed(), 1)
	w.step(Event{Kind: EventEdge, At: w.now, Input: 4, High: true})
	w.step(Event{Kind: EventLost, At: w.now, Input: 200, Count: 1})
	w.step(Event{Kind: EventLost, At: w.now, Input: clockIn})
	w.step(Event{Kind: 99})
	assert.Empty(t, w.log[w.unread:])
	w.send(wire.Identify{})
	assert.Zero(t, one[wire.State](w).Inputs)
}

// TestWithoutDrove: a board that never says when its outputs changed still works, with the times of its orders.
func TestWithoutDrove(t *testing.T) {
	w := armed(t, fixed(), 1)
	w.noDriven = true
	at := w.now
	w.rise(clockIn)
	w.pass(60_000)
	assert.Equal(t, wire.Cue{Shot: 1, Planned: at + 20_000, On: at + 20_000, Off: at + 21_000}, one[wire.Cue](w))
	one[wire.Shot](w)
}

// TestDroveMustBePossible: a time that cannot be is not believed.
func TestDroveMustBePossible(t *testing.T) {
	for _, e := range []Event{
		{Kind: EventDriven, Mask: 1, Levels: 1, At: 1},
		{Kind: EventDriven, Mask: 1, Levels: 0},
		{Kind: EventDriven, Mask: 2, Levels: 3},
		{Kind: EventDriven, Mask: 1, Levels: 1, At: 1 << 28},
	} {
		w := armed(t, fixed(), 1)
		w.noDriven = true
		at := w.now
		w.rise(clockIn)
		w.now += 20_000
		w.step(Event{Kind: EventWake})
		w.now += 100
		if e.At == 0 {
			e.At = w.now - 50
		}
		w.step(e)
		w.pass(60_000)
		assert.Equal(t, at+20_000, one[wire.Cue](w).On, "%+v", e)
	}
}

func TestStepAllocatesNothing(t *testing.T) {
	w := armed(t, gated(), 0xFFFF)
	s, buf, now := w.s, make([]Action, 0, MaxActions), w.now
	ping, bad := wire.Ping{}.Frame(1), wire.Frame{Type: wire.TypePulse, N: 5}
	shots := 0
	step := func(e Event) {
		e.Now = now
		s, buf = Step(s, e, buf[:0])
		for _, a := range buf {
			if a.Frame.Type == wire.TypeShot {
				shots++
			}
		}
	}
	allocs := testing.AllocsPerRun(50, func() {
		step(Event{Kind: EventReceived, Frame: ping})
		step(Event{Kind: EventReceived, Frame: bad})
		step(Event{Kind: EventEdge, At: now, Input: gateIn, High: true})
		now += 10_000
		step(Event{Kind: EventEdge, At: now, Input: clockIn, High: true})
		for range 100 {
			now += 1_000
			if at, ok := s.Wake(); ok && !now.Before(at) {
				step(Event{Kind: EventWake})
			}
		}
	})
	assert.Zero(t, allocs)
	assert.Greater(t, shots, 40, "it was at work")
}
