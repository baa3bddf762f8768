package shot

import (
	"encoding/json"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// A stored set takes the place of another field by field; what cannot be taken over is named and stays as it was.
func TestAdopt(t *testing.T) {
	bench, old := farSet(), farSet()
	old.Kind, old.Throw.Angle, old.Trim.Throw, old.Drop.Nth = Throw, -5*degree, 16*ms, 3
	stored, err := json.Marshal(old)
	require.NoError(t, err)
	old, err = ParseSet(string(stored))
	require.NoError(t, err)
	a, err := bench.Adopt(string(stored))
	require.NoError(t, err)
	assert.Equal(t, old, a.Set)
	assert.Equal(t, []Change{{"kind", "drop", "throw"}, {"drop.nth", "1", "3"}, {"throw.angle", "20°", "-5°"},
		{"trim.throw", "0 s", "16 ms"}}, a.Changes)
	assert.Empty(t, append(a.Unknown, a.Missing...))
	assert.Empty(t, a.Refused)

	odd := strings.NewReplacer(`"nth":3`, `"nth":0`, `"kind":"throw"`, `"kind":"cannon"`, `"angle":"-5°"`, `"angle":null`,
		`"gate":"10 cm"`, `"gate":"10 parsecs"`, `"mass":`, `"massive":`).Replace(string(stored))
	a, err = bench.Adopt(odd)
	require.NoError(t, err)
	var refused []string
	for _, r := range a.Refused {
		refused = append(refused, r.Field)
		assert.NotEmpty(t, r.Why)
		assert.NotEmpty(t, r.Remedy)
	}
	assert.Equal(t, []string{"drop.nth", "kind", "throw.angle", "throw.gate"}, refused)
	assert.Equal(t, []string{"throw.massive"}, a.Unknown)
	assert.Equal(t, []string{"throw.mass"}, a.Missing)
	assert.Equal(t, []Change{{"trim.throw", "0 s", "16 ms"}}, a.Changes)
	assert.NoError(t, a.Set.checkFields())

	// Blur was once stored as a number, of which 0 was that nobody had looked.
	looked := bench
	require.NoError(t, looked.Put("flash.smear", "3"))
	for value, want := range map[string]string{"0": "unknown", "7": "7 pixels"} {
		a, err := looked.Adopt(strings.Replace(string(stored), `"smear":"unknown"`, `"smear":`+value, 1))
		require.NoError(t, err)
		assert.Contains(t, a.Changes, Change{"flash.smear", "3 pixels", want})
	}

	for _, none := range []string{"", "odd", "[]", "{}", `{"lens":"long"}`, "null"} {
		_, err := bench.Adopt(none)
		assert.Error(t, err, none)
	}
}

func TestKindUsesFields(t *testing.T) {
	for field, want := range map[string]bool{"kind": true, "light.lag": true, "throw.gate": true, "trim.throw": true,
		"trim.drop": false, "drop.nth": false, "trim": false} {
		assert.Equal(t, want, Throw.Uses(field), field)
	}
}

// Why a value is refused is short, however long the value is: with its beginning, and with what is wrong with it.
func TestLongValuesAreRefusedInAFewWords(t *testing.T) {
	long := strings.Repeat("drop ", 20000)
	s := farSet()
	refused := new(FieldError)
	for _, v := range s.Values() {
		require.ErrorAs(t, s.Put(v.Field, long), &refused, v.Field)
		assert.Less(t, len(refused.Why), 400, v.Field)
	}
	require.ErrorAs(t, s.Put("drops.weighed", long), &refused)
	assert.Regexp(t, `^"drop drop .* \.\.\. .*it is not a number of drops`, refused.Why)
	stored, err := json.Marshal(map[string]any{"drops": map[string]any{"weighed": strings.Fields(long)}})
	require.NoError(t, err)
	a, err := s.Adopt(string(stored))
	require.NoError(t, err)
	require.Len(t, a.Refused, 1)
	assert.Less(t, len(a.Refused[0].Why), 400)
}
