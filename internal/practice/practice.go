// Package practice makes the pictures of the simulated room: the light that a set's practice has, and one flight shown
// phase by phase.
package practice

import (
	"errors"
	"math"
	"time"

	"stillwater/internal/lighting"
	"stillwater/internal/optics"
	"stillwater/internal/phys"
	"stillwater/internal/picture"
	"stillwater/internal/scene"
	"stillwater/internal/shot"
	"stillwater/internal/splash"
)

// Light is the light of the simulated room: the set's own, for as long as its shutter is open. What the set does not
// know is as it should be. opened says that its shutter was open.
func Light(set shot.Set, opened bool) picture.Light {
	l := picture.Studio()
	if set.Kind == shot.Throw {
		l = picture.ThrowStudio()
	}
	placed, usual := usualPlaces(set)
	l.Cut = 0
	if usual { // nobody has framed it
		l.Cut = scene.ThrowFrame(set)
	}
	own := placed.Optics().Light(set.OpenTime())
	if !own.PulseKnown {
		own.Pulse = l.Pulse
	}
	l.Light, l.Speed, l.Open, l.Turn, l.Shut = own, set.Camera.Speed, set.OpenTime(), set.Camera.Turn, !opened
	l.Tilt, l.Tall = tilt(set), set.Kind == shot.Drops && set.Drops.Want == shot.WantCollision
	return l
}

// LightOf is the light of what the simulated camera pictured: with what its flash had charged, and with what came
// through a door; the room's light alone if the flash did not light it.
func LightOf(p scene.Pictured) picture.Light {
	l := Light(p.Set, p.Opened)
	p.Set, _ = usualPlaces(p.Set)
	l.Unlit, l.Room = !p.Exposed, p.RoomLight()
	if p.Exposed {
		lacks := optics.Stops(math.Log2(p.Charge))
		l.Key, l.Background = l.Key+lacks, l.Background+lacks
	}
	return l
}

// FieldWidth is how wide a piece of the scene the pictures of a set show: of a throw that somebody has framed all of
// the frame, otherwise as much as the liquid needs.
func FieldWidth(set shot.Set) phys.Length {
	return picture.FieldWidth(Light(set, true), set.Kind != shot.Throw)
}

// usualPlaces is a set with lens and background where they usually are for a throw, unless they were put somewhere:
// those of a set's start are for a drop. usualLens says that the lens is where nobody has put it.
func usualPlaces(set shot.Set) (placed shot.Set, usualLens bool) {
	if set.Kind != shot.Throw {
		return set, false
	}
	start, usual := optics.DefaultSetup(), lighting.Practice(set)
	if !set.Framed() {
		set.Camera.Focal, set.Camera.Distance = usual.Camera.Focal, usual.Camera.Distance
		usualLens = true
	}
	if b := set.Background; b.Distance == start.Background.Distance && b.Width == start.Background.Width {
		set.Background.Distance, set.Background.Width = usual.Background.Distance, usual.Background.Width
	}
	return set, usualLens
}

// tilt looks down into a crown or a crater; 0 is as suits what is there.
func tilt(set shot.Set) float64 {
	p := set.Drop.Phase
	if set.Kind == shot.Drops {
		p = set.Drops.Phase
	}
	if wide := set.Kind == shot.Drop || set.Drops.Want == shot.WantPhase; wide &&
		(p == splash.CrownHighest || p == splash.CraterDeepest) {
		return 17
	}
	return 0
}

// Picture is one picture of a flight.
type Picture struct {
	Name  string // for a file
	Words string // what the picture shows
	Water scene.Water
	Light picture.Light
}

// beforeContact is when the falling drop is shown.
const beforeContact = 3 * time.Millisecond

// ErrNoFrame means that a set has no picture: of a sound nothing is seen, and what bursts then is not known.
var ErrNoFrame = errors.New("a sound has no picture: what bursts is not known")

// Frames are the pictures of one flight of a set in the room with that seed, each so much later than its phase: a drop
// before contact and in each phase, a throw in its focus spot, two drops before and after they meet. A throw that falls
// short has none.
//
// Errors: ErrNoFrame, or those of scene.Room.Release, Open and shot.Set.DropsPath for an impossible set.
func Frames(set shot.Set, seed uint64, late time.Duration) ([]Picture, error) {
	switch set.Kind {
	case shot.Sound:
		return nil, ErrNoFrame
	case shot.Drops:
		return dropsFrames(set, seed, late)
	}
	flight, err := scene.New(seed).Release(set, 0)
	if err != nil {
		return nil, err
	}
	if set.Kind == shot.Throw {
		if !flight.Arrives {
			return nil, nil
		}
		return []Picture{frameOf(flight, "throw", flight.Best+late)}, nil
	}
	return splashFrames(flight, late), nil
}

// splashFrames are the pictures of a splash: its drop before contact, and each phase.
func splashFrames(f scene.Flight, late time.Duration) (frames []Picture) {
	for _, p := range f.Phases {
		name, at := string(p.Phase), p.At+late
		switch p.Phase {
		case splash.Contact:
			name, at = "drop", at-beforeContact
		case splash.ColumnGone:
			continue // flat water
		}
		f := f
		f.Set.Drop.Phase, f.Set.Drops.Phase = p.Phase, p.Phase
		frames = append(frames, frameOf(f, name, at))
	}
	return frames
}

// frameOf is the picture of a flight at a time, taken by a camera that held its shutter open.
func frameOf(f scene.Flight, name string, at time.Duration) Picture {
	return Picture{Name: name, Words: f.SeenAt(at), Water: f.WaterAt(at), Light: Light(f.Set, true)}
}

// Around a collision: when the second drop is shown before it meets the column, and the sheet as it draws back, in
// times of its spreading.
const (
	beforeMeeting = 4 * time.Millisecond
	drawingBack   = 1.5
)

// dropsFrames are the pictures of drops from valves: of a collision before the two meet, as the sheet opens, at its
// widest and as it draws back. Two that miss each other are shown when they would have met.
func dropsFrames(set shot.Set, seed uint64, late time.Duration) ([]Picture, error) {
	path, err := set.DropsPath()
	if err != nil {
		return nil, err
	}
	room := scene.New(seed)
	var f scene.Flight
	for i, d := range path.Drops[:path.Count] {
		last := &f
		if i == 0 {
			last = nil
		}
		if f, _, err = room.Open(last, set, d.Valve, d.On.Duration(), (d.On + d.Open).Duration()); err != nil {
			return nil, err
		}
	}
	if set.Drops.Want == shot.WantPhase {
		return splashFrames(f, late), nil
	}
	m := f.Meeting
	if m == nil || !m.Column {
		return []Picture{frameOf(f, "missed", path.Meeting.At.Duration()+late)}, nil
	}
	takes := m.Widest - m.At
	return []Picture{
		frameOf(f, "second-drop", m.At-beforeMeeting+late),
		frameOf(f, "sheet-opening", m.At+takes/2+late),
		frameOf(f, "sheet-widest", m.Widest+late),
		frameOf(f, "sheet-drawing-back", m.At+time.Duration(drawingBack*float64(takes))+late),
	}, nil
}
