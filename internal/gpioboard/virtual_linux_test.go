package gpioboard

import (
	"cmp"
	"math/rand/v2"
	"runtime"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"stillwater/internal/gpiochip"
	"stillwater/internal/realtime"
	"stillwater/internal/trigger"
	"stillwater/internal/wire"
	"stillwater/internal/wiring"
)

// virtual is a board's surroundings in virtual time: nothing passes but what is spent here, so that what happens in a
// storm does not depend on the machine. It is the loop's clock, its sleep, one chip of inputs as the kernel keeps them,
// and its outputs.
type virtual struct {
	t      testing.TB
	now    int64 // nanoseconds
	random *rand.Rand
	wake   [2]int64 // how late a sleep ends, from and to, ns
	read   int64    // what looking at the clock costs, ns
	drift  error

	storms []storm
	queued gpiochip.Batch // as the kernel's queue: full, the oldest go
	levels uint8
	gaps   int // reads that found edges lost
	sinks  [4096]byte

	link, far int // file descriptors: the board's end, and the host's
	poll      [1]unix.PollFd
	ready     [2]bool
	plan      []planned // what the host does
	heard     wire.Decoder
	frames    []wire.Frame

	changes  []change
	on       uint8
	sleeps   int
	practice int // sleeps that nothing but time ended
	armed    []bool
}

// storm is edges of one input, one each period, from a time to another.
type storm struct {
	input    uint8
	next     int64
	every    int64
	until    int64
	received int
}

type planned struct {
	at int64
	do func()
}

// change is one of the outputs.
type change struct {
	at int64
	on uint8
}

func newVirtual(t testing.TB) *virtual {
	fds, err := unix.Socketpair(unix.AF_UNIX, unix.SOCK_STREAM|unix.SOCK_CLOEXEC|unix.SOCK_NONBLOCK, 0)
	require.NoError(t, err)
	t.Cleanup(func() { unix.Close(fds[0]); unix.Close(fds[1]) })
	v := &virtual{t: t, now: 1e9, random: rand.New(rand.NewPCG(3, 4)), wake: [2]int64{10_000, 60_000}, read: 200,
		link: fds[0], far: fds[1], queued: gpiochip.NewBatch()}
	v.frames = make([]wire.Frame, 0, 4096)
	return v
}

// loop is a board here, started.
func (v *virtual) loop() *loop {
	link, err := realtime.NewLink(v.link)
	require.NoError(v.t, err)
	state, err := trigger.New(triggerConfig(testBoard(), 0))
	require.NoError(v.t, err)
	l := assemble(state, v, v, v, v, link, 0)
	l.thread = v
	l.board.Start(l.clock.Now())
	return l
}

func (v *virtual) Ns() int64                       { v.now += v.read; return v.now }
func (v *virtual) Now() wire.Tick                  { return v.Tick(v.Ns()) }
func (v *virtual) Tick(ns int64) wire.Tick         { return wire.Tick(uint64(ns) / 100) }
func (v *virtual) Until(t wire.Tick) time.Duration { return time.Duration(t.Sub(v.Now())) * 100 }
func (v *virtual) Check() error                    { return v.drift }
func (v *virtual) Close() error                    { return nil }
func (v *virtual) Arm()                            { v.armed = append(v.armed, true) }
func (v *virtual) Disarm()                         { v.armed = append(v.armed, false) }

func (v *virtual) Spin(t wire.Tick) wire.Tick {
	for {
		if now := v.Now(); !now.Before(t) {
			return now
		}
	}
}

// Sleep lets time pass to when an edge comes, the host does something, or the time is up.
func (v *virtual) Sleep(until int64, _ bool) (bool, error) {
	v.sleeps++
	v.pass()
	if v.look(); v.ready[0] || v.ready[1] {
		return false, nil
	}
	next := until
	for i := range v.storms {
		if s := &v.storms[i]; s.next <= s.until {
			next = earlier(next, s.next)
		}
	}
	if len(v.plan) > 0 {
		next = earlier(next, v.plan[0].at)
	}
	if next == 0 {
		panic("nothing will ever end this sleep")
	}
	v.now = max(v.now, next)
	v.now += v.wake[0] + v.random.Int64N(v.wake[1]-v.wake[0])
	v.pass()
	v.look()
	if v.ready[0] || v.ready[1] {
		return false, nil
	}
	if until != 0 && v.now >= until {
		v.practice++
		return true, nil
	}
	return false, nil
}

