package optics

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"

	"stillwater/internal/phys"
)

// One setting moves, and the light moves by as many stops as it must.
func TestLightFollowsSettings(t *testing.T) {
	set := func(change func(*Setup)) Light {
		s := DefaultSetup()
		s.Room.By, s.Room.EV, s.Background.Reading, s.Flash.Guide = RoomMetered, Known(MeterEV(-2)), 22, 28
		change(&s)
		return s.Light(0.5)
	}
	was := set(func(*Setup) {})
	for _, c := range []struct {
		name                  string
		change                func(*Setup)
		key, background, room Stops
	}{
		{"aperture", func(s *Setup) { s.Camera.Aperture = 8 }, 2, 2, 2},
		{"speed", func(s *Setup) { s.Camera.Speed = 800 }, 1, 0, 1}, // a meter reads for the speed it is set to
		{"power", func(s *Setup) { s.Flash.Power /= 4 }, -2, 0, 0},
		{"distance", func(s *Setup) { s.Flash.Distance *= 2 }, -2, 0, 0},
		{"diffuser", func(s *Setup) { s.Flash.Loss = 1.5 }, -1.5, 0, 0},
		{"units", func(s *Setup) { s.Flash.Units = 4 }, 2, 0, 0},
		{"lamp", func(s *Setup) { s.Room.EV.Value++ }, 0, 0, 1},
		{"paper", func(s *Setup) { s.Background.Reflects /= 2 }, 0, -1, 0},
		{"card", func(s *Setup) { s.Flash.Seen = Known(Level(0.5)) }, Stops(math.Log2(0.2140)) - was.Key, 0, 0},
	} {
		now := set(c.change)
		assert.InDelta(t, float64(c.key), float64(now.Key-was.Key), 1e-3, "key, %s", c.name)
		assert.InDelta(t, float64(c.background), float64(now.Background-was.Background), 1e-3, "background, %s", c.name)
		assert.InDelta(t, float64(c.room), float64(now.Room-was.Room), 1e-3, "room, %s", c.name)
	}
	s := DefaultSetup()
	s.Room.By, s.Room.EV = RoomMetered, Known(MeterEV(-2))
	assert.InDelta(t, 1, float64(s.Light(1).Room-s.Light(0.5).Room), 1e-9, "open for twice as long")
	nearer := set(func(s *Setup) { s.Camera.Distance = 0.2 }) // life size: twice the extension, two stops
	assert.InDelta(t, -2+2*math.Log2(1.25), float64(nearer.Key-was.Key), 1e-3)
	black := set(func(s *Setup) { s.Background.BlackWidth = phys.Length(math.Inf(1)) })
	assert.InDelta(t, math.Pi/2, float64(black.Black), 1e-9)
	assert.Equal(t, was.Bright, was.Black, "no black, nothing dark beside it")
}

// What is not known is said to be, and is no number that hides it.
func TestLightUnknown(t *testing.T) {
	l := DefaultSetup().Light(1)
	assert.Equal(t, [4]bool{}, [4]bool{l.KeyKnown, l.BackgroundKnown, l.RoomKnown, l.PulseKnown})
	assert.Zero(t, l.Key)
	assert.True(t, math.IsInf(float64(l.Room), -1))
	assert.Zero(t, l.Pulse)
}

// How the room is known is no measurement: its light is not known before what was seen is.
func TestRoomIsKnownWhenItWasMeasured(t *testing.T) {
	for _, c := range []struct {
		room  Ambient
		known bool
	}{
		{Ambient{By: RoomMetered}, false},
		{Ambient{By: RoomMetered, FrameOpen: Known(ExposureTime(1)), FrameSeen: Known(Level(0))}, false},
		{Ambient{By: RoomMetered, EV: Known(MeterEV(0))}, true},
		{Ambient{By: RoomFrame}, false},
		{Ambient{By: RoomFrame, FrameOpen: Known(ExposureTime(1))}, false},
		{Ambient{By: RoomFrame, FrameSeen: Known(Level(0))}, false},
		{Ambient{By: RoomFrame, FrameOpen: Known(ExposureTime(1)), FrameSeen: Known(Level(0))}, true},
		{Ambient{By: RoomUnknown, EV: Known(MeterEV(0))}, false},
	} {
		s := DefaultSetup()
		s.Room = c.room
		assert.Equal(t, c.known, s.Light(1).RoomKnown, "%+v", c.room)
	}
}

// What was typed first says how the room is known, unless somebody chose that.
func TestChooseWay(t *testing.T) {
	before := Ambient{By: RoomUnknown}
	for want, after := range map[RoomBy]Ambient{
		RoomMetered: {By: RoomUnknown, EV: Known(MeterEV(0))},
		RoomFrame:   {By: RoomUnknown, FrameOpen: Known(ExposureTime(1))},
		RoomUnknown: {By: RoomUnknown, Margin: 3},
	} {
		after.ChooseWay(before)
		assert.Equal(t, want, after.By)
	}
	chosen := Ambient{By: RoomFrame, EV: Known(MeterEV(0))}
	chosen.ChooseWay(Ambient{By: RoomFrame})
	assert.Equal(t, RoomFrame, chosen.By)
	back := Ambient{By: RoomUnknown, EV: Known(MeterEV(0))}
	back.ChooseWay(Ambient{By: RoomMetered, EV: Known(MeterEV(0))})
	assert.Equal(t, RoomUnknown, back.By, "it was chosen")
}

// A ruler in the frame says more than a tape from the lens.
func TestFieldSeen(t *testing.T) {
	c := DefaultSetup().Camera
	c.FieldSeen = 0.2
	assert.InEpsilon(t, 0.2, float64(c.Lens().Field(c.Sensor)), 1e-9)
}

