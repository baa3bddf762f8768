package gpioboard

import (
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"net"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/config"
	"stillwater/internal/realtime"
	"stillwater/internal/service"
	"stillwater/internal/service/servicetest"
	"stillwater/internal/trigger"
	"stillwater/internal/wire"
	"stillwater/internal/wiring"
)

// guardRelease is when the hardware's guard cuts the outputs off: so long after the last change of the wave.
const guardRelease = 200 * ms

// waveLine is the heartbeat's line in virtual time.
type waveLine struct {
	v       *virtual
	cost    int64 // of a change, ns
	changes []int64
	broken  error
}

func (w *waveLine) Set(mask, levels uint8) error {
	if w.broken != nil {
		return w.broken
	}
	require.Equal(w.v.t, uint8(1), mask)
	require.Equal(w.v.t, uint8(len(w.changes)+1)&1, levels, "each change is one, and the first is up from low")
	w.changes = append(w.changes, w.v.now)
	w.v.now += w.cost
	return nil
}

func (w *waveLine) Fds() []int   { return nil }
func (w *waveLine) Close() error { return nil }

// longestHalf is the longest time between two changes from a time on.
func (w *waveLine) longestHalf(from int64) (longest int64) {
	last := int64(0)
	for _, at := range w.changes {
		if last >= from && last != 0 {
			longest = max(longest, at-last)
		}
		last = at
	}
	return longest
}

func beating(v *virtual, l *loop) *waveLine {
	w := &waveLine{v: v, cost: 5 * us}
	l.heartbeat = newHeartbeat(w, &service.Manager{})
	return w
}

// crowded is a program with as many cues as there can be, so close that the loop spins from one to the next.
func crowded(r *rand.Rand, spread int64) wire.Program {
	p := aimed(20*ms, ms)
	p.CueLen = wire.MaxCues
	at := int64(0)
	for i := range p.CueLen {
		at += 150*us + r.Int64N(spread)
		p.Cues[i] = wire.CueSpec{Output: i, Offset: int32(at / 100), Width: uint32((60*us + r.Int64N(80*us)) / 100)}
	}
	return p
}

// crowdedLoop is a board for it, with inputs that are no kill switch.
func (v *virtual) crowdedLoop() *loop {
	b := testBoard()
	b.Inputs = append(b.Inputs[:1], wiring.Input{Name: "gate", Role: wiring.Gate}, wiring.Input{Name: "button",
		Role: wiring.Button})
	b.Outputs = nil
	for i := range wire.MaxCues {
		b.Outputs = append(b.Outputs, wiring.Output{Name: fmt.Sprint(i), Kind: wire.OutputLamp, LongestOn: time.Second})
	}
	link, err := realtime.NewLink(v.link)
	require.NoError(v.t, err)
	state, err := trigger.New(triggerConfig(b, 0))
	require.NoError(v.t, err)
	l := assemble(state, v, v, v, v, link, 0)
	l.board.Start(l.clock.Now())
	return l
}

// loadInParts is load for a program of any length.
func loadInParts(p wire.Program, shots uint16) (list []wire.Message) {
	encoded := wire.AppendProgram(nil, &p)
	for at := 0; at < len(encoded); at += wire.MaxPart {
		part := wire.LoadPart{Offset: uint16(at)}
		part.N = uint8(copy(part.Data[:], encoded[at:]))
		list = append(list, part)
	}
	return append(list, wire.Commit{Length: uint16(len(encoded)), CRC: wire.CRC(encoded)}, wire.Arm{Shots: shots})
}

