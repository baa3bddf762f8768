package optics

import (
	"math"
	"slices"

	"stillwater/internal/phys"
)

// Camera is the camera and its lens, and how the picture is looked at.
type Camera struct {
	Aperture     FNumber     `json:"aperture"`
	Speed        ISO         `json:"iso"`
	Shutter      Shutter     `json:"shutter"`
	Focal        phys.Length `json:"focal"`
	Widest       FNumber     `json:"widest"`        // that the lens has
	Narrowest    FNumber     `json:"narrowest"`     // that it has
	Distance     phys.Length `json:"distance"`      // from the middle of the lens to the focus spot
	Nearest      phys.Length `json:"nearest"`       // at which the lens can focus, from the sensor's plane, as engraved
	Sensor       phys.Length `json:"sensor"`        // its width, as the camera is held
	SensorHeight phys.Length `json:"sensor_height"` // and its height
	Pixels       int         `json:"pixels"`        // across the width
	Turn         phys.Angle  `json:"turn"`          // of the lens from square to the liquid's path
	Print        phys.Length `json:"print"`         // the width at which the picture is to be sharp
	MaxBlur      phys.Length `json:"max_blur"`      // asked for, at the subject; 0 nothing asked
	FieldSeen    phys.Length `json:"field_seen"`    // the frame's width as a ruler at the focus spot shows it; 0 not seen
}

// Flash is the key light: one unit, or several alike, and others beside it.
type Flash struct {
	Guide    phys.Length      `json:"guide"` // guide number in metres, ISO 100, full power; 0 not known
	Power    Fraction         `json:"power"`
	Distance phys.Length      `json:"distance"` // to the focus spot
	Loss     Stops            `json:"loss"`     // in umbrella, diffuser or bounce
	Units    int              `json:"units"`
	Others   Others           `json:"others"`   // that are not alike; "" none
	Reading  FNumber          `json:"reading"`  // of a flash meter at the focus spot; 0 none
	Seen     Optional[Level]  `json:"seen"`     // of a white card at the focus spot
	Control  PowerControl     `json:"control"`  // how it gives less than full power
	Duration phys.Time        `json:"duration"` // at full power; 0 not known
	Measured Measured         `json:"measured"` // what Duration and Figures are
	Figures  Figures          `json:"figures"`  // the unit's own durations by power step; "" none
	Smear    Optional[Pixels] `json:"smear"`    // blur seen on moving liquid
}

// RoomBy is how the room's light is known.
type RoomBy string

const (
	RoomUnknown RoomBy = "unknown"
	RoomMetered RoomBy = "meter"
	RoomFrame   RoomBy = "black-frame"
)

// Ambient is the light that is in the room besides the flash.
type Ambient struct {
	By        RoomBy                 `json:"by"`
	EV        Optional[MeterEV]      `json:"ev"`         // by an incident meter at the focus spot, at ISO 100
	FrameOpen Optional[ExposureTime] `json:"frame_open"` // of a frame without flash
	FrameSeen Optional[Level]        `json:"frame_seen"` // of what is brightest in it
	Margin    Stops                  `json:"margin"`     // asked for
}

// ChooseWay chooses the way by which the room's light has become known since before, if no way was chosen.
func (a *Ambient) ChooseWay(before Ambient) {
	switch {
	case a.By != RoomUnknown || before.By != RoomUnknown:
	case a.EV != before.EV && a.EV.Known:
		a.By = RoomMetered
	case a.FrameOpen != before.FrameOpen && a.FrameOpen.Known, a.FrameSeen != before.FrameSeen && a.FrameSeen.Known:
		a.By = RoomFrame
	}
}

// Background is what stands behind the focus spot, bright, and what black stands beside it.
type Background struct {
	Distance   phys.Length     `json:"distance"`    // behind the focus spot
	Width      phys.Length     `json:"width"`       // of what is bright
	Reading    FNumber         `json:"reading"`     // of a flash meter at it; 0 none
	Reflects   Fraction        `json:"reflects"`    // of the light that the meter reads
	Seen       Optional[Level] `json:"seen"`        // in the frame
	Rim        Fraction        `json:"rim"`         // of the liquid's radius, to be dark
	BlackWidth phys.Length     `json:"black_width"` // of each panel beside it; 0 there is none
}

// Setup is camera, flash, room and background together.
type Setup struct {
	Camera     Camera
	Flash      Flash
	Room       Ambient
	Background Background
}