func (v *virtual) Poll() (bool, error) {
	v.now += 1000
	v.pass()
	v.look()
	return v.ready[0] || v.ready[1], nil
}

func (v *virtual) Ready(i int) bool { return v.ready[i] }

// pass queues the edges that came by now, and lets the host do what it would have done.
func (v *virtual) pass() {
	for len(v.plan) > 0 && v.plan[0].at <= v.now {
		do := v.plan[0].do
		v.plan = v.plan[1:]
		do()
	}
	for s := v.oldest(); s != nil; s = v.oldest() {
		v.levels ^= 1 << s.input
		s.received++
		if len(v.queued.Events) == cap(v.queued.Events) {
			v.queued.Lost[v.queued.Events[0].Input]++
			v.queued.Gap = true
			copy(v.queued.Events, v.queued.Events[1:])
			v.queued.Events = v.queued.Events[:len(v.queued.Events)-1]
		}
		v.queued.Events = append(v.queued.Events, gpiochip.Event{Input: s.input, High: v.levels>>s.input&1 != 0, At: s.next})
		s.next += s.every
	}
}

// oldest is the storm whose edge came first of those that came by now.
func (v *virtual) oldest() (first *storm) {
	for i := range v.storms {
		if s := &v.storms[i]; s.next <= v.now && s.next <= s.until && (first == nil || s.next < first.next) {
			first = s
		}
	}
	return first
}

func (v *virtual) look() {
	v.poll[0] = unix.PollFd{Fd: int32(v.link), Events: unix.POLLIN}
	if _, err := unix.Poll(v.poll[:], 0); err != nil && err != unix.EINTR {
		panic(err)
	}
	v.ready = [2]bool{v.poll[0].Revents != 0, len(v.queued.Events) > 0}
}

func (v *virtual) Len() int   { return 1 }
func (v *virtual) Fd(int) int { return -1 }

func (v *virtual) Read(_ int, b *gpiochip.Batch) error {
	b.Events = append(b.Events[:0], v.queued.Events...)
	b.Lost, b.Gap = v.queued.Lost, v.queued.Gap
	if b.Gap {
		v.gaps++
	}
	v.queued.Events, v.queued.Lost, v.queued.Gap = v.queued.Events[:0], [gpiochip.MaxLines]uint32{}, false
	v.now += 2000
	return nil
}

func (v *virtual) Levels() (uint8, error) { return v.levels, nil }

func (v *virtual) Set(mask, levels uint8) error {
	v.now += 1500
	v.on = v.on&^mask | levels&mask
	v.changes = append(v.changes, change{v.now, v.on})
	return nil
}

// tell sends the board messages at a time, in one write.
func (v *virtual) tell(at int64, messages ...wire.Message) {
	var p []byte
	for _, m := range messages {
		p = wire.AppendFrame(p, m.Frame(1))
	}
	v.at(at, func() {
		n, err := unix.Write(v.far, p)
		require.NoError(v.t, err)
		require.Equal(v.t, len(p), n)
	})
}

// at lets the host do something at a time.
func (v *virtual) at(at int64, do func()) {
	v.plan = append(v.plan, planned{at, do})
	slices.SortStableFunc(v.plan, func(a, b planned) int { return cmp.Compare(a.at, b.at) })
}

// hear takes what the board said.
func (v *virtual) hear() {
	for {
		n, err := unix.Read(v.far, v.sinks[:])
		if err == unix.EAGAIN {
			return
		}
		if err != nil {
			panic(err)
		}
		for _, c := range v.sinks[:n] {
			if f, ok := v.heard.Push(c); ok {
				v.frames = append(v.frames, f)
			}
		}
	}
}

