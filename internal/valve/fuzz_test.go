package valve

import (
	"errors"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// What is read is written so that it is read again, and has the limits; what is refused is named.
func FuzzParseWeighings(f *testing.F) {
	f.Fuzz(func(t *testing.T, text string) {
		table, err := ParseWeighings(text)
		if err != nil {
			wrong := new(WeighingError)
			require.True(t, errors.As(err, &wrong))
			assert.NotEmpty(t, wrong.Why)
			return
		}
		require.LessOrEqual(t, len(table), maxWeighings)
		for i, w := range table {
			require.True(t, w.Drops >= 1 && w.Drops <= maxDrops && w.Open > 0 && w.Open <= maxOpen && w.OneDrop() <= maxOneDrop)
			require.True(t, i == 0 || w.Open > table[i-1].Open && w.OneDrop() > table[i-1].OneDrop())
		}
		again, err := ParseWeighings(FormatWeighings(table))
		require.NoError(t, err)
		require.Len(t, again, len(table))
		for i, w := range again {
			require.InEpsilon(t, float64(table[i].Mass), float64(w.Mass), 1e-15)
			require.InEpsilon(t, float64(table[i].Open), float64(w.Open), 1e-15)
		}
	})
}
