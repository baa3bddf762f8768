package trigger

import (
	"math/bits"
	"testing"

	"github.com/stretchr/testify/require"

	"stillwater/internal/wire"
)

// The board of these tests: ticks of a microsecond, so that numbers read as what they are.
const (
	tickHz = 1_000_000
	lead   = 100
	within = 50 // SafeWithin

	gateIn, clockIn, killIn, soundIn = 0, 1, 2, 3
	flash, shutter, valve            = 0, 1, 2
)

func name(s string) (n wire.Name) {
	copy(n[:], s)
	return n
}

func testConfig() Config {
	c := Config{
		BootID: 7, TickHz: tickHz, Lead: lead, EdgeLead: 2 * lead, GateLead: 3 * lead,
		SafeWithin: within, Firmware: name("test"), InputLen: 4, OutputLen: 3,
	}
	c.Inputs = [wire.MaxPins]Input{
		gateIn: {Kind: wire.InputBeam, Name: name("gate")}, clockIn: {Kind: wire.InputBeam, Name: name("beam")},
		killIn: {Kind: wire.InputKill, Name: name("kill"), ActiveHigh: true}, soundIn: {Kind: wire.InputMicrophone},
	}
	c.Outputs = [wire.MaxPins]Output{
		flash:   {Kind: wire.OutputFlash, MaxOn: 5_000},
		shutter: {Kind: wire.OutputShutter, MaxOn: 2_000_000},
		valve:   {Kind: wire.OutputValve, MaxOn: 100_000},
	}
	return c
}

// fixed fires the flash 20 ms after the clock input rises.
func fixed() wire.Program {
	p := wire.Program{
		Clock: wire.Source{Input: clockIn}, Nth: 1, Gate: wire.Source{Input: wire.NoInput},
		HoldOff: 2_000, Late: 200, Rest: 30_000, TableLen: 1, CueLen: 1,
	}
	p.Table[0].Delay = 20_000
	p.Cues[0] = wire.CueSpec{Output: flash, Width: 1_000}
	return p
}

// gated fires shutter and flash after a gate interval of 5 to 40 ms.
func gated() wire.Program {
	p := fixed()
	p.Gate = wire.Source{Input: gateIn}
	p.GateMin, p.GateMax = 5_000, 40_000
	p.TableLen = 3
	p.Table = [wire.MaxTable]wire.Point{{Interval: 4_000, Delay: 20_000}, {Interval: 10_000, Delay: 50_000},
		{Interval: 40_000, Delay: 35_001}}
	p.CueLen = 2
	p.Cues = [wire.MaxCues]wire.CueSpec{{Output: shutter, Offset: -15_000, Width: 30_000}, {Output: flash, Width: 1_000}}
	return p
}

// windowed drips twice at Go, and nothing else is open; the second drop breaks the beam 200 to 240 ms after Go.
func windowed() wire.Program {
	p := fixed()
	p.Nth, p.HoldOff = 2, 50_000
	p.GateMin, p.GateMax = 200_000, 240_000
	p.OpenLen = 2
	p.Opening = [wire.MaxCues]wire.CueSpec{{Output: valve, Width: 20_000}, {Output: valve, Offset: 100_000, Width: 20_000}}
	return p
}

// opened opens the shutter and drips twice at Go; the second edge fires the flash.
func opened() wire.Program {
	p := fixed()
	p.Nth = 2
	p.OpenLen = 3
	p.Opening = [wire.MaxCues]wire.CueSpec{{Output: shutter, Width: 300_000},
		{Output: valve, Offset: 1_000, Width: 20_000}, {Output: valve, Offset: 50_000, Width: 20_000}}
	return p
}

// byGo fires 20 ms after Go, without any input.
func byGo() wire.Program {
	p := fixed()
	p.Clock.Input = wire.NoInput
	return p
}

// sent is a message and when it was sent.
type sent struct {
	at wire.Tick
	m  wire.Message
}

// world is a board whose pins and link are this test: it carries out what Step asks for, and holds every step to what
// must be true of all of them.
type world struct {
	t        testing.TB
	s        State
	now      wire.Tick
	takes    wire.Tick // how long a drive takes
	noDriven bool      // never report EventDriven
	log      []sent
	unread   int
	outputs  uint8 // as driven
	buf      []Action
	trace    []Action // everything that was ever asked for
	watch    watch
}