// With cues as dense as a program can have, woken late, and with edges that mean nothing pouring in, the wave is never
// in the way of a cue, is never faster than 50 Hz, and never slow enough for the guard to notice.
func TestWaveKeepsClearOfCues(t *testing.T) {
	var worst, worstStorm int64
	for seed := range uint64(12) {
		r := rand.New(rand.NewPCG(seed, 9))
		v := newVirtual(t)
		v.random = r
		v.wake = [2]int64{5 * us, 30*us + r.Int64N(100*us)}
		l := v.crowdedLoop()
		w := beating(v, l)
		begin := v.now
		v.tell(begin+ms, loadInParts(crowded(r, []int64{40 * us, 300 * us, 20 * ms}[seed%3]), 40)...)
		v.ping(begin+2*ms, begin+3000*ms)
		v.storms = []storm{{input: 0, next: begin + 150*ms, every: 25*ms + r.Int64N(5*ms), until: begin + 1500*ms}}
		runUntil(t, v, l, begin+1600*ms)
		worst = max(worst, w.longestHalf(0))
		v.hear()
		cues := heardOf[wire.Cue](v)
		require.Greater(t, len(cues), 60, "seed %d", seed)
		for _, c := range cues {
			late := c.On.Sub(c.Planned)
			require.LessOrEqual(t, late, int32((1500+2*v.read)/100)+1, "seed %d: a cue is late", seed)
			require.GreaterOrEqual(t, late, int32(0), "seed %d", seed)
			for _, at := range w.changes {
				before := c.Planned.Sub(v.Tick(at))
				require.False(t, before >= 0 && before < 1990,
					"seed %d: the wave changes %d ticks before a cue", seed, before)
			}
		}
		for i := 1; i < len(w.changes); i++ {
			require.GreaterOrEqual(t, w.changes[i]-w.changes[i-1], 10*ms-us, "seed %d: faster than 50 Hz", seed)
		}
		calm := len(w.changes)
		v.storms = []storm{{input: 2, next: v.now, every: 100 * us, until: v.now + 1200*ms}}
		v.read = 10_000 // a machine that can just keep up
		from := v.now
		runUntil(t, v, l, from+1000*ms)
		worstStorm = max(worstStorm, w.longestHalf(from))
		require.Greater(t, len(w.changes), calm+30, "seed %d: it goes on in a storm", seed)
	}
	t.Logf("longest half of the wave: %d ticks among crowded cues, %d in a storm (virtual)", worst/100, worstStorm/100)
	assert.Less(t, worst, 20*ms, "a tenth of what the guard waits")
	assert.Less(t, worstStorm, guardRelease/2)
}

// While the outputs are uncertain there is no wave; once they are known to be off there is.
func TestWaveStopsWhileOutputsAreUncertain(t *testing.T) {
	v := newVirtual(t)
	out := &fickle{virtual: v}
	link, err := realtime.NewLink(v.link)
	require.NoError(t, err)
	state, err := trigger.New(triggerConfig(testBoard(), 0))
	require.NoError(t, err)
	l := assemble(state, v, v, v, out, link, 0)
	w := beating(v, l)
	out.broken = true
	l.board.Start(l.clock.Now())
	runUntil(t, v, l, v.now+500*ms)
	assert.Empty(t, w.changes, "not before the outputs were driven off")
	out.broken = false
	runUntil(t, v, l, v.now+500*ms)
	require.Greater(t, len(w.changes), 45)

	v.tell(v.now+ms, wire.Disarm{}) // clears the fault
	v.tell(v.now+50*ms, wire.Pulse{Output: 0, Width: uint32(100 * ms / 100)})
	v.at(v.now+100*ms, func() { out.broken = true })
	runUntil(t, v, l, v.now+140*ms)
	require.NotZero(t, v.on, "the output is on")
	runUntil(t, v, l, v.now+400*ms)
	require.NotZero(t, v.on, "and cannot be switched off")
	require.NotEmpty(t, w.changes)
	since := v.now - w.changes[len(w.changes)-1]
	assert.Greater(t, since, guardRelease, "so the guard does it")
	before := len(w.changes)
	out.broken = false
	runUntil(t, v, l, v.now+100*ms)
	assert.Zero(t, v.on)
	assert.Greater(t, len(w.changes), before, "it is known to be off")
}

// fickle is outputs that sometimes cannot be set.
type fickle struct {
	*virtual
	broken bool
}

