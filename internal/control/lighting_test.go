package control

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/drawing"
	"stillwater/internal/lighting"
	"stillwater/internal/shot"
)

// What a phone gets of the light is what was judged, with the drawing that belongs to each step, and lists for null.
func TestLightingView(t *testing.T) {
	set := lighting.Practice(shot.DefaultSet())
	view := makeLighting(set)
	require.NotNil(t, view)
	report, err := lighting.Judge(set)
	require.NoError(t, err)
	drawings := map[string]bool{"": true}
	for _, d := range view.Drawings {
		drawings[d.Name] = true
		assert.Contains(t, d.SVG, "<svg ")
	}
	assert.Len(t, view.Drawings, len(drawing.Names()))
	require.Len(t, view.Steps, len(report.Steps))
	for i, s := range view.Steps {
		assert.Equal(t, report.Steps[i].Says, s.Says)
		assert.True(t, drawings[s.Drawing], s.Drawing)
		assert.NotNil(t, s.Seen)
		assert.NotNil(t, s.Fields)
		assert.NotNil(t, s.Fixes)
	}
	for _, m := range view.Marks {
		assert.Greater(t, len(m.Values), 8, m.Series)
	}
	set.Drop.Height = 0
	assert.Nil(t, makeLighting(set))
}

// What was seen at other settings has to be looked at again.
func TestSeenGoesStaleOnThePage(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		x.ready()
		put := func(field, value string) { x.must(me, Command{Type: "set", Field: field, Value: value}) }
		put("flash.seen", "95 %")
		put("background.seen", "80 %")
		put("camera.shutter", "1/60")
		assert.True(t, x.Snapshot().Set.Flash.Seen.Known)
		put("camera.aperture", "f/4")
		assert.Zero(t, x.Snapshot().Set.Flash.Seen)
		assert.Zero(t, x.Snapshot().Set.Background.Seen)
	})
}