// every lets the host do something again and again.
func (v *virtual) every(from, period, until int64, do func()) {
	for at := from; at < until; at += period {
		v.at(at, do)
	}
}

// heardOf are the messages of one type so far.
func heardOf[T wire.Message](v *virtual) (found []T) {
	for _, f := range v.frames {
		m, err := wire.Parse(f)
		require.NoError(v.t, err)
		if m, ok := m.(T); ok {
			found = append(found, m)
		}
	}
	return found
}

// runUntil passes until a time.
func runUntil(t *testing.T, v *virtual, l *loop, end int64) {
	for v.now < end {
		if err := l.step(); err != nil {
			require.NoError(t, err)
		}
	}
}

const (
	ms = int64(time.Millisecond)
	us = int64(time.Microsecond)
)

// aimed is a program that fires the flash a time after the beam's rising edge, with a hold-off of 5 ms.
func aimed(delay int64, late int64) wire.Program {
	p := wire.Program{
		Clock: wire.Source{Input: 0}, Nth: 1, Gate: wire.Source{Input: wire.NoInput}, Late: uint32(late / 100), TableLen: 1,
		CueLen: 1, HoldOff: uint32(5 * ms / 100), Rest: uint32(30 * ms / 100),
	}
	p.Table[0].Delay = uint32(delay / 100)
	p.Cues[0] = wire.CueSpec{Output: 1, Width: uint32(ms / 100)}
	return p
}

// load is the messages that give a board a program and arm it.
func load(p wire.Program, shots uint16) []wire.Message {
	encoded := wire.AppendProgram(nil, &p)
	part := wire.LoadPart{N: uint8(len(encoded))}
	copy(part.Data[:], encoded)
	return []wire.Message{part, wire.Commit{Length: uint16(len(encoded)), CRC: wire.CRC(encoded)}, wire.Arm{Shots: shots}}
}

// ping keeps the link from timing out.
func (v *virtual) ping(from, until int64) {
	frame := wire.AppendFrame(nil, wire.Ping{}.Frame(2))
	v.every(from, 250*ms, until, func() { _, _ = unix.Write(v.far, frame); v.hear() })
}

// The flash of a shot goes on at its planned time: not before, and within the call that switches it.
func TestBoardMeetsTheMoment(t *testing.T) {
	v := newVirtual(t)
	l := v.loop()
	v.tell(v.now+ms, load(aimed(20*ms, ms), 40)...)
	v.ping(v.now+2*ms, v.now+4000*ms)
	v.storms = []storm{{input: 0, next: v.now + 50*ms, every: 50 * ms, until: v.now + 3900*ms}}
	runUntil(t, v, l, v.now+3950*ms)
	v.hear()
	cues := heardOf[wire.Cue](v)
	require.Len(t, cues, 39, "rising edges")
	for _, c := range cues {
		late := c.On.Sub(c.Planned)
		assert.GreaterOrEqual(t, late, int32(0), "never before its time")
		assert.LessOrEqual(t, late, int32((1500+2*v.read)/100)+1, "nothing comes between its time and the switching")
	}
	assert.Equal(t, []bool{true}, v.armed)
}

// A sleep that ends late makes one pulse late at most: the next sleep ends earlier by as much.
func TestBoardLeadFollowsTheMachine(t *testing.T) {
	v := newVirtual(t)
	l := v.loop()
	v.wake = [2]int64{300 * us, 500 * us}
	v.tell(v.now+ms, load(aimed(20*ms, 10*ms), 60)...)
	v.ping(v.now+2*ms, v.now+4000*ms)
	v.storms = []storm{{input: 0, next: v.now + 150*ms, every: 50 * ms, until: v.now + 3900*ms}}
	runUntil(t, v, l, v.now+3950*ms)
	v.hear()
	cues := heardOf[wire.Cue](v)
	require.Greater(t, len(cues), 30)
	late := 0
	for _, c := range cues {
		if c.On.Sub(c.Planned) > 50 {
			late++
		}
	}
	assert.Zero(t, late, "an armed board has seen late wake-ups before the first edge comes")
}

