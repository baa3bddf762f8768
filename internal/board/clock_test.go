package board

import (
	"math/big"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

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