func (f *fickle) Set(mask, levels uint8) error {
	if f.broken {
		return errors.New("broken on purpose")
	}
	return f.virtual.Set(mask, levels)
}

// A wave that paused, because the machine was too busy, is said once the board has disarmed: the guard may have cut off
// what was to fire. One that the board stopped itself is not.
func TestWaveThatPaused(t *testing.T) {
	var log strings.Builder
	before := slog.Default()
	slog.SetDefault(slog.New(slog.NewTextHandler(&log, nil)))
	defer slog.SetDefault(before)
	v := newVirtual(t)
	out := &fickle{virtual: v}
	link, err := realtime.NewLink(v.link)
	require.NoError(t, err)
	state, err := trigger.New(triggerConfig(testBoard(), 0))
	require.NoError(t, err)
	l := assemble(state, v, v, v, out, link, 0)
	l.board.Start(l.clock.Now())
	beating(v, l)
	session := func(wake int64, broken bool) string {
		log.Reset()
		begin := v.now
		v.tell(begin+ms, load(aimed(20*ms, ms), 1)...)
		v.ping(begin+2*ms, begin+900*ms)
		runUntil(t, v, l, begin+300*ms)
		v.wake, out.broken = [2]int64{wake, wake + 1}, broken
		if broken {
			v.tell(v.now+ms, wire.Pulse{})
			v.tell(v.now+2*ms, wire.Disarm{})
		}
		runUntil(t, v, l, begin+500*ms)
		v.wake, out.broken = [2]int64{10 * us, 60 * us}, false
		v.tell(v.now+ms, wire.Disarm{})
		runUntil(t, v, l, v.now+100*ms)
		return log.String()
	}
	assert.Empty(t, session(5*ms, false), "a half of 15 ms is none too long")
	said := session(25*ms, false)
	assert.Contains(t, said, "the heartbeat paused, and the guard it feeds may have cut the outputs off")
	assert.Regexp(t, `times=[5-7] longest=35(\.[0-9]+)?ms`, said)
	assert.Empty(t, session(5*ms, false), "it is said once")
	assert.NotContains(t, session(10*us, true), "paused")
	assert.Empty(t, session(10*us, false), "nor is it when there is time the next time")
}

// A fault that leaves the outputs certain does not stop the wave: kill switch, a silent host, a pulse too long.
func TestWaveGoesOnInOtherFaults(t *testing.T) {
	v := newVirtual(t)
	l := v.loop()
	w := beating(v, l)
	v.tell(v.now+ms, load(aimed(20*ms, ms), 1)...) // and then nothing: after a second the link times out
	runUntil(t, v, l, v.now+1500*ms)
	v.hear()
	faults := heardOf[wire.Fault](v)
	require.Len(t, faults, 1)
	require.Equal(t, wire.ReasonLinkTimeout, faults[0].Reason)
	kill := v.now + 20*ms
	v.storms = []storm{{input: 1, next: kill, every: time.Hour.Nanoseconds(), until: kill}}
	runUntil(t, v, l, v.now+500*ms)
	v.hear()
	require.Equal(t, wire.ReasonKill, heardOf[wire.Fault](v)[1].Reason)
	assert.Less(t, w.longestHalf(0), 11*ms)
	assert.Less(t, v.now-w.changes[len(w.changes)-1], 11*ms)
}

// A line that cannot be driven ends the board: with a guard and no wave nothing would fire, and nobody would know why.
func TestWaveThatCannotBeMade(t *testing.T) {
	v := newVirtual(t)
	l := v.loop()
	w := beating(v, l)
	w.broken = errors.New("no line on purpose")
	err := l.step()
	assert.ErrorIs(t, err, w.broken)
	assert.ErrorContains(t, err, "heartbeat: ")
	v.hear()
	faults := heardOf[wire.Fault](v)
	require.Len(t, faults, 1)
	assert.Equal(t, uint32(faultHeartbeat), faults[0].Detail)
}