func newWorld(t testing.TB, cfg Config, start wire.Tick) *world {
	s, err := New(cfg)
	require.NoError(t, err)
	w := &world{t: t, s: s, now: start, buf: make([]Action, 0, MaxActions)}
	w.watch.init()
	w.step(Event{Kind: EventStart})
	return w
}

// armed is a board armed with p.
func armed(t testing.TB, p wire.Program, shots uint16) *world {
	w := newWorld(t, testConfig(), 1_000)
	w.load(p)
	w.send(wire.Arm{Shots: shots})
	require.Equal(t, wire.Armed, w.s.Code())
	w.drain()
	return w
}

// step gives the board one event now, carries out what it asks for and whatever follows at once.
func (w *world) step(e Event) {
	w.t.Helper()
	for more := true; more; {
		e.Now = w.now
		before := w.s
		w.s, w.buf = Step(w.s, e, w.buf[:0])
		w.trace = append(w.trace, w.buf...)
		w.watch.check(w, &before, &e)
		more = false
		for _, a := range w.buf {
			switch a.Kind {
			case ActionDrive:
				w.outputs = w.outputs&^a.Mask | a.Levels
				w.now += w.takes
				e = Event{Kind: EventDriven, At: w.now, Mask: a.Mask, Levels: a.Levels}
				more = !w.noDriven
			case ActionSend:
				m, err := wire.Parse(a.Frame)
				require.NoError(w.t, err, "the board sent something that is not allowed")
				w.log = append(w.log, sent{w.now, m})
			}
		}
	}
}

// send gives the board a message from the host.
func (w *world) send(m wire.Message) {
	w.t.Helper()
	w.step(Event{Kind: EventReceived, Frame: m.Frame(uint8(len(w.log)))})
}

// load loads and commits p.
func (w *world) load(p wire.Program) {
	w.t.Helper()
	encoded := wire.AppendProgram(nil, &p)
	w.loadBytes(encoded, wire.CRC(encoded))
}

func (w *world) loadBytes(encoded []byte, crc uint16) {
	w.t.Helper()
	for at := 0; at < len(encoded); at += wire.MaxPart {
		part := wire.LoadPart{Offset: uint16(at)}
		part.N = uint8(copy(part.Data[:], encoded[at:]))
		w.send(part)
	}
	w.send(wire.Commit{Length: uint16(len(encoded)), CRC: crc})
}

// edge gives the board an edge that happened just now.
func (w *world) edge(input uint8, high bool) {
	w.t.Helper()
	w.step(Event{Kind: EventEdge, At: w.now, Input: input, High: high})
}

// rise gives the board an edge up.
func (w *world) rise(input uint8) {
	w.t.Helper()
	w.edge(input, true)
}

// pass lets d ticks pass with every wake kept and a ping each quarter second.
func (w *world) pass(d wire.Tick) {
	w.t.Helper()
	end := w.now + d
	ping := w.now
	for {
		if !w.now.Before(ping) {
			w.send(wire.Ping{})
			ping = w.now + tickHz/4
		}
		next := end
		if ping.Before(next) {
			next = ping
		}
		if at, ok := w.s.Wake(); ok && at.Before(next) {
			next = at
		}
		if w.now.Before(next) {
			w.now = next
		}
		w.step(Event{Kind: EventWake})
		w.settle()
		if !w.now.Before(end) {
			return
		}
	}
}

// silence lets d ticks pass with every wake kept and nothing from the host.
func (w *world) silence(d wire.Tick) {
	w.t.Helper()
	for end := w.now + d; ; {
		at, ok := w.s.Wake()
		if !ok || !at.Before(end) {
			if w.now.Before(end) {
				w.now = end
			}
			w.step(Event{Kind: EventWake})
			return
		}
		if w.now.Before(at) {
			w.now = at
		}
		w.step(Event{Kind: EventWake})
	}
}

// recordDriven wakes the board until it wants to sleep, which must be soon.
func (w *world) settle() {
	w.t.Helper()
	for range 64 {
		at, ok := w.s.Wake()
		if !ok || w.now.Before(at) {
			return
		}
		w.step(Event{Kind: EventWake})
	}
	w.t.Fatalf("wakes without end at %d: %+v", w.now, w.s.code)
}

