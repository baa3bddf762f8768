// Package practice makes the pictures of the simulated room: the light that a set's practice has, and one flight shown
// phase by phase.
package practice

import (
	"time"

	"stillwater/internal/picture"
	"stillwater/internal/scene"
	"stillwater/internal/shot"
	"stillwater/internal/splash"
)

// Light is the light of the simulated room: a gel for splashes, and for throws a lit white wall. exposed says that the
// flash fired and the shutter was open.
func Light(set shot.Set, exposed bool) picture.Light {
	l := picture.Studio()
	if set.Kind == shot.Throw {
		gels := picture.Gels()
		l.Gel, l.Key = gels[len(gels)-1].Gel, 0.5
	}
	if p := set.Drop.Phase; p == splash.CrownHighest || p == splash.CraterDeepest {
		l.Tilt = 17
	}
	l.OpenFor = set.Light.OpenFor.Duration()
	l.Shut = !exposed
	return l
}

// Frame is one picture of a flight.
type Frame struct {
	Name  string // for a file
	Words string // what the picture shows
	Water scene.Water
	Light picture.Light
}

// beforeContact is when the falling drop is shown.
const beforeContact = 3 * time.Millisecond

// Frames are the pictures of one flight of a set in the room with that seed, each so much later than its phase: a drop
// before contact and in each phase, a throw in its focus spot. A throw that falls short has none.
func Frames(set shot.Set, seed uint64, late time.Duration) ([]Frame, error) {
	flight, err := scene.New(seed).Release(set, 0)
	if err != nil {
		return nil, err
	}
	if set.Kind == shot.Throw {
		if !flight.Arrives {
			return nil, nil
		}
		return []Frame{frameOf(flight, "throw", flight.Best+late)}, nil
	}
	var frames []Frame
	for _, p := range flight.Phases {
		name, at := string(p.Phase), p.At+late
		switch p.Phase {
		case splash.Contact:
			name, at = "drop", at-beforeContact
		case splash.ColumnGone:
			continue // flat water
		}
		f := flight
		f.Set.Drop.Phase = p.Phase
		frames = append(frames, frameOf(f, name, at))
	}
	return frames, nil
}

// frameOf is the picture of a flight at a time, taken by a camera that held its shutter open.
func frameOf(f scene.Flight, name string, at time.Duration) Frame {
	return Frame{Name: name, Words: f.SeenAt(at), Water: f.WaterAt(at), Light: Light(f.Set, true)}
}
