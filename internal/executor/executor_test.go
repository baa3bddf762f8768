package executor_test

import (
	"errors"
	"io"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/executor"
	"stillwater/internal/trigger"
	"stillwater/internal/wire"
)

var errStuck = errors.New("stuck")

// bench is a board whose pins and link can be made to fail.
type bench struct {
	t      *testing.T
	exec   *executor.Executor
	now    wire.Tick
	takes  wire.Tick
	levels uint8
	drives int
	fails  func(mask, levels uint8) bool
	frames []wire.Frame
	noRoom bool
	broken bool // the link
	reads  wire.Decoder
}

func newBench(t *testing.T) *bench {
	b := &bench{t: t, now: 1000, levels: 0xFF}
	v := virtual{t: t, manner: manner{tickHz: 1_000_000}}
	state, err := trigger.New(v.config())
	require.NoError(t, err)
	b.exec = executor.New(state, b, b)
	return b
}

func (b *bench) Drive(mask, levels uint8) (wire.Tick, error) {
	b.drives++
	if b.fails != nil && b.fails(mask, levels) {
		return 0, errStuck
	}
	b.levels = b.levels&^mask | levels
	return b.now + b.takes, nil
}

func (b *bench) Write(p []byte) (int, error) {
	if b.broken {
		return 0, io.ErrClosedPipe
	}
	if b.noRoom {
		return len(p) - 1, nil
	}
	whole := 0
	for _, c := range p {
		if f, ok := b.reads.Push(c); ok {
			b.frames = append(b.frames, f)
			whole++
		}
	}
	assert.Equal(b.t, 1, whole, "one frame in one Write")
	return len(p), nil
}

func (b *bench) send(m wire.Message) { b.exec.Bytes(b.now, wire.AppendFrame(nil, m.Frame(1))) }

// types are the types of the frames since the last call.
func (b *bench) types() []wire.Type {
	var types []wire.Type
	for _, f := range b.frames {
		types = append(types, f.Type)
	}
	b.frames = nil
	return types
}

// arm makes the board ready to fire the flash 20 ms after the clock.
func (b *bench) arm(shots uint16) {
	p := wire.Program{
		Clock: wire.Source{Input: clockIn}, Nth: 1, Gate: wire.Source{Input: wire.NoInput}, Late: 100, TableLen: 1,
		CueLen: 1,
	}
	p.Table[0].Delay = 20_000
	p.Cues[0] = wire.CueSpec{Output: flash, Width: 1_000}
	encoded := wire.AppendProgram(nil, &p)
	part := wire.LoadPart{N: uint8(len(encoded))}
	copy(part.Data[:], encoded)
	b.send(part)
	b.send(wire.Commit{Length: uint16(len(encoded)), CRC: wire.CRC(encoded)})
	b.send(wire.Arm{Shots: shots})
	require.Equal(b.t, wire.Armed, b.exec.State().Code())
	b.types()
}

func TestStartDrivesOffFirst(t *testing.T) {
	b := newBench(t)
	b.exec.Start(b.now)
	assert.EqualValues(t, 0xFF&^7, b.levels, "every output of the board, and no other pin")
	assert.Equal(t, []wire.Type{wire.TypeIdentity, wire.TypeState}, b.types())
	_, wakes := b.exec.Next()
	assert.False(t, wakes)
}

func TestBytesInAnyPieces(t *testing.T) {
	b := newBench(t)
	b.exec.Start(b.now)
	b.types()
	stream := wire.AppendFrame(nil, wire.Ping{Token: 1}.Frame(1))
	stream = append(stream, 1, 2, 3, 0)
	stream = wire.AppendFrame(stream, wire.Ping{Token: 2}.Frame(2))
	b.exec.Bytes(b.now, stream)
	for _, c := range stream {
		b.exec.Bytes(b.now, []byte{c})
	}
	assert.Equal(t, slices.Repeat([]wire.Type{wire.TypePong}, 4), b.types())
}

// What driving took counts for what was read in the same piece: time does not go back.
func TestBytesAfterADrive(t *testing.T) {
	b := newBench(t)
	b.exec.Start(b.now)
	b.takes = 50
	b.types()
	stream := wire.AppendFrame(nil, wire.Pulse{Output: flash, Width: 1_000}.Frame(1))
	b.exec.Bytes(b.now, wire.AppendFrame(stream, wire.Ping{Token: 1}.Frame(2)))
	pong, err := wire.ParsePong(b.frames[len(b.frames)-1])
	require.NoError(t, err)
	assert.Equal(t, b.now+50, pong.Now)
}