// Twice its lead after an edge the board meets every moment, as long as it wakes within its lead. Once is too soon.
func TestBoardLeadIsHonest(t *testing.T) {
	for leads, want := range map[int64]wire.Status{1: wire.Late, 2: wire.Done} {
		v := newVirtual(t)
		l := v.loop()
		v.wake = [2]int64{100 * us, 400 * us}
		v.tell(v.now+ms, load(aimed(leads*int64(minLead), ms), 40)...)
		v.ping(v.now+2*ms, v.now+4000*ms)
		v.storms = []storm{{input: 0, next: v.now + 150*ms, every: 50 * ms, until: v.now + 3900*ms}}
		runUntil(t, v, l, v.now+3950*ms)
		v.hear()
		shots := heardOf[wire.Shot](v)
		require.Greater(t, len(shots), 30)
		for _, s := range shots {
			require.Equal(t, want, s.Status, "%d leads", leads)
		}
		for _, c := range heardOf[wire.Cue](v) {
			assert.LessOrEqual(t, c.On.Sub(c.Planned), int32(30), "%d leads", leads)
		}
	}
}

// Spinning is paid for: one that goes on and on gets shorter.
func TestBoardSpinsWithinItsShare(t *testing.T) {
	v := newVirtual(t)
	l := v.loop()
	l.lead.Woke(time.Millisecond)
	require.Equal(t, time.Millisecond, l.lead.Ahead(v.now))
	for range 60 {
		require.NoError(t, l.spinUntil(v.Now()+wire.Tick(ms/100), v.Ns()))
	}
	assert.Less(t, l.lead.Ahead(v.now), 300*time.Microsecond)
}

// An edge or a word of the host that comes while the loop spins is not held up by the spin.
func TestBoardSeesWhileItSpins(t *testing.T) {
	v := newVirtual(t)
	l := v.loop()
	for range 20 { // a machine that wakes very late: the loop spins for a millisecond
		l.lead.Woke(time.Millisecond)
	}
	edge := v.now + 10*ms
	v.tell(v.now+ms, load(aimed(20*ms, ms), 1)...)
	v.storms = []storm{{input: 0, next: edge, every: time.Hour.Nanoseconds(), until: edge}}
	stop := edge + 20*ms - 300*us
	v.storms = append(v.storms, storm{input: 1, next: stop, every: time.Hour.Nanoseconds(), until: stop})
	runUntil(t, v, l, edge+19*ms)
	before := len(v.changes)
	runUntil(t, v, l, edge+30*ms)
	v.hear()
	require.Greater(t, len(v.changes), before)
	for _, c := range v.changes[before:] {
		assert.Zero(t, c.on, "stopped in time: no flash")
	}
	assert.Less(t, v.changes[before].at, stop+20*us, "at once")
	faults := heardOf[wire.Fault](v)
	require.Len(t, faults, 1)
	assert.Equal(t, wire.ReasonKill, faults[0].Reason)
}

// The kernel's stamp may be ahead of the board's clock by the clock's uncertainty: an edge is never of the future.
func TestBoardEdgeOfTheFuture(t *testing.T) {
	v := newVirtual(t)
	l := v.loop()
	v.hear()
	soon := v.now + 500*us
	v.queued.Events = append(v.queued.Events, gpiochip.Event{Input: 0, High: true, At: soon})
	v.at(v.now+ms, func() {})
	require.NoError(t, l.step())
	v.hear()
	edges := heardOf[wire.Edge](v)
	require.Len(t, edges, 1)
	assert.True(t, edges[0].At.Before(v.Tick(soon)))
	assert.False(t, v.Now().Before(edges[0].At))
}

