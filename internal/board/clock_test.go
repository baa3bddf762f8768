package board

import (
	"math/big"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/wire"
)

// A board runs for days; the host hears its clock now and then, out of order at times, and asks about ticks near it.
func TestClockWidensAcrossWraps(t *testing.T) {
	for seed := range uint64(16) {
		rng := rand.New(rand.NewPCG(seed, 1))
		hz := []uint32{10_000_000, 2_000_000, 16_000_000, 999_983}[seed%4]
		c := clock{hz: hz}
		truth := int64(rng.Uint32()) // ticks since the board began to count
		start := truth
		end := start + 3*24*3600*int64(hz)
		c.hear(wire.Tick(truth))
		for truth < end {
			truth += rng.Int64N(1<<31 - 1)
			c.hear(wire.Tick(truth))
			c.hear(wire.Tick(truth - rng.Int64N(1_000_000)))
			back := truth - rng.Int64N(1<<31-1)
			require.Equal(t, exact(truth, hz), c.at(wire.Tick(truth)), "seed %d", seed)
			require.Equal(t, exact(back, hz), c.at(wire.Tick(back)), "seed %d, back", seed)
			ahead := truth + rng.Int64N(1<<31-1)
			require.Equal(t, exact(ahead, hz), c.at(wire.Tick(ahead)), "seed %d, ahead", seed)
			require.Equal(t, exact(truth, hz), c.now(), "seed %d, now", seed)
		}
		require.Greater(t, truth-start, int64(5)<<32, "seed %d: this run must wrap often", seed)
	}
}

func TestClockBeforeItHeardAnything(t *testing.T) {
	c := clock{hz: 1_000_000}
	assert.Equal(t, 5*time.Microsecond, c.at(5))
}

func TestTimeAndTicksRoundToNearest(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 7))
	for range 10_000 {
		hz := 1 + rng.Uint32N(20_000_000)
		d := time.Duration(rng.Int64N(int64(400 * time.Second)))
		n := timeToTicks(d, hz)
		back := exact(n, hz)
		half := time.Duration(int64(time.Second)/int64(hz)/2 + 1)
		require.InDelta(t, int64(d), int64(back), float64(half), "hz %d d %d", hz, d)
		require.Equal(t, -n, timeToTicks(-d, hz))
		require.Equal(t, back, ticksToTime(n, hz))
		require.Equal(t, -back, ticksToTime(-n, hz))
	}
}

// exact is n ticks in nanoseconds with unbounded arithmetic, half away from zero.
func exact(n int64, hz uint32) time.Duration {
	num := new(big.Int).Mul(big.NewInt(2*n), big.NewInt(int64(time.Second)))
	num.Add(num, big.NewInt(int64(hz)))
	return time.Duration(num.Div(num, big.NewInt(2*int64(hz))).Int64())
}
