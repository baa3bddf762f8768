package shot

import (
	"encoding/json"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/optics"
	"stillwater/internal/splash"
)

// A flash is drawn for as long as it is lit, from the moment; only where that is not known for as long as its contact.
func TestFlashBarIsItsLight(t *testing.T) {
	s := DefaultSet()
	s.Flash.Figures, s.Flash.Measured, s.Flash.Power = "1/16 1/2000 s", optics.AboveTenth, 1./16
	_, tl, err := Compile(s, testBench())
	require.NoError(t, err)
	assert.Equal(t, Bar{Name: "flash", From: tl.Delay, To: tl.Delay + 500*time.Microsecond, Light: true}, tl.Bars[1])
	assert.False(t, tl.Bars[0].Light, "the shutter")
}

// A guide number is a flash unit's, or none: next to nothing would take more light than there are numbers for.
func TestGuideNumberIsOneOrNone(t *testing.T) {
	s := DefaultSet()
	refused := new(FieldError)
	require.ErrorAs(t, s.Put("flash.guide", "1e-300 m"), &refused)
	assert.Contains(t, refused.Why, "is less than 10 cm")
	require.ErrorAs(t, s.Put("flash.guide", "9cm"), &refused)
	assert.Equal(t, "flash.guide: 9 cm is less than 10 cm; use 10 cm to 500 m, or 0 m if it is not known", refused.Error())
	assert.NoError(t, s.Put("flash.guide", "0 m"))
	assert.NoError(t, s.Put("flash.guide", "24 m"))
}

// A light that lasts longer than the sharpness asked for is refused; each fix works, and a power step more does not.
func TestBlurRefused(t *testing.T) {
	s := DefaultSet()
	s.Drop.Phase, s.Camera.MaxBlur = splash.Contact, 0.5*mm
	s.Flash.Duration, s.Flash.Power = 1./300, 1./4
	_, _, err := Compile(s, testBench())
	refused := new(Refusal)
	require.ErrorAs(t, err, &refused)
	assert.Contains(t, refused.Why, "at 1/4 power this unit's light lasts longer than the sharpness you asked for")
	require.Len(t, refused.Fixes, 2)
	for _, fix := range refused.Fixes {
		next := s
		require.NoError(t, next.Put(fix.Field, fix.Value))
		_, _, err := Compile(next, testBench())
		assert.NoError(t, err, fix)
	}
	require.Equal(t, "flash.power", refused.Fixes[0].Field)
	require.NoError(t, s.Put("flash.power", refused.Fixes[0].Value))
	s.Flash.Power *= 2
	_, _, err = Compile(s, testBench())
	assert.Error(t, err)
	s.Camera.MaxBlur = 0
	_, _, err = Compile(s, testBench())
	assert.NoError(t, err, "nothing was asked")
}

// A set that was stored without camera, flash, room and background has the usual ones, and lacks nothing.
func TestSetsWithoutLight(t *testing.T) {
	text, err := json.Marshal(DefaultSet())
	require.NoError(t, err)
	var stored map[string]any
	require.NoError(t, json.Unmarshal(text, &stored))
	for _, name := range []string{"camera", "flash", "room", "background"} {
		require.Contains(t, stored, name)
		delete(stored, name)
	}
	text, err = json.Marshal(stored)
	require.NoError(t, err)
	s, err := ParseSet(string(text))
	require.NoError(t, err)
	assert.Equal(t, DefaultSet(), s)
	unknown, missing, err := CompareFields(string(text))
	require.NoError(t, err)
	assert.Empty(t, append(unknown, missing...))
}

func TestLightRefusedByName(t *testing.T) {
	for _, c := range []struct{ field, value, says string }{
		{"camera.aperture", "f/0", "f/0.7 to f/128"},
		{"camera.iso", "ISO -3", "more than 0"},
		{"camera.shutter", "1/0", "divides by zero"},
		{"flash.power", "3/2", "more than the whole"},
		{"flash.figures", "1/2 fast", "power steps and durations"},
		{"background.seen", "120 %", "whiter than white"},
	} {
		s := DefaultSet()
		err := s.Put(c.field, c.value)
		refused := new(FieldError)
		require.ErrorAs(t, err, &refused, c.field)
		assert.Equal(t, c.field, refused.Field)
		assert.Contains(t, err.Error(), c.says, c.field)
		assert.Equal(t, DefaultSet(), s)
	}
	s := DefaultSet()
	s.Camera.Distance = 12 * cm
	assert.ErrorContains(t, s.Validate(), "camera.distance: 12 cm is nearer than this lens focuses: 30 cm from the "+
		"sensor are about 15 cm from the lens; use at least 15 cm")
	s.Camera.Nearest, s.Camera.Distance = 10*cm, 10*cm
	assert.ErrorContains(t, s.Validate(), "makes no picture of what is 10 cm from it; use at least 10.5 cm")
}