// What was seen goes with the settings that it was seen at, and with nothing else.
func TestWhatWasSeenGoesStale(t *testing.T) {
	before := DefaultSetup()
	before.Flash.Seen, before.Flash.Reading, before.Flash.Smear = Known(Level(0.9)), 16, Known(Pixels(3))
	before.Background.Seen, before.Background.Reading = Known(Level(0.8)), 11
	before.Room = Ambient{By: RoomFrame, FrameOpen: Known(ExposureTime(0.1)), FrameSeen: Known(Level(0))}
	before.Flash.Others, before.Camera.Distance = "28 m, 1/16, 60 cm", 0.6
	all := []string{"card", "key", "background", "its meter", "black", "blur"}
	kept := func(s Setup) (list []string) {
		for name, is := range map[string]bool{"card": s.Flash.Seen.Known, "key": s.Flash.Reading > 0,
			"blur":       s.Flash.Smear.Known,
			"background": s.Background.Seen.Known, "its meter": s.Background.Reading > 0,
			"black": s.Light(1).RoomKnown} {
			if is {
				list = append(list, name)
			}
		}
		return list
	}
	for _, c := range []struct {
		change func(*Setup)
		keeps  []string
	}{
		{func(s *Setup) { s.Camera.Aperture = 4 }, []string{"key", "its meter", "blur"}},
		{func(s *Setup) { s.Camera.Speed = 3200 }, []string{"blur"}},
		{func(s *Setup) { s.Flash.Power = 1. / 64 }, []string{"background", "its meter", "black"}},
		{func(s *Setup) { s.Flash.Distance *= 2 }, []string{"background", "its meter", "black", "blur"}},
		{func(s *Setup) { s.Flash.Guide = 28 }, []string{"card", "key", "background", "its meter", "black", "blur"}},
		{func(s *Setup) { s.Camera.Shutter = 1. / 60 }, []string{"card", "key", "background", "its meter", "black", "blur"}},
		{func(s *Setup) { s.Camera.Aperture, s.Flash.Seen = 4, Known(Level(0.5)) },
			[]string{"card", "key", "its meter", "blur"}},
		// What becomes known of a unit or a lens changes nothing that was seen; another place of the lens does.
		{func(s *Setup) { s.Flash.Figures, s.Flash.Measured = "1/1 1/300 s, 1/16 1/4000 s", AboveTenth }, all},
		{func(s *Setup) { s.Flash.Duration, s.Flash.Control = 0.002, Throttled }, all},
		{func(s *Setup) { s.Flash.Others = "28 m, 1/16, 60 cm, 1/4000 s" }, all},
		{func(s *Setup) { s.Flash.Others = "28 m, 1/8, 60 cm" }, []string{"background", "its meter", "black"}},
		{func(s *Setup) { s.Camera.Pixels, s.Camera.Print = 4000, 0.3 }, all},
		{func(s *Setup) { s.Camera.Distance = 0.7 }, []string{"card", "key", "background", "its meter", "black"}},
		{func(s *Setup) { s.Camera.Distance = 0.5 }, []string{"card", "key", "background", "its meter", "black"}},
		{func(s *Setup) { s.Camera.Focal = 0.06 }, all},
		{func(s *Setup) { s.Camera.Turn = 0.2 }, []string{"card", "key", "background", "its meter", "black"}},
	} {
		after := before
		c.change(&after)
		assert.ElementsMatch(t, c.keeps, kept(after.WithoutStale(before)))
	}
	before.Camera.FieldSeen = 0.3
	after := before
	after.Camera.Distance *= 2
	assert.Zero(t, after.WithoutStale(before).Camera.FieldSeen)
}

// The blur of what turns in the middle of the light is how far it falls in half of it.
func TestBlurAtTurn(t *testing.T) {
	l, p := DefaultSetup().Camera.Lens(), DefaultSetup().Camera.Picture()
	assert.InEpsilon(t, 1.226e-3, float64(BlurAtTurn(31.62e-3, l, p).Subject), 1e-3, "9.807/2 times 15.81 ms squared")
	longest := LongestAtApex(l, p)
	assert.InEpsilon(t, float64(SharpBlur(l, p)), float64(BlurAtTurn(longest, l, p).Subject), 1e-9)
}

// A level is what the frame of another time shows of the room, and back: the inverse of what a frame says.
func TestFrameLevel(t *testing.T) {
	const open, frame = 0.1, 1. / 128
	for _, seen := range []Level{0.06, 0.19, 0.5, 0.99} {
		at := BlackFrame{frame, seen}.Exposure(open)
		assert.InDelta(t, float64(seen), float64(FrameLevel(at, open, frame)), 1e-9)
	}
	// 5 stops under white are 1/32 of its light, 3.1 %: 49.5 of 255 in sRGB (from memory).
	assert.InDelta(t, 49.5/255, float64(FrameLevel(-5, 1, 1)), 1e-3)
	enough := MinBlackExposure(-9, open)
	assert.InDelta(t, float64(BlackLevel), float64(FrameLevel(-9, open, enough)), 1e-9)
	for _, c := range []struct{ time, mark phys.Time }{{1. / 129, 1. / 125}, {0.1, 1. / 8}, {0.126, 1. / 6},
		{25.3, 25}, {31, 30}, {32.2, 33}, {1e-6, 1. / 8000}} {
		assert.InDelta(t, float64(c.mark), float64(Ceil(c.time)), 1e-9, "%v", c.time) // 1/125 stands for 1/128, 25 for 25.4
	}
}
