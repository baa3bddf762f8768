package clocksync

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// quartz is a simulated board's clock: its true count over host time, in ticks. It may wander.
type quartz struct {
	hz     float64 // announced
	ppm    float64 // that it is fast
	wander float64 // ppm a second
	count  float64 // at host
	host   time.Duration
}

// to lets time pass. The rate changes at the middle of the step.
func (q *quartz) to(host time.Duration) float64 {
	passed := (host - q.host).Seconds()
	q.ppm += q.wander * passed / 2
	q.count += passed * q.hz * (1 + q.ppm*1e-6)
	q.ppm += q.wander * passed / 2
	q.host = host
	return q.count
}

// line is a link with round trips that jitter: the fastest trip, usual queues, and now and then a long one, divided
// between the two ways by chance.
type link struct {
	random  *rand.Rand
	fastest time.Duration
}

func (l link) way() time.Duration {
	d := l.fastest + time.Duration(l.random.ExpFloat64()*float64(l.fastest)/4)
	if l.random.IntN(20) == 0 {
		d += time.Duration(l.random.Int64N(int64(40 * time.Millisecond)))
	}
	return d
}

// ask is one ping at a host time: when the answer came.
func (l link) ask(c *Clock, q *quartz, sent time.Duration) time.Duration {
	read := sent + l.way()
	tick := uint32(int64(math.Floor(q.to(read))))
	got := read + l.way()
	c.AddRoundTrip(tick, sent, got)
	return got
}

func TestARateIsLearnedWithinItsLimits(t *testing.T) {
	for seed := range uint64(40) {
		random := rand.New(rand.NewPCG(seed, 1))
		q := &quartz{hz: []float64{2e6, 1e7, 1e6}[seed%3], ppm: random.Float64()*10000 - 5000,
			count: float64(random.Uint32())}
		truth := q.ppm
		l := link{random, time.Duration(200+random.IntN(4000)) * time.Microsecond}
		c := New(uint32(q.hz))
		host := time.Duration(random.Int64N(int64(time.Hour)))
		q.host = host
		_, ok := c.Estimate(host)
		require.False(t, ok)
		begin := host
		for host < begin+90*time.Second {
			got := l.ask(c, q, host)
			host += 250 * time.Millisecond
			if got > host {
				host = got
			}
			e, ok := c.Estimate(host)
			if !ok {
				continue
			}
			require.LessOrEqual(t, e.LowPPM, truth+1e-3, "seed %d", seed)
			require.GreaterOrEqual(t, e.HighPPM, truth-1e-3, "seed %d", seed)
			require.GreaterOrEqual(t, e.PPM, e.LowPPM-1e-3, "seed %d", seed)
			require.LessOrEqual(t, e.PPM, e.HighPPM+1e-3, "seed %d", seed)

			later := host + time.Duration(random.Int64N(int64(time.Second)))
			count, within := c.Now(later)
			exact := *q
			require.InDelta(t, exact.to(later), float64(count), within+2, "seed %d", seed)
		}
		e, _ := c.Estimate(host)
		require.Zero(t, e.Restarts, "seed %d", seed)
		// Two of the fastest trips as far apart as can be limit the rate to their sum over that time.
		best := 4 * l.fastest.Seconds() / 85
		assert.Less(t, (e.HighPPM-e.LowPPM)*1e-6, 2.5*best, "seed %d: the limits close in", seed)
		assert.Less(t, math.Abs(e.PPM-truth)*1e-6, best, "seed %d", seed)
		assert.GreaterOrEqual(t, e.ShortestRoundTrip, 2*l.fastest, "seed %d", seed)
		assert.Less(t, e.Uncertainty, e.ShortestRoundTrip, "seed %d", seed)
	}
}

// A resonator that warms up changes its rate. The estimate follows it, and the limits never fail without a restart.
func TestAClockThatWandersIsFollowed(t *testing.T) {
	for seed := range uint64(12) {
		random := rand.New(rand.NewPCG(seed, 2))
		wander := []float64{0.2, 2, -5, 20}[seed%4] // ppm a second; 2 is a degree a second with a poor resonator
		q := &quartz{hz: 2e6, ppm: 1000, wander: wander, count: 4e9}
		l := link{random, 500 * time.Microsecond}
		c := New(2_000_000)
		followed := 0
		for host := time.Duration(0); host < 5*time.Minute; host += 250 * time.Millisecond {
			l.ask(c, q, host)
			if host < 10*time.Second {
				continue
			}
			e, ok := c.Estimate(host)
			if !ok {
				continue // just restarted
			}
			// The rate that is learned is that of the time of learning: it is behind by what the clock wandered since.
			behind := math.Abs(wander) * e.Span.Seconds()
			require.LessOrEqual(t, e.LowPPM-behind, q.ppm, "seed %d at %v, %+v", seed, host, e)
			require.GreaterOrEqual(t, e.HighPPM+behind, q.ppm, "seed %d at %v, %+v", seed, host, e)
			require.LessOrEqual(t, e.Span, (maxReadings+1)*(bucket+time.Second), "what is old is forgotten")
			if e.Span > 10*time.Second {
				followed++
				best := 4e6 * l.fastest.Seconds() / e.Span.Seconds()
				require.InDelta(t, q.ppm, e.PPM, behind+best, "seed %d at %v, %+v", seed, host, e)
			}
			count, _ := c.Now(host)
			exact := *q
			require.InDelta(t, exact.to(host), float64(count), 2e6*0.025, "seed %d at %v", seed, host)
		}
		require.Greater(t, followed, 100, "seed %d", seed)
	}
}

