package control

import (
	"testing"

	"github.com/stretchr/testify/require"

	"stillwater/internal/care"
)

// Nothing is ticked but points of the two lists that the record names, and nothing at all if it cannot be read.
func FuzzReadTicks(f *testing.F) {
	ids := map[string]bool{}
	first := care.Checklist()[0].ID
	for _, caution := range care.Checklist() {
		ids[caution.ID] = true
	}
	evening := map[string]bool{}
	for _, point := range care.Evening() {
		evening[point.ID] = true
	}
	all, err := encodeJSON(storedTicks{Care: sorted(ids), Evening: sorted(evening)})
	require.NoError(f, err)
	for _, seed := range []string{all, `["` + first + `"]`, `["` + first + `",5]`, `["` + first + `","no such"]`, `[]`,
		`null`, `{}`, ``, `{"care":["towels"],"evening":["` + first + `"]}`, `{"latest":{"wall_ns":1e300}}`} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		stored, err := readTicks(text)
		if err != nil {
			require.Equal(t, storedTicks{}, stored)
			return
		}
		for _, id := range stored.Care {
			require.True(t, ids[id], id)
			require.Contains(t, text, id[:1])
		}
		for _, id := range stored.Evening {
			require.True(t, evening[id], id)
		}
		text, err = encodeJSON(stored)
		require.NoError(t, err)
		again, err := readTicks(text)
		require.NoError(t, err)
		require.Equal(t, stored, again)
	})
}
