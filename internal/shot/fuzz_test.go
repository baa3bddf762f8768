package shot

import (
	"encoding/json"
	"errors"
	"testing"

	"github.com/stretchr/testify/require"
)

// A set that is accepted has only values that Put takes, is kept as the same, and compiles or is refused in words.
func FuzzParseSet(f *testing.F) {
	whole, err := json.Marshal(DefaultSet())
	require.NoError(f, err)
	f.Add(string(whole))
	for _, seed := range []string{`{}`, `null`, `[]`, `{"kind":"throw"}`, `{"kind":"rain"}`,
		`{"drop":{"height":"1e300 m"}}`,
		`{"drop":{"nth":1e2}}`, `{"light":{"lag":null}}`, `{"KIND":"sound","sound":{"distance":"99.99999999999999 m"}}`,
		`{"trim":{"drop":"-2 s","throw":"NaN s"}}`, `{"kind":"drop"}{}`} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		set, err := ParseSet(text)
		if err != nil {
			require.Equal(t, DefaultSet(), set)
			require.NotEmpty(t, err.Error())
			return
		}
		for _, x := range set.fields() {
			require.Empty(t, x.check(), x.name)
		}
		kept, err := json.Marshal(set)
		require.NoError(t, err)
		back, err := ParseSet(string(kept))
		require.NoError(t, err, "%s", kept)
		again, err := json.Marshal(back)
		require.NoError(t, err)
		require.Equal(t, string(kept), string(again))
		if _, _, err := Compile(set, testBench()); err != nil {
			var refusal *Refusal
			var field *FieldError
			require.True(t, errors.As(err, &refusal) || errors.As(err, &field), "%v", err)
		}
	})
}