// The shutter is open as the dial says; at B as long as the machine or the person holds it.
func TestOpenTime(t *testing.T) {
	s := DefaultSet()
	assert.Less(t, s.OpenTime(), 150*ms, "after the edge, until a little after the moment")
	s.Light.Shutter = ByGo
	assert.Equal(t, s.Light.OpenFor, s.OpenTime())
	s.Camera.Shutter = 1. / 125
	assert.InEpsilon(t, 1./128, float64(s.OpenTime()), 1e-9, "1/125 stands for 2^-7 s")
}

// A thin sheet is as wide as a disc of the same volume.
func TestSheetWidth(t *testing.T) {
	s := ThrowSet{Mass: 36 * mm}
	assert.Equal(t, s.Mass, s.width())
	s.Thickness = 2 * mm
	ball := math.Pi / 6 * math.Pow(0.036, 3)
	assert.InEpsilon(t, ball, math.Pi/4*math.Pow(float64(s.width()), 2)*0.002, 1e-9)
}

// A record shows of the light what is not as usual, of the kind's own fields everything.
func TestShown(t *testing.T) {
	s := DefaultSet()
	shown := s.Shown()
	assert.Contains(t, shown, Value{"drop.height", "40 cm"})
	for _, v := range shown {
		assert.NotContains(t, v.Field, "camera.")
		assert.NotContains(t, v.Field, "throw.")
	}
	require.NoError(t, s.Put("camera.aperture", "f/11"))
	assert.Equal(t, append(shown, Value{"camera.aperture", "f/11"}), s.Shown())
}

// A second flash that lasts too long is refused where it was typed.
func TestLongSecondFlashRefused(t *testing.T) {
	s := DefaultSet()
	s.Drop.Phase, s.Camera.MaxBlur = splash.Contact, 0.5*mm
	s.Flash.Figures, s.Flash.Measured, s.Flash.Others = "1/16 1/20000 s", optics.AboveTenth, "20 m, 1/16, 50 cm, 1/100 s"
	_, _, err := Compile(s, testBench())
	refused := new(Refusal)
	require.ErrorAs(t, err, &refused)
	assert.Contains(t, refused.Why, "flash 2 lasts too long")
	for _, fix := range refused.Fixes {
		next := s
		require.NoError(t, fix.Put(&next))
		_, _, err := Compile(next, testBench())
		assert.NoError(t, err, fix)
	}
	s.Flash.Others = "20 m, 1/16, 50 cm, 1/20000 s"
	_, _, err = Compile(s, testBench())
	assert.NoError(t, err)
}

// What was seen belongs to the kind of shot and to what it was seen with: to the liquid's own speed, and not to what
// changes neither. Back at the same kind it is known again, as far as it still holds.
func TestSeenBelongsToItsShot(t *testing.T) {
	before := DefaultSet()
	before.Kind = Throw
	for field, value := range map[string]string{"flash.smear": "5", "flash.seen": "95 %", "flash.reading": "f/16",
		"background.seen": "80 %", "camera.field_seen": "90 cm", "room.ev": "-6 EV", "background.reading": "f/11"} {
		require.NoError(t, before.Put(field, value))
	}
	put := func(s Set, field, value string) Set {
		next := s
		require.NoError(t, next.Put(field, value))
		return next.WithoutStale(s)
	}
	drop := put(before, "kind", "drop")
	seen := optics.Setup{}.WithSeen(drop.Optics())
	assert.Equal(t, optics.Setup{}, seen, "of another kind nothing was seen")
	assert.Equal(t, before.Room, drop.Room, "the room is the same")
	assert.Equal(t, before.Background.Reading, drop.Background.Reading, "the light on the background, too")

	back := put(drop, "kind", "throw")
	assert.Equal(t, before, back.Recall(before), "it was seen with this kind")
	back = put(back, "camera.aperture", "f/8").Recall(before)
	assert.Equal(t, [4]bool{true, false, false, true}, [4]bool{back.Flash.Smear.Known, back.Flash.Seen.Known,
		back.Background.Seen.Known, back.Flash.Reading > 0}, "as far as it holds at another aperture")

	for _, c := range []struct {
		field, value string
		holds        bool
	}{
		{"flash.figures", "1/1 1/300 s, 1/16 1/4000 s", true}, {"flash.duration", "2 ms", true}, {"trim.throw", "2 ms", true},
		{"throw.gate", "12 cm", true}, {"throw.mass", "4 cm", true}, {"light.recycle", "3 s", true},
		{"drop.height", "60 cm", true},
		{"throw.speed_low", "2.5 m/s", true}, {"throw.speed_high", "6 m/s", true},
		{"throw.to_focus", "30 cm", false}, {"throw.angle", "40°", false}, {"flash.power", "1/64", false},
		{"camera.turn", "20°", false},
	} {
		assert.Equal(t, c.holds, put(before, c.field, c.value).Flash.Smear.Known, "%s %s", c.field, c.value)
	}
	wet := DefaultSet()
	require.NoError(t, wet.Put("flash.smear", "5"))
	assert.True(t, put(wet, "drop.beam", "10 cm").Flash.Smear.Known, "where the beam is")
	assert.False(t, put(wet, "drop.phase", "contact").Flash.Smear.Known, "another moment")
	assert.False(t, put(wet, "drop.height", "60 cm").Flash.Smear.Known, "it falls faster")
}