func TestActualTimes(t *testing.T) {
	b := newBench(t)
	b.exec.Start(b.now)
	b.arm(1)
	b.takes = 7
	b.exec.Edge(b.now+30, clockIn, true, b.now)
	b.now += 20_003
	b.exec.Wake(b.now)
	assert.EqualValues(t, 1<<flash, b.levels&7)
	at, ok := b.exec.Next()
	require.True(t, ok)
	assert.Equal(t, b.now+7+1_000, at, "the width counts from when the pin changed")
	b.now = at + 5
	b.types()
	b.exec.Wake(b.now)
	require.NotEmpty(t, b.frames)
	cue, err := wire.ParseCue(b.frames[0])
	require.NoError(t, err)
	assert.Equal(t, wire.Cue{Shot: 1, Planned: 21_000, On: 21_010, Off: b.now + 7}, cue)
}

func TestLinkThatFailsIsCounted(t *testing.T) {
	b := newBench(t)
	b.exec.Start(b.now)
	b.arm(1)
	b.noRoom = true
	b.exec.Edge(b.now, clockIn, true, b.now)
	b.noRoom, b.broken = false, true
	b.now += 20_000
	b.exec.Wake(b.now)
	assert.EqualValues(t, 1<<flash, b.levels&7, "the pins do not mind")
	b.now += 1_000
	b.exec.Wake(b.now)
	assert.Zero(t, b.levels&7)
}

func TestDriveThatFailsIsAFault(t *testing.T) {
	b := newBench(t)
	b.exec.Start(b.now)
	b.arm(2)
	b.exec.Edge(b.now, clockIn, true, b.now)
	b.types()
	b.fails = func(_, levels uint8) bool { return levels != 0 }
	b.now += 20_000
	b.exec.Wake(b.now)
	assert.Equal(t, wire.Faulted, b.exec.State().Code())
	assert.Zero(t, b.levels&7)
	require.Equal(t, []wire.Type{wire.TypeCue, wire.TypeShot, wire.TypeFault, wire.TypeState}, typesOf(b.frames))
	fault, err := wire.ParseFault(b.frames[2])
	require.NoError(t, err)
	assert.Equal(t, wire.Fault{Reason: wire.ReasonBoard, Detail: executor.FaultDrive, At: b.now}, fault)
	b.now += 50_000 // the window of the edge's report is over
	b.exec.Wake(b.now)
	_, wakes := b.exec.Next()
	assert.False(t, wakes, "the outputs are off, nothing to do")
}

func typesOf(frames []wire.Frame) []wire.Type { return (&bench{frames: frames}).types() }

func TestOutputsThatStayOnAreTriedAgain(t *testing.T) {
	b := newBench(t)
	b.exec.Start(b.now)
	b.arm(1)
	b.exec.Edge(b.now, clockIn, true, b.now)
	b.now += 20_000
	b.exec.Wake(b.now)
	require.EqualValues(t, 1<<flash, b.levels&7)
	b.fails = func(_, levels uint8) bool { return levels == 0 }
	b.now += 1_000
	b.exec.Wake(b.now)
	assert.Equal(t, wire.Faulted, b.exec.State().Code())
	for range 10 {
		at, ok := b.exec.Next()
		require.True(t, ok)
		assert.Equal(t, b.now+1_000, at, "a millisecond later")
		tries := b.drives
		b.exec.Wake(b.now + 1)
		assert.Equal(t, tries, b.drives, "not before")
		b.now = at
		b.exec.Wake(b.now)
		assert.Equal(t, tries+1, b.drives)
		require.NotZero(t, b.levels&7)
	}
	b.send(wire.Disarm{})
	assert.Equal(t, wire.Faulted, b.exec.State().Code(), "disarming does not clear a fault that is still there")
	b.fails = nil
	b.now += 1_000
	b.exec.Wake(b.now)
	assert.Zero(t, b.levels&7)
	b.now += 50_000 // the window of the edge's report is over
	b.exec.Wake(b.now)
	_, wakes := b.exec.Next()
	assert.False(t, wakes)
	b.send(wire.Disarm{})
	assert.Equal(t, wire.Safe, b.exec.State().Code())
}