// drain forgets what was sent so far.
func (w *world) drain() { w.unread = len(w.log) }

// messages are the messages of one type sent since drain.
func messages[M wire.Message](w *world) []M {
	var found []M
	for _, s := range w.log[w.unread:] {
		if m, ok := s.m.(M); ok {
			found = append(found, m)
		}
	}
	return found
}

// one is the only message of a type since drain.
func one[M wire.Message](w *world) M {
	w.t.Helper()
	found := messages[M](w)
	require.Len(w.t, found, 1)
	return found[0]
}

// refusal is the reason and detail of the only refusal since drain.
func (w *world) refusal() (wire.Reason, uint32) {
	w.t.Helper()
	r := one[wire.Refused](w)
	return r.Reason, r.Detail
}

// watch holds what must be true at every step, whatever happens.
type watch struct {
	armedFor int // shots still allowed
	seq      uint8
	onSince  [wire.MaxPins]wire.Tick
	cues     map[uint16][]wire.Cue
	lastShot uint16
	reportAt map[[2]uint8]wire.Tick
	edgesIn  [wire.MaxPins]int
	edgesOut [wire.MaxPins]int
	shots    int
	accepted int
	disarmed bool // since the last Arm or Pulse
	program  wire.Program
}

func (c *watch) init() {
	c.cues = map[uint16][]wire.Cue{}
	c.reportAt = map[[2]uint8]wire.Tick{}
	c.disarmed = true
}

// check looks at one step: w.s after, before, and what it asked for.
func (c *watch) check(w *world, before *State, e *Event) {
	w.t.Helper()
	require.Less(w.t, len(w.buf), MaxActions)
	if e.Kind == EventEdge && e.Input < before.cfg.InputLen {
		c.edgesIn[e.Input]++
	}
	if e.Kind == EventReceived {
		c.received(w, e)
	}
	shots := 0
	for i, a := range w.buf {
		if a.Kind == ActionDrive {
			require.Zero(w.t, i, "Drive is not the first action")
			c.driven(w, e, a)
			continue
		}
		require.Equal(w.t, c.seq, a.Frame.Seq, "frames are numbered one by one")
		c.seq++
		m, err := wire.Parse(a.Frame)
		require.NoError(w.t, err)
		switch m := m.(type) {
		case wire.Cue:
			c.cue(w, m)
		case wire.Shot:
			shots++
			c.shot(w, m)
		case wire.Edge:
			c.edgesOut[m.Input] += int(m.Count)
			c.report(w, a.Frame.Type, m.Input)
		case wire.Rejected:
			if m.Input != wire.NoInput {
				c.report(w, a.Frame.Type, m.Input)
			}
		case wire.Lost:
			c.report(w, a.Frame.Type, m.Input)
		}
	}
	c.state(w, before, shots)
}

func (c *watch) received(w *world, e *Event) {
	if m, err := wire.ParseArm(e.Frame); err == nil && w.s.code == wire.Armed && !c.armed(w) {
		c.armedFor, c.disarmed, c.program = int(m.Shots), false, w.s.program
	}
	if _, err := wire.ParsePulse(e.Frame); err == nil && w.s.testing {
		c.disarmed = false
	}
	if _, err := wire.ParseDisarm(e.Frame); err == nil {
		require.Zero(w.t, w.s.outputs, "outputs on after disarm")
		require.Contains(w.t, []wire.StateCode{wire.Safe, wire.Faulted}, w.s.code)
	}
}

// armed reports whether an arming is still running as far as this watch knows.
func (c *watch) armed(w *world) bool { return c.armedFor > 0 && !c.disarmed }

func (c *watch) driven(w *world, e *Event, a Action) {
	require.NotZero(w.t, a.Mask)
	require.Zero(w.t, a.Mask&^w.s.allOutputs, "drives an output that is not there")
	require.Zero(w.t, a.Levels&^a.Mask)
	require.Equal(w.t, w.s.outputs&a.Mask, a.Levels)
	if c.disarmed || e.Kind == EventReceived && e.Frame.Type == wire.TypeDisarm && e.Frame.N == 0 {
		require.Zero(w.t, a.Levels, "drives an output on although disarmed")
	}
	for m := a.Levels; m != 0; m &= m - 1 {
		o := bits.TrailingZeros8(m)
		require.Zero(w.t, w.outputs&(1<<o), "output %d is on already", o)
		c.onSince[o] = w.now
	}
}

