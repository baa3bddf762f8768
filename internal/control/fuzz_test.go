package control

import (
	"maps"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"

	"stillwater/internal/care"
)

// Nothing is ticked but points of the checklist that the record names, and nothing at all if it cannot be read.
func FuzzReadCare(f *testing.F) {
	var ids []string
	for _, caution := range care.Checklist() {
		ids = append(ids, caution.ID)
	}
	all, err := encodeJSON(ids)
	require.NoError(f, err)
	for _, seed := range []string{all, `["` + ids[0] + `",5]`, `["` + ids[0] + `","no such"]`, `[]`, `null`,
		`{}`, ``} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		ticked, err := readCare(text)
		require.NotNil(t, ticked, "more can be ticked")
		if err != nil {
			require.Empty(t, ticked)
			return
		}
		for id, is := range ticked {
			require.True(t, is)
			require.Contains(t, ids, id)
			require.Contains(t, text, id[:1])
		}
		text, err = encodeJSON(slices.Sorted(maps.Keys(ticked)))
		require.NoError(t, err)
		again, err := readCare(text)
		require.NoError(t, err)
		require.Equal(t, ticked, again)
	})
}
