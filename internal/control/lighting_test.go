package control

import (
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/drawing"
	"stillwater/internal/lighting"
	"stillwater/internal/optics"
	"stillwater/internal/shot"
)

// What a phone gets of the light is what was judged, with the drawing that belongs to each step, and lists for null.
func TestLightingView(t *testing.T) {
	set := lighting.Practice(shot.DefaultSet())
	view, judged := makeLighting(set, nil)
	assert.Len(t, judged, 7)
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
	view, _ = makeLighting(set, nil)
	assert.Nil(t, view)
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

// What was seen with one kind of shot is not there with another, and is again with the first; a new session forgets it.
func TestSeenIsOfItsKind(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		x.ready()
		put := func(field, value string) { x.must(me, Command{Type: "set", Field: field, Value: value}) }
		put("kind", "throw")
		put("flash.smear", "5")
		put("flash.figures", "1/1 1/300 s, 1/16 1/4000 s")
		assert.True(t, x.Snapshot().Set.Flash.Smear.Known, "what becomes known of the unit changes no light")
		put("kind", "drop")
		assert.False(t, x.Snapshot().Set.Flash.Smear.Known)
		put("kind", "throw")
		assert.Equal(t, optics.Known(optics.Pixels(5)), x.Snapshot().Set.Flash.Smear)
		put("kind", "drop")
		put("flash.power", "1/64")
		put("kind", "throw")
		assert.False(t, x.Snapshot().Set.Flash.Smear.Known, "at another power")
		put("flash.smear", "7")
		put("kind", "drop")
		x.must(me, Command{Type: "session", Name: "another"})
		put("kind", "throw")
		assert.False(t, x.Snapshot().Set.Flash.Smear.Known, "in another session")
	})
}

// The last step follows the ticks, which another kind and another place of the lens take back.
func TestLastStepFollowsTicks(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		x.ready()
		put := func(field, value string) { x.must(me, Command{Type: "set", Field: field, Value: value}) }
		last := func() LightStep { return x.Snapshot().Lighting.Steps[6] }
		ticked := func() (is bool) {
			for _, point := range x.Snapshot().Evening {
				is = is || point.ID == "focus" && point.Ticked
			}
			return is
		}
		for field, value := range map[string]string{"room.ev": "-6 EV", "background.seen": "80 %", "flash.reading": "f/16",
			"flash.duration": "1 ms", "camera.field_seen": "14 cm"} {
			put(field, value)
		}
		require.Equal(t, "unknown", last().Verdict)
		require.Contains(t, last().Says, "Not ticked yet: 5")
		x.must(me, Command{Type: "evening", ID: "focus", Ticked: true})
		assert.Equal(t, "works", last().Verdict, last().Says)
		assert.Equal(t, "Then light, focus and framing are ready.", last().Says)
		x.must(me, Command{Type: "evening", ID: "away", Ticked: true})
		assert.Equal(t, "Light, focus and framing are ready.", last().Says)
		put("camera.distance", "52 cm") // of 50 cm, the usual one
		assert.False(t, ticked(), "the lens was moved")
		assert.Equal(t, "unknown", last().Verdict, last().Says)
		x.must(me, Command{Type: "evening", ID: "focus", Ticked: true})
		put("camera.distance", "70 cm")
		assert.False(t, ticked(), "the lens was moved")
		x.must(me, Command{Type: "evening", ID: "focus", Ticked: true})
		put("kind", "throw")
		assert.False(t, ticked())
	})
}

// A refusal that names no way out has that of its step.
func TestRefusalHasItsStepsFix(t *testing.T) {
	set := shot.DefaultSet()
	require.NoError(t, set.Put("camera.distance", "12 cm"))
	bench := testBench()
	p := makePlan(set, &bench)
	require.NotNil(t, p.refusal)
	assert.Equal(t, "camera.distance", p.refusal.Field)
	assert.NotContains(t, p.refusal.Remedy, "camera.")
	require.Len(t, p.refusal.Fixes, 1)
	require.NoError(t, set.Put(p.refusal.Fixes[0].Field, p.refusal.Fixes[0].Value))
	assert.Nil(t, makePlan(set, &bench).refusal)
}