// Days of ticks with silences: short ones, and some of many hours, longer than any wrap.
func TestTicksAreWidenedForDays(t *testing.T) {
	for seed := range uint64(24) {
		random := rand.New(rand.NewPCG(seed, 3))
		hz := []float64{2e6, 1e7, 16e6, 999983}[seed%4]
		q := &quartz{hz: hz, ppm: random.Float64()*10000 - 5000, count: float64(random.Uint32())}
		l := link{random, time.Millisecond}
		c := New(uint32(hz))
		host := time.Duration(0)
		l.ask(c, q, host)
		first := q.count
		// With the rate known to a percent half a wrap is this long.
		longest := time.Duration(float64(uint64(1)<<31) / hz / 0.011 * float64(time.Second))
		for host < 10*24*time.Hour {
			switch random.IntN(4) {
			case 0:
				host += time.Duration(random.Int64N(int64(longest)))
			case 1:
				host += time.Duration(random.Int64N(int64(time.Hour)))
			default:
				host += time.Duration(random.Int64N(int64(10 * time.Second)))
			}
			l.ask(c, q, host)
			host += time.Second
			at := q.to(host)
			now := int64(math.Floor(at))
			c.AddTick(uint32(now), host)
			require.Equal(t, now, c.Widen(uint32(now)), "seed %d at %v", seed, host)
			old := now - random.Int64N(1<<31-1)
			require.Equal(t, old, c.Widen(uint32(old)), "seed %d at %v", seed, host)
			ahead := now + random.Int64N(1<<31-1)
			require.Equal(t, ahead, c.Widen(uint32(ahead)), "seed %d at %v", seed, host)
		}
		require.Greater(t, q.count-first, 100*float64(uint64(1)<<32)/(16e6/hz)/8, "seed %d: this run must wrap often", seed)
	}
}

// A slow clock is read to a tick, which is then more than the round trips: the limits must leave room for it.
func TestTicksAreWholeOnes(t *testing.T) {
	for seed := range uint64(40) {
		random := rand.New(rand.NewPCG(seed, 4))
		q := &quartz{hz: 1000, ppm: random.Float64()*10000 - 5000, count: random.Float64() * 1e6}
		truth := q.ppm
		l := link{random, 5 * time.Microsecond}
		c := New(1000)
		for host := time.Duration(0); host < time.Minute; host += time.Duration(random.Int64N(int64(time.Second))) {
			got := l.ask(c, q, host)
			host = max(host, got)
			if e, ok := c.Estimate(host); ok {
				require.LessOrEqual(t, e.LowPPM, truth+1e-3, "seed %d", seed)
				require.GreaterOrEqual(t, e.HighPPM, truth-1e-3, "seed %d", seed)
				require.Zero(t, e.Restarts, "seed %d", seed)
				count, within := c.Now(host)
				exact := *q
				require.InDelta(t, math.Floor(exact.to(host)), float64(count), math.Floor(within+1), "seed %d", seed)
			}
		}
	}
}

// Readings that come late, out of order with what the board said since, change nothing.
func TestWhatIsOldChangesNothing(t *testing.T) {
	c := New(2_000_000)
	c.AddTick(math.MaxUint32-99, time.Second)
	c.AddTick(100, time.Second+100*time.Microsecond)
	assert.Equal(t, int64(math.MaxUint32)+101, c.Widen(100))
	c.AddTick(math.MaxUint32-50, time.Second+110*time.Microsecond)
	assert.Equal(t, int64(math.MaxUint32)+101, c.Widen(100))
	assert.Equal(t, int64(math.MaxUint32)-50, c.Widen(math.MaxUint32-50))
	assert.Equal(t, int64(math.MaxUint32)+101+1<<31-1, c.Widen(100+1<<31-1), "as far ahead of the newest as can be")
}

// A machine that slept, or a board that counts from another number, is learned anew instead of believed.
func TestAJumpStartsLearningAgain(t *testing.T) {
	for _, jump := range []float64{-3e9, -1e6, -50_000, 50_000, 1e6, 1e9} {
		random := rand.New(rand.NewPCG(5, 5))
		q := &quartz{hz: 2e6, ppm: 1234, count: 5e9}
		l := link{random, time.Millisecond}
		c := New(2_000_000)
		host := time.Duration(0)
		for ; host < 20*time.Second; host += 250 * time.Millisecond {
			l.ask(c, q, host)
		}
		q.count += jump
		for ; host < 30*time.Second; host += 250 * time.Millisecond {
			l.ask(c, q, host)
		}
		e, ok := c.Estimate(host)
		require.True(t, ok)
		assert.Equal(t, 1, e.Restarts, "jump %v", jump)
		assert.Less(t, e.Span, 11*time.Second)
		assert.InDelta(t, q.ppm, e.PPM, 1000, "jump %v", jump)
		now := uint32(int64(q.to(host)))
		count, within := c.Now(host)
		assert.InDelta(t, 0, float64(int32(uint32(count)-now)), within+2, "jump %v", jump)
		assert.InDelta(t, count, c.Widen(now), within+2, "jump %v: later ticks count on from there", jump)
	}
}

func TestBeforeAnythingWasHeard(t *testing.T) {
	c := New(2_000_000)
	assert.Equal(t, int64(7), c.Widen(7))
	count, within := c.Now(time.Hour)
	assert.Zero(t, count)
	assert.True(t, math.IsInf(within, 1))
}

func BenchmarkReading(b *testing.B) {
	q := &quartz{hz: 2e6}
	l := link{rand.New(rand.NewPCG(1, 1)), time.Millisecond}
	c := New(2_000_000)
	host := time.Duration(0)
	for b.Loop() {
		host += 250 * time.Millisecond
		l.ask(c, q, host)
	}
}