// DefaultSetup is for a drop in a dark room: common practice, no source. What only the person in the room can know is
// not known in it.
func DefaultSetup() Setup {
	return Setup{
		Camera: Camera{Aperture: 16, Widest: 2.8, Narrowest: 32, Speed: 400, Shutter: Bulb, Focal: 0.1, Distance: 0.5,
			Nearest: 0.3, Sensor: 36 * mm, SensorHeight: 24 * mm, Pixels: 6000, Print: 0.1},
		Flash:      Flash{Power: 1. / 16, Distance: 0.5, Units: 1, Control: CutOff, Measured: AboveHalf},
		Room:       Ambient{By: RoomUnknown, Margin: MinMargin},
		Background: Background{Distance: 0.5, Width: 0.4, Reflects: 0.9, Rim: 0.1},
	}
}

// Lens is the camera's, focused where the frame is as wide as it was seen, or else at the distance that was measured.
func (c Camera) Lens() Lens {
	l := Lens{Focal: c.Focal, Aperture: c.Aperture, Focus: c.Distance}
	if c.FieldSeen > 0 {
		l.Focus = l.FocusFor(c.Sensor, c.FieldSeen)
	}
	return l
}

// NearestDistance is the least Distance that the lens can be focused on.
func (c Camera) NearestDistance() phys.Length { return NearestFocus(c.Focal, c.Nearest) }

// Picture is how the camera's pictures are recorded and looked at.
func (c Camera) Picture() Picture { return Picture{c.Sensor, c.Pixels, c.Print} }

// Circle is the circle of confusion for the print.
func (c Camera) Circle() phys.Length { return CircleFor(c.Sensor, c.Print) }

// Unit is the key light as a unit.
func (f Flash) Unit() Unit {
	return Unit{Guide: f.Guide, Power: f.Power, Distance: f.Distance, Loss: f.Loss, Count: f.Units}
}

// Discharge is what is known of how long the key light lasts.
func (f Flash) Discharge() Discharge {
	return Discharge{Control: f.Control, Full: f.Duration, Is: f.Measured, Figures: f.Figures}
}

// Light is what reaches the sensor, for callers that judge or draw a picture. Exposures are in stops, of a white
// subject.
type Light struct {
	Key        Stops      // by the flash, at the focus spot; where nothing is known, as it should be
	Background Stops      // of what is bright behind it; where nothing is known, as it should be
	Room       Stops      // by the room's light, over all of the opening; -Inf where nothing is known
	Pulse      LightPulse // how long the flash lasts; zero where nothing is known

	Lens    Lens
	Picture Picture
	Bright  phys.Angle // from straight behind the spot to the background's edge
	Black   phys.Angle // from there to the outer edge of the black beside it; Bright if there is none

	KeyKnown, BackgroundKnown, RoomKnown, PulseKnown bool
	PulseIdeal                                       bool      // Pulse.Tenth is worked out as of an ideal decay
	PulseOf                                          int       // the unit that it is of: 0 the first
	Ghosts                                           []UnitLit // flashes beside it that last longer and give little
}

// Light returns the light of a frame whose shutter is open for a time.
func (s Setup) Light(open phys.Time) Light {
	b := s.Background
	l := Light{Room: Stops(math.Inf(-1)), Lens: s.Camera.Lens(), Picture: s.Camera.Picture(),
		Bright: HalfAngle(b.Width, b.Distance), Black: HalfAngle(b.Width+2*b.BlackWidth, b.Distance)}
	l.Key, l.KeyKnown = first(s.KeyEstimates(), 0)
	l.Background, l.BackgroundKnown = first(s.BackgroundEstimates(), BackgroundAim.Stops())
	lit := s.Flash.Lit()
	l.Pulse, l.PulseKnown, l.PulseIdeal, l.PulseOf, l.Ghosts = lit.Pulse, lit.Known, lit.Ideal, lit.Unit, lit.Ghosts
	switch r := s.Room; {
	case r.By == RoomMetered && r.EV.Known:
		l.Room = ContinuousExposure(Stops(r.EV.Value), l.Lens.WorkingFNumber(), s.Camera.Speed, open)
		l.RoomKnown = true
	case r.By == RoomFrame && r.FrameOpen.Known && r.FrameSeen.Known:
		f := BlackFrame{phys.Time(ExactShutter(Shutter(r.FrameOpen.Value))), r.FrameSeen.Value}
		l.Room, l.RoomKnown = f.Exposure(open), true
	}
	return l
}

// Exposed is an exposure of a white subject, by one of the ways in which it may be known.
type Exposed struct {
	By    string // "the white card"
	Field string // of the set, for what was read: "flash.seen"
	Stops Stops
}

