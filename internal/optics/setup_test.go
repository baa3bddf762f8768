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
		s.Room.By, s.Background.Reading, s.Flash.Guide = RoomMetered, 22, 28
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
		{"lamp", func(s *Setup) { s.Room.EV++ }, 0, 0, 1},
		{"paper", func(s *Setup) { s.Background.Reflects /= 2 }, 0, -1, 0},
		{"card", func(s *Setup) { s.Flash.Seen = 0.5 }, Stops(math.Log2(0.2140)) - was.Key, 0, 0},
	} {
		now := set(c.change)
		assert.InDelta(t, float64(c.key), float64(now.Key-was.Key), 1e-3, "key, %s", c.name)
		assert.InDelta(t, float64(c.background), float64(now.Background-was.Background), 1e-3, "background, %s", c.name)
		assert.InDelta(t, float64(c.room), float64(now.Room-was.Room), 1e-3, "room, %s", c.name)
	}
	s := DefaultSetup()
	s.Room.By = RoomMetered
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

// A ruler in the frame says more than a tape from the lens.
func TestFieldSeen(t *testing.T) {
	c := DefaultSetup().Camera
	c.FieldSeen = 0.2
	assert.InEpsilon(t, 0.2, float64(c.Lens().Field(c.Sensor)), 1e-9)
}
