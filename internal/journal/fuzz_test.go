package journal

import (
	"encoding/json"
	"testing"

	"github.com/stretchr/testify/require"
)

// Each entry of a list is read or counted as lost, and what was read is written and read again as it was.
func FuzzReadCues(f *testing.F) {
	for _, seed := range []string{`[]`, `[{"name":"flash","planned_ns":0,"on_ns":1500,"off_ns":3}]`, `null`, `[null]`,
		`[{"name":5},{}]`, `[1e400]`, `{"name":"flash"}`, `[{"planned_ns":9223372036854775808}]`, `[{}`, `[{"NAME":"a"}]`,
		"[{\"name\":\"\xff\"}]"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		cues, lost := readCues(text)
		require.NotNil(t, cues)
		var list []any
		if err := json.Unmarshal([]byte(text), &list); lost < 0 {
			require.Empty(t, cues)
			require.True(t, err != nil || list == nil, "%q is a list", text)
			return
		}
		var raw []json.RawMessage
		require.NoError(t, json.Unmarshal([]byte(text), &raw))
		require.Len(t, raw, len(cues)+lost)
		objects := 0
		for _, one := range raw {
			if one[0] == '{' {
				objects++
			}
		}
		require.LessOrEqual(t, len(cues), objects, "a cue is an object")
		again, err := json.Marshal(cues)
		require.NoError(t, err)
		back, lost := readCues(string(again))
		require.Zero(t, lost)
		require.Equal(t, cues, back)
	})
}
