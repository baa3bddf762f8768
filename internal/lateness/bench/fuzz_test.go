package bench

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/lateness"
)

// What is accepted adds up: as many samples as the tool says, in order, none after its latest.
func FuzzParseCyclictest(f *testing.F) {
	text, err := os.ReadFile(filepath.Join("testdata", "cyclictest-ns.json"))
	require.NoError(f, err)
	f.Add(text)
	for _, seed := range []string{
		`{"return_code":0,"thread":{"0":{"histogram":{"7":2},"cycles":5,"max":2000000}}}`,
		`{"thread":{"0":{"histogram":{"7":2,"07":1},"cycles":4,"max":8}}}`,
		`{"thread":{"0":{"histogram":{"-7":-2},"cycles":-2,"max":-7}}}`,
		`{"thread":{"0":{"histogram":{"1":9223372036854775807,"2":9223372036854775807},"cycles":1,"max":3}}}`,
	} {
		f.Add([]byte(seed))
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		counts, err := parseCyclictest(text)
		if err != nil {
			assert.True(t, strings.HasPrefix(err.Error(), "--peer: "), err)
			assert.Less(t, len(err.Error()), 400)
			return
		}
		var said struct {
			Thread map[string]struct {
				Cycles int
				Max    int64
			}
		}
		require.NoError(t, json.Unmarshal(text, &said))
		s := lateness.SummarizeCounts(counts)
		assert.Equal(t, said.Thread["0"].Cycles, s.Count)
		for i, c := range counts {
			require.Positive(t, c.N)
			require.GreaterOrEqual(t, int64(c.Value), int64(0))
			require.True(t, i == 0 || counts[i-1].Value < c.Value, "%v", counts)
		}
		assert.Equal(t, said.Thread["0"].Max, int64(s.Max))
		assert.True(t, s.P50 <= s.P90 && s.P90 <= s.P99 && s.P99 <= s.P999 && s.P999 <= s.Max, "%+v", s)
	})
}
