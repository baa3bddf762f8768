package rehearsal

import (
	"testing"

	"github.com/stretchr/testify/require"
)

// A sweep that is read has at least one try and few enough of them, each with a trim within its ends.
func FuzzParseSweep(f *testing.F) {
	for _, seed := range []string{"-20ms,20ms,5ms,4", "0 ms,0 ms,1 ms,1", "-9e9s,9e9s,1s,1", "1ms,2ms,1ns,1", "a,b,c,d",
		"-20ms,20ms,5ms", "0s,1s,1ms,999999999999999999999"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		s, err := ParseSweep(text)
		if err != nil {
			return
		}
		trims, err := s.Trims(nil)
		require.NoError(t, err)
		require.NotEmpty(t, trims)
		require.LessOrEqual(t, len(trims), 999)
		for _, trim := range trims {
			require.True(t, s.From <= trim && trim <= s.To, "%v in %v to %v", trim, s.From, s.To)
		}
	})
}