// What a step offers for the shutter held open compiles: a room that is too bright is to be darkened instead.
func TestOfferedOpeningCompiles(t *testing.T) {
	bench := testBench()
	offered, asked := 0, 0
	for _, level := range []string{"10 %", "30 %", "60 %", "90 %"} {
		for _, open := range []string{`1"`, "1/4", "1/30"} {
			set := lighting.Practice(shot.DefaultSet())
			for field, value := range map[string]string{"camera.shutter": "B", "light.shutter": "go", "room.frame_open": open,
				"room.frame_seen": level} {
				require.NoError(t, set.Put(field, value))
			}
			p := makePlan(set, &bench)
			require.NotNil(t, p.lighting)
			dark := p.lighting.Steps[0]
			if dark.Verdict != "change" {
				continue
			}
			asked++
			for _, fix := range dark.Fixes {
				offered++
				next := set
				require.NoError(t, fix.put(&next))
				assert.Nil(t, makePlan(next, &bench).refusal, "%v", fix)
			}
		}
	}
	assert.Greater(t, asked, offered, "some rooms are too bright for any opening")
}

// A refusal has only the ways out of its step that work.
func TestRefusalHasOnlyFixesThatWork(t *testing.T) {
	bench := testBench()
	set := lighting.Practice(shot.DefaultSet())
	for field, value := range map[string]string{"kind": "throw", "flash.duration": "3 ms", "flash.guide": "4 m",
		"flash.reading": "none", "camera.max_blur": "0.01 mm"} {
		require.NoError(t, set.Put(field, value))
	}
	p := makePlan(set, &bench)
	require.NotNil(t, p.refusal)
	require.Contains(t, p.refusal.Why, "your limit is")
	assert.Equal(t, "camera.max_blur", p.refusal.Field, "no power is short enough")
	require.NotEmpty(t, p.refusal.Fixes)
	other := plan{refusal: refusal("flash.power", "", ""), lighting: p.lighting}
	for i := range other.lighting.Steps {
		if s := &other.lighting.Steps[i]; s.ID == "key" {
			s.Verdict, s.Fixes = "change", []Fix{{Field: "flash.power", Value: "full"}}
		}
	}
	other.addFixes(set, &bench)
	assert.Empty(t, other.refusal.Fixes, "more power makes no blur less")
	for _, fix := range p.refusal.Fixes {
		next := set
		require.NoError(t, fix.put(&next))
		assert.Nil(t, makePlan(next, &bench).refusal, "%v", fix)
	}
}

// What a black frame says is offered where the light is set, in one press, and as long as it was judged with the camera
// as it is set.
func TestBlackFrameIsOffered(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		x.ready()
		dark := func() LightStep {
			s := x.Snapshot().Lighting.Steps[0]
			assert.Equal(t, "dark", s.ID)
			return s
		}
		before := dark()
		room := &RoomFrame{Name: "PICT0460", Open: "0.5 s", Seen: "10.2 %", Camera: x.Snapshot().Set.Camera,
			Fix: Fix{Field: "room.by", Value: "black-frame", Also: []Fix{{Field: "room.frame_open", Value: "0.5 s"},
				{Field: "room.frame_seen", Value: "10.2 %"}}}}
		show := func(r *RoomFrame) {
			x.ShowCamera(x.SessionID(), CameraStatus{Version: 1, Room: r}, nil)
			synctest.Wait()
			time.Sleep(minPublishInterval)
			synctest.Wait()
		}
		show(room)
		offered := dark()
		assert.Equal(t, "The black frame PICT0460, open for 0.5 s, is 10.2 % bright at most. "+before.Says, offered.Says)
		assert.Equal(t, "Use it, or type what a frame or a light meter shows.", offered.Next)
		assert.Equal(t, append([]Fix{room.Fix}, before.Fixes...), offered.Fixes)
		for _, f := range append([]Fix{room.Fix}, room.Fix.Also...) {
			x.must(me, Command{Type: "set", Field: f.Field, Value: f.Value})
		}
		taken := dark()
		assert.NotContains(t, taken.Fixes, room.Fix, "it counts already")
		assert.Contains(t, taken.Says, "The black frame PICT0460, open for 0.5 s, is 10.2 % bright at most. The room is ")
		x.must(me, Command{Type: "set", Field: "camera.aperture", Value: "f/4"})
		assert.NotContains(t, dark().Says, "PICT0460", "it says nothing of another aperture")
		assert.NotContains(t, dark().Fixes, room.Fix)
		show(nil)
		assert.NotContains(t, dark().Says, "PICT0460")
	})
}