// The ticker alone, at random times around the wrap of the ticks: never sooner than every, never within clearOfCues
// before a cue, and always by the first look that may have it.
func TestTickerProperty(t *testing.T) {
	const clear = 2000
	for seed := range uint64(200) {
		r := rand.New(rand.NewPCG(seed, 10))
		every := uint32(1 + r.IntN(300_000))
		h := ticker{interval: every}
		now := wire.Tick(r.Uint32())
		cue, cued := now, false
		var last wire.Tick
		done := 0
		for range 500 {
			now += wire.Tick(r.IntN(3000))
			if cued && !now.Before(cue) && r.IntN(2) == 0 {
				cued = false
			}
			if !cued && r.IntN(3) == 0 {
				cue, cued = now+wire.Tick(r.IntN(20_000)), true
			}
			free := !cued || cue.Sub(now) >= clear
			enough := done == 0 || now.Sub(last) >= int32(every)
			got := h.due(now, cue, cued)
			require.False(t, got && !free, "seed %d: in the way of a cue", seed)
			require.False(t, got && !enough, "seed %d: too soon", seed)
			if !got && free && enough {
				require.True(t, now.Before(h.at), "seed %d: not done and nobody is told when", seed)
				require.LessOrEqual(t, h.at.Sub(now), int32(20_000), "seed %d: put off beyond the cue", seed)
			}
			if got {
				last = now
				done++
			}
		}
		require.Positive(t, done, "seed %d", seed)
	}
}

// signs counts the signs of life that wait to be read.
func signs(t *testing.T, conn *net.UnixConn) int {
	t.Helper()
	waiting := servicetest.Waiting(t, conn)
	for _, message := range waiting {
		require.Equal(t, "WATCHDOG=1", message)
	}
	return len(waiting)
}

// The service manager gets its signs of life from the loop, three in the time it waits for one.
func TestSignsOfLife(t *testing.T) {
	v := newVirtual(t)
	l := v.loop()
	manager, conn := servicetest.Manager(t, 3*time.Second)
	l.heartbeat = newHeartbeat(nil, manager)
	begin, heard := v.now, 0
	for range 30 {
		runUntil(t, v, l, v.now+1000*ms)
		heard += signs(t, conn)
	}
	assert.InDelta(t, (v.now-begin)/(1000*ms), heard, 2)
}

// A service manager that is too busy to listen is notified again soon, and not at each pass.
func TestSignsOfLifeToABusyManager(t *testing.T) {
	v := newVirtual(t)
	l := v.loop()
	manager, conn := servicetest.Manager(t, 3*time.Second)
	l.heartbeat = newHeartbeat(nil, manager)
	full := 0
	for manager.Alive() == nil {
		full++
	}
	sleeps := v.sleeps
	runUntil(t, v, l, v.now+10_000*ms)
	assert.InDelta(t, 100, v.sleeps-sleeps, 10, "ten times a second")
	assert.Equal(t, full, signs(t, conn))
	runUntil(t, v, l, v.now+200*ms)
	assert.Equal(t, 1, signs(t, conn))
}

func TestHeartbeatAllocatesNothing(t *testing.T) {
	manager, _ := servicetest.Manager(t, 30*time.Millisecond)
	var now wire.Tick
	h := newHeartbeat(&deadLine{}, manager)
	assert.Zero(t, testing.AllocsPerRun(500, func() {
		now += 30_000
		_, _, _ = h.tick(now, now+10_000, true, true)
	}))
}

// deadLine is a line that goes nullLines.
type deadLine struct{ nullLines }

// Without a heartbeat in the configuration and without a service manager the loop is left to sleep.
func TestNoHeartbeat(t *testing.T) {
	h := newHeartbeat(nil, &service.Manager{})
	_, ok, err := h.tick(5, 0, false, true)
	assert.False(t, ok)
	assert.NoError(t, err)
	assert.Nil(t, config.Default().Board.Heartbeat)
}