// What is due without anything to switch is done no sooner than it is due either.
func TestBoardTellsInTime(t *testing.T) {
	v := newVirtual(t)
	l := v.loop()
	begin := v.now + 10*ms
	v.storms = []storm{{input: 0, next: begin, every: 10 * ms, until: begin + 10*ms}} // the fall is reported later
	v.at(begin+200*ms, func() {})
	edges := func() int { v.hear(); return len(heardOf[wire.Edge](v)) }
	for edges() < 1 {
		require.NoError(t, l.step())
	}
	due, ok := l.board.Next()
	require.True(t, ok)
	for edges() < 2 {
		require.NoError(t, l.step())
	}
	assert.GreaterOrEqual(t, v.now/100, int64(due))
}

// A disarmed board looks after itself: when it has disarmed, and now and again. A clock that drifted ends it.
func TestBoardHousekeeps(t *testing.T) {
	v := newVirtual(t)
	l := v.loop()
	v.tell(v.now+ms, load(aimed(20*ms, ms), 1)...)
	v.tell(v.now+100*ms, wire.Disarm{})
	v.at(v.now+200*ms, func() {})
	runUntil(t, v, l, v.now+200*ms)
	assert.Equal(t, []bool{true, false}, v.armed)
	later := v.now + 150*time.Second.Nanoseconds()
	v.at(later, func() {})
	runUntil(t, v, l, later)
	assert.Equal(t, []bool{true, false, false, false}, v.armed, "once a minute")

	v.drift = realtime.ErrDrift
	v.tell(v.now+ms, wire.Arm{Shots: 1})
	v.tell(v.now+50*ms, wire.Disarm{})
	var err error
	for err == nil {
		err = l.step()
	}
	assert.ErrorIs(t, err, realtime.ErrDrift)
	v.hear()
	faults := heardOf[wire.Fault](v)
	require.Len(t, faults, 1)
	assert.Equal(t, wire.Fault{Reason: wire.ReasonBoard, Detail: faultClock, At: faults[0].At}, faults[0])
}

// A host that goes while the board is armed leaves a process that rests.
func TestBoardDisarmsWithoutItsHost(t *testing.T) {
	v := newVirtual(t)
	l := v.loop()
	v.tell(v.now+ms, load(aimed(20*ms, ms), 1)...)
	v.at(v.now+100*ms, func() { require.NoError(t, unix.Shutdown(v.far, unix.SHUT_RDWR)) })
	require.NoError(t, l.run(t.Context()))
	assert.Equal(t, []bool{true, false}, v.armed)
	assert.Zero(t, v.on)
}

// gated is a program that wants two beams; both are inputs of testBoard only here.
func gated() wire.Program {
	p := aimed(20*ms, ms)
	p.Gate = wire.Source{Input: 1}
	p.GateMin, p.GateMax = uint32(10*ms/100), uint32(60*ms/100)
	p.TableLen = 2
	p.Table[0] = wire.Point{Interval: p.GateMin, Delay: p.Table[0].Delay}
	p.Table[1] = wire.Point{Interval: p.GateMax, Delay: p.Table[0].Delay}
	return p
}

// In a storm of 10 kHz for five seconds the board fires what it was armed for and never else, hears a disarm in time,
// and takes no memory.
func TestBoardInAStorm(t *testing.T) {
	for name, c := range map[string]struct {
		program wire.Program
		storms  []uint8 // inputs
		cost    int64   // of looking at the clock, ns: how fast the machine is
		fires   bool
	}{
		"on an input that means nothing":              {aimed(20*ms, ms), []uint8{2}, 200, false},
		"on the clock":                                {aimed(20*ms, ms), []uint8{0}, 200, true},
		"on the clock of a gate":                      {gated(), []uint8{0}, 200, false},
		"on the gate":                                 {gated(), []uint8{1}, 200, false},
		"on both beams":                               {gated(), []uint8{0, 1}, 200, false},
		"that the machine cannot keep up with":        {gated(), []uint8{0, 1, 2}, 120_000, false},
		"on the clock, faster than it is reported of": {aimed(20*ms, ms), []uint8{0}, 120_000, true},
	} {
		t.Run(name, func(t *testing.T) { storming(t, c.program, c.storms, c.cost, c.fires) })
	}
}