func TestSafe(t *testing.T) {
	b := newBench(t)
	b.exec.Start(b.now)
	b.arm(1)
	b.exec.Edge(b.now, clockIn, true, b.now)
	b.now += 20_000
	b.exec.Wake(b.now)
	b.types()
	require.NoError(t, b.exec.Safe(b.now))
	assert.Zero(t, b.levels&7)
	assert.Equal(t, wire.Faulted, b.exec.State().Code())
	types := b.types()
	assert.Contains(t, types, wire.TypeShot)
	assert.Contains(t, types, wire.TypeFault)

	b = newBench(t)
	b.exec.Start(b.now)
	b.frames = nil
	b.fails = func(_, _ uint8) bool {
		assert.Empty(t, b.frames, "off first, then words")
		return false
	}
	require.NoError(t, b.exec.Safe(b.now))

	b = newBench(t)
	b.fails = func(_, _ uint8) bool { return true }
	b.exec.Start(b.now)
	assert.Equal(t, wire.Faulted, b.exec.State().Code(), "it cannot drive its outputs: in fault from the start")
	err := b.exec.Safe(b.now)
	assert.ErrorIs(t, err, errStuck)
	assert.ErrorContains(t, err, "cut their supply")
}

func TestFaultAndLost(t *testing.T) {
	b := newBench(t)
	b.exec.Start(b.now)
	b.arm(1)
	b.exec.Lost(b.now, clockIn, 3, b.now)
	assert.Equal(t, []wire.Type{wire.TypeLost}, b.types())
	b.exec.Fault(b.now, executor.FaultOwn)
	require.Equal(t, []wire.Type{wire.TypeFault, wire.TypeState}, typesOf(b.frames))
	state, err := wire.ParseState(b.frames[1])
	require.NoError(t, err)
	assert.Equal(t, wire.ReasonBoard, state.Reason)
}

// silentPins and a link to nowhere, for counting allocations.
type silentPins struct{ now wire.Tick }

func (p *silentPins) Drive(_, _ uint8) (wire.Tick, error) { return p.now, nil }

func TestAllocatesNothing(t *testing.T) {
	b := newBench(t)
	b.exec.Start(b.now)
	pins := &silentPins{}
	v := virtual{t: t, manner: manner{tickHz: 1_000_000}}
	state, err := trigger.New(v.config())
	require.NoError(t, err)
	exec := executor.New(state, pins, io.Discard)
	exec.Start(0)
	p := wire.Program{Clock: wire.Source{Input: clockIn}, Nth: 1, Gate: wire.Source{Input: wire.NoInput}, Late: 1_000,
		TableLen: 1, CueLen: 1}
	p.Table[0].Delay = 20_000
	p.Cues[0] = wire.CueSpec{Output: flash, Width: 1_000}
	encoded := wire.AppendProgram(nil, &p)
	part := wire.LoadPart{N: uint8(len(encoded))}
	copy(part.Data[:], encoded)
	setup := wire.AppendFrame(nil, part.Frame(1))
	setup = wire.AppendFrame(setup, wire.Commit{Length: uint16(len(encoded)), CRC: wire.CRC(encoded)}.Frame(2))
	setup = wire.AppendFrame(setup, wire.Arm{Shots: 3}.Frame(3))
	ping := wire.AppendFrame([]byte{7, 7, 7, 0}, wire.Ping{}.Frame(4))
	disarm := wire.AppendFrame(nil, wire.Disarm{}.Frame(5))
	fired := 0
	allocs := testing.AllocsPerRun(20, func() {
		exec.Bytes(pins.now, setup)
		exec.Edge(pins.now, clockIn, true, pins.now)
		for range 60 {
			pins.now += 500
			exec.Bytes(pins.now, ping)
			if at, ok := exec.Next(); ok && !pins.now.Before(at) {
				exec.Wake(pins.now)
			}
			fired += int(exec.State().Outputs())
		}
		exec.Lost(pins.now, clockIn, 1, pins.now)
		exec.Bytes(pins.now, disarm)
		exec.Fault(pins.now, 99)
		exec.Bytes(pins.now, disarm)
	})
	assert.Zero(t, allocs)
	assert.NotZero(t, fired, "it was at work")
}