func (c *watch) cue(w *world, m wire.Cue) {
	require.False(w.t, m.Off.Before(m.On), "%+v", m)
	require.False(w.t, m.On.Before(m.Planned), "never early: %+v", m)
	if m.Shot != 0 {
		require.LessOrEqual(w.t, m.On.Sub(m.Planned), int32(c.program.Late)+60, "late in silence: %+v", m)
		c.cues[m.Shot] = append(c.cues[m.Shot], m)
	}
}

// shot checks a shot's report against its cues, and that there are no more shots than armed for.
func (c *watch) shot(w *world, m wire.Shot) {
	c.shots++
	c.armedFor--
	require.GreaterOrEqual(w.t, c.armedFor, 0, "more shots than armed for")
	require.NotEqual(w.t, c.lastShot, m.Number)
	c.lastShot = m.Number
	cues := c.cues[m.Number]
	delete(c.cues, m.Number)
	require.Len(w.t, cues, int(m.Cues))
	for _, cue := range cues {
		if cue.Opening {
			continue
		}
		spec := c.program.Cues[cue.Index]
		require.Equal(w.t, spec.Output, cue.Output)
		require.Equal(w.t, m.ClockAt+wire.Tick(m.Delay)+wire.Tick(spec.Offset), cue.Planned)
		if m.Status == wire.Done {
			require.GreaterOrEqual(w.t, cue.Off.Sub(cue.On), int32(spec.Width), "cut short")
		}
	}
	if m.Status == wire.Done {
		require.GreaterOrEqual(w.t, len(cues), int(c.program.CueLen))
	}
}

// report checks that one kind of report of one input keeps its distance.
func (c *watch) report(w *world, kind wire.Type, input uint8) {
	key := [2]uint8{uint8(kind), input}
	if at, ok := c.reportAt[key]; ok {
		require.GreaterOrEqual(w.t, uint32(w.now-at), uint32(tickHz/reportsPerSecond), "%s of input %d", kind, input)
	}
	c.reportAt[key] = w.now
}

// state checks what must be true of the state after any step.
func (c *watch) state(w *world, before *State, shots int) {
	s := &w.s
	underWay := before.code == wire.Firing
	if s.code == wire.Firing && (!underWay || s.shot.number != before.shot.number) {
		c.accepted++
	}
	if underWay && s.code != wire.Firing {
		require.Equal(w.t, 1, shots, "a shot under way ends in one Shot")
	} else if underWay {
		require.Zero(w.t, shots)
	} else {
		require.LessOrEqual(w.t, shots, 1)
		c.accepted += shots // accepted and given up in one step
	}
	if s.code == wire.Firing {
		require.Equal(w.t, c.accepted, c.shots+1)
	} else {
		require.Equal(w.t, c.accepted, c.shots)
	}
	if s.code == wire.Faulted || s.code == wire.Safe && !s.testing {
		require.Zero(w.t, s.outputs, "an output is on in %s", s.code)
	}
	if s.code == wire.Resting {
		require.Zero(w.t, s.outputs, "an output is on while resting")
	}
	// An output was on for its limit at most, but for the time since the board was last asked.
	for o := range s.cfg.OutputLen {
		if w.outputs&s.outputs&(1<<o) != 0 {
			require.Less(w.t, w.now.Sub(c.onSince[o]), int32(s.cfg.Outputs[o].MaxOn)+int32(w.takes), "output %d", o)
		}
	}
	for i := range s.cfg.InputLen {
		held := int(min(s.reports[i].edge.pending, 0xFFFF))
		require.Equal(w.t, c.edgesIn[i], c.edgesOut[i]+held, "edges of input %d", i)
	}
	if !s.armed() && !s.testing {
		c.disarmed, c.armedFor = true, 0
	}
	require.EqualValues(w.t, c.armedFor, s.left)
}