func storming(t *testing.T, p wire.Program, inputs []uint8, cost int64, fires bool) {
	const shots, seconds = 3, 5
	v := newVirtual(t)
	v.read = cost
	l := v.stormLoop()
	begin, end := v.now+10*ms, v.now+10*ms+seconds*1000*ms
	disarm := end - 200*ms
	v.tell(v.now+ms, load(p, shots)...)
	v.ping(v.now+2*ms, end+1000*ms)
	v.tell(disarm, wire.Disarm{})
	runUntil(t, v, l, begin)
	v.hear()
	require.Equal(t, wire.Armed, l.board.State().Code())
	for i, input := range inputs {
		v.storms = append(v.storms, storm{input: input, next: begin + int64(i)*17*us, every: 100 * us, until: end})
	}
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	runUntil(t, v, l, disarm-ms)
	slow := cost > 100_000
	if !fires && !slow { // a pass of a slow machine takes longer than to the disarm
		assert.Equal(t, wire.Armed, l.board.State().Code(), "still armed")
	}
	runUntil(t, v, l, disarm+int64(safeWithin))
	assert.Equal(t, wire.Safe, l.board.State().Code(), "disarmed within what the board promises, in the midst of it")
	runUntil(t, v, l, end+900*ms)
	runtime.ReadMemStats(&after)
	v.hear()
	assert.Less(t, after.Mallocs-before.Mallocs, uint64(200), "of 50000 edges; some are the test's own")
	assert.Equal(t, cap(gpiochip.NewBatch().Events), cap(l.batches[0].Events), "the batch has not grown")

	cues := heardOf[wire.Cue](v)
	switch {
	case fires && slow:
		assert.LessOrEqual(t, len(cues), shots, "what is seen too late is not fired")
	case fires:
		assert.Len(t, cues, shots, "as many as it was armed for, and no more")
	default:
		assert.Empty(t, cues)
	}
	v.checkPulses(cues)
	reported := uint32(0)
	for _, e := range heardOf[wire.Edge](v) {
		reported += uint32(e.Count)
	}
	lost := uint32(0)
	for _, e := range heardOf[wire.Lost](v) {
		lost += e.Count
	}
	came := uint32(0)
	for _, s := range v.storms {
		came += uint32(s.received)
	}
	assert.GreaterOrEqual(t, reported+lost, came, "each edge is reported or said to be lost")
	// After a loss the level is read, and if it is another than was known that is an edge too.
	assert.LessOrEqual(t, reported+lost, came+uint32(v.gaps*len(inputs)))
	assert.Equal(t, slow, lost > 0)
}

// checkPulses holds that the flash was on for each cue, at its time, and never else.
func (v *virtual) checkPulses(cues []wire.Cue) {
	pulses := 0
	for _, c := range v.changes {
		if c.on != 0 {
			require.Less(v.t, pulses, len(cues))
			assert.InDelta(v.t, 0, cues[pulses].On.Sub(v.Tick(c.at)), float64(2*v.read/100+1))
			assert.GreaterOrEqual(v.t, cues[pulses].On.Sub(cues[pulses].Planned), int32(0))
			pulses++
		}
	}
	assert.Equal(v.t, len(cues), pulses)
}

// stormLoop is a board with three inputs, none of them a kill switch.
func (v *virtual) stormLoop() *loop {
	b := testBoard()
	b.Inputs = append(b.Inputs[:1], wiring.Input{Name: "gate", Role: wiring.Gate}, wiring.Input{Name: "button",
		Role: wiring.Button})
	link, err := realtime.NewLink(v.link)
	require.NoError(v.t, err)
	state, err := trigger.New(triggerConfig(b, 0))
	require.NoError(v.t, err)
	l := assemble(state, v, v, v, v, link, 0)
	l.board.Start(l.clock.Now())
	return l
}
