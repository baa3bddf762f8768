package practice

import (
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/shot"
	"stillwater/internal/splash"
)

// Each frame shows in its state what its words say.
func TestFramesShowTheirPhases(t *testing.T) {
	frames, err := Frames(shot.DefaultSet(), 4, 0)
	require.NoError(t, err)
	byName := map[string]Picture{}
	for _, f := range frames {
		byName[f.Name] = f
	}
	require.Len(t, byName, 5)
	assert.Len(t, byName["drop"].Water.Balls, 1)
	assert.Contains(t, byName["drop"].Words, "above the surface")
	assert.NotNil(t, byName["crown-highest"].Water.Crown)
	assert.Contains(t, byName["crown-highest"].Words, "the crown at its highest")
	assert.NotNil(t, byName["crater-deepest"].Water.Crater)
	assert.NotNil(t, byName["column-highest"].Water.Column)
	assert.Contains(t, byName["column-highest"].Words, "the column at its highest")
}

func TestLateFramesSaySo(t *testing.T) {
	set := shot.DefaultSet()
	set.Kind = shot.Throw
	frames, err := Frames(set, 4, 10*time.Millisecond)
	require.NoError(t, err)
	require.Len(t, frames, 1)
	assert.Contains(t, frames[0].Words, "past the focus spot")
	assert.Greater(t, float64(frames[0].Water.Sheet.At.X), 0.02)
}

func TestTheLightOfASet(t *testing.T) {
	set := shot.DefaultSet()
	assert.True(t, Light(set, false).Shut)
	assert.False(t, Light(set, true).Shut)
	assert.Equal(t, set.OpenTime(), Light(set, true).Open)
	assert.Zero(t, Light(set, true).Tilt)
	set.Drop.Phase = splash.CrownHighest
	assert.Equal(t, 17.0, Light(set, true).Tilt)
}

func ExampleFrames() {
	frames, err := Frames(shot.DefaultSet(), 1, 0)
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, f := range frames {
		fmt.Println(f.Name)
	}
	// Output:
	// drop
	// crown-highest
	// crater-deepest
	// column-emerges
	// column-highest
}
