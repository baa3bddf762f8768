package wire

import (
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Ticks less than half a wrap apart compare as the times they stand for, wherever the wrap falls.
func TestTicksCompareAcrossTheWrap(t *testing.T) {
	assert.True(t, Tick(1<<32-1).Before(0))
	assert.False(t, Tick(0).Before(1<<32-1))
	assert.EqualValues(t, 1, Tick(0).Sub(1<<32-1))
	assert.False(t, Tick(7).Before(7))
	assert.Equal(t, Tick(1<<32-2), Tick(3).Add(-5))
	assert.EqualValues(t, 1<<31-1, Tick(1<<31-1).Sub(0))
	const seed = 3
	t.Logf("seed %d", seed)
	r := rand.New(rand.NewPCG(seed, 0))
	for range 100_000 {
		from, apart := r.Uint32(), int32(r.Uint32())
		if apart == -1<<31 { // half a wrap: neither is earlier
			continue
		}
		a := Tick(from)
		b := a.Add(apart)
		require.Equal(t, apart, b.Sub(a))
		require.Equal(t, apart < 0, b.Before(a))
		require.Equal(t, apart > 0, a.Before(b))
	}
}
