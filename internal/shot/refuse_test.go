package shot

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Two things that stand in the way are said one after the other, and following the words leads out.
func TestTwoProblemsAtOnce(t *testing.T) {
	s := DefaultSet()
	s.Kind, s.Sound.After, s.Light.Shutter, s.Light.OpenFor = Sound, 5*ms, ByGo, 10*ms
	s.Sound.Distance = 30
	_, _, err := Compile(s, testBench())
	r := new(Refusal)
	require.ErrorAs(t, err, &r)
	assert.Empty(t, r.Fixes, "no single change is enough")
	assert.Equal(t, "move the microphone nearer by at least 28.491 m, to 1.509 m from the sound; then more needs to "+
		"change: the shutter would be held for 10.0 ms from Go, but opening it and the longest delay take 91.6 ms", r.Remedy)
	s.Sound.Distance = 1.509
	_, _, err = Compile(s, testBench())
	require.ErrorAs(t, err, &r)
	require.NotEmpty(t, r.Fixes)
	require.NoError(t, s.Put(r.Fixes[0].Field, r.Fixes[0].Value))
	_, _, err = Compile(s, testBench())
	assert.NoError(t, err)
}