// KeyEstimates lists the flash's exposure by each known method, the most direct first: that one counts.
func (s Setup) KeyEstimates() (ways []Exposed) {
	f, n := s.Flash, s.Camera.Lens().WorkingFNumber()
	if f.Seen.Known {
		ways = append(ways, Exposed{"the white card", "flash.seen", seenStops(f.Seen.Value)})
	}
	if f.Reading > 0 {
		ways = append(ways, Exposed{"the flash meter", "flash.reading", FlashExposure(ExactFNumber(f.Reading), n)})
	}
	if right, known := f.FNumber(s.Camera.Speed); known {
		ways = append(ways, Exposed{"the guide number", "flash.guide", FlashExposure(right, n)})
	}
	return ways
}

// BackgroundEstimates lists the background's exposure in the same way.
func (s Setup) BackgroundEstimates() (ways []Exposed) {
	b := s.Background
	if b.Seen.Known {
		ways = append(ways, Exposed{"the histogram", "background.seen", seenStops(b.Seen.Value)})
	}
	if b.Reading > 0 {
		read := FlashExposure(ExactFNumber(b.Reading), s.Camera.Lens().WorkingFNumber())
		ways = append(ways, Exposed{"the flash meter", "background.reading", read + Stops(math.Log2(float64(b.Reflects)))})
	}
	return ways
}

// seenStops is the exposure of what was seen at a level. What is black is not more than half a step of a histogram of
// 256.
func seenStops(l Level) Stops { return max(l, 0.5/255).Stops() }

// first is the exposure that counts, or else one to take until it is known.
func first(ways []Exposed, otherwise Stops) (Stops, bool) {
	if len(ways) == 0 {
		return otherwise, false
	}
	return ways[0].Stops, true
}

// WithoutStale is the setup without what was seen and read in the one before, where a change since then has made it
// different: it has to be looked at again. What was itself changed since is kept. What becomes known of a lens or a
// unit changes nothing that was seen.
func (s Setup) WithoutStale(before Setup) Setup {
	unit := s.Flash.Unit()
	if unit.Guide == 0 || before.Flash.Guide == 0 {
		unit.Guide = before.Flash.Guide
	}
	speed := s.Camera.Speed != before.Camera.Speed
	others := !slices.Equal(s.Flash.otherLight(), before.Flash.otherLight())
	lit := unit != before.Flash.Unit() || others
	exposed := speed || s.Camera.Aperture != before.Camera.Aperture
	stale(&s.Flash.Seen, before.Flash.Seen, exposed || lit)
	stale(&s.Flash.Reading, before.Flash.Reading, speed || lit)
	stale(&s.Background.Seen, before.Background.Seen, exposed)
	stale(&s.Background.Reading, before.Background.Reading, speed)
	stale(&s.Flash.Smear, before.Flash.Smear, s.Flash.Power != before.Flash.Power || others ||
		s.Camera.MovedSince(before.Camera))
	stale(&s.Camera.FieldSeen, before.Camera.FieldSeen, s.Camera.Focal != before.Camera.Focal ||
		s.Camera.Distance != before.Camera.Distance || s.Camera.Sensor != before.Camera.Sensor)
	if s.Room == before.Room { // a meter reads for any camera, a frame is of this one
		stale(&s.Room.FrameOpen, before.Room.FrameOpen, exposed)
		stale(&s.Room.FrameSeen, before.Room.FrameSeen, exposed)
	}
	return s
}

// MovedSince reports whether the lens is another, or elsewhere, than when it had been typed before. Typed for the first
// time in place of the usual one, it was there already.
func (c Camera) MovedSince(before Camera) bool {
	usual := DefaultSetup().Camera
	moved := func(now, was, unknown phys.Length) bool { return now != was && was != unknown }
	return moved(c.Focal, before.Focal, usual.Focal) || moved(c.Distance, before.Distance, usual.Distance) ||
		moved(c.FieldSeen, before.FieldSeen, 0) && c.FieldSeen != 0 || c.Turn != before.Turn
}

// Differs reports whether the lens is another or elsewhere than typed before, even if that was the usual one: who has
// said that the focus is locked has to say so again.
func (c Camera) Differs(before Camera) bool {
	return c.Focal != before.Focal || c.Distance != before.Distance || c.MovedSince(before)
}

// WithSeen is the setup with what was seen and read at the focus spot in another, and of the background in its frame.
func (s Setup) WithSeen(in Setup) Setup {
	s.Flash.Seen, s.Flash.Reading, s.Flash.Smear = in.Flash.Seen, in.Flash.Reading, in.Flash.Smear
	s.Background.Seen, s.Camera.FieldSeen = in.Background.Seen, in.Camera.FieldSeen
	return s
}

// stale takes back a value that was kept while what it depends on was changed.
func stale[T comparable](now *T, before T, changed bool) {
	if changed && *now == before {
		*now = *new(T)
	}
}
