package contactsheet

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"stillwater/internal/look"
)

// A ruler that is read gives a scale that can be measured by; places are finite.
func FuzzRuler(f *testing.F) {
	for _, seed := range []string{"410,900,2410,900,20cm", "0,0,0,0,1m", "1e999,0,0,0,1m", "NaN,0,9,0,1m",
		"0,0,9000,0,-1 m", "0,0,9000,0", " 1 , 2 , 3000 , 4 , 5 mm"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		var r Ruler
		if r.UnmarshalText([]byte(text)) != nil {
			return
		}
		scale, err := look.ScaleOf(r.From, r.To, r.Apart)
		require.NoError(t, err)
		require.True(t, scale > 0 && !math.IsInf(float64(scale), 0), "%v", scale)
		var m Measure
		if m.SetSpot(text) == nil {
			require.True(t, math.Hypot(m.Spot.X, m.Spot.Y) < 1e6)
		}
	})
}

// A choice that is read is written so that it is read again.
func FuzzPick(f *testing.F) {
	for _, seed := range []string{"all", "keepers", "delays", "", "ALL", "all "} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		var p, again Pick
		if p.UnmarshalText([]byte(text)) != nil {
			return
		}
		written, err := p.MarshalText()
		require.NoError(t, err)
		require.NoError(t, again.UnmarshalText(written))
		require.Equal(t, p, again)
	})
}
