package lighting

import (
	"stillwater/internal/optics"
	"stillwater/internal/phys"
	"stillwater/internal/shot"
)

// PracticeWords says what is usual. Common practice, no source.
const PracticeWords = "Common practice, no source: around f/16, ISO 320 to 400, 1/125 s with flash, a light of about " +
	"1/2000 s or shorter at low power, a light grey background, and a frame that is black without the flash."

// Practice is a set with what is usual in place of its own values. Common practice, no source.
func Practice(s shot.Set) shot.Set {
	s.Camera.Aperture, s.Camera.Speed, s.Camera.Shutter = 16, 400, 1./125
	s.Flash.Reading, s.Flash.Seen, s.Flash.Smear = 16, optics.Optional[optics.Level]{}, optics.Optional[optics.Pixels]{}
	s.Flash.Power, s.Flash.Figures, s.Flash.Measured = 1./16, "1/16 1/2000 s", optics.AboveTenth
	s.Room = optics.Ambient{By: optics.RoomFrame, FrameOpen: optics.Known(optics.ExposureTime(1. / 125)),
		FrameSeen: optics.Known(optics.Level(0)), Margin: optics.MinMargin}
	s.Background.Seen = optics.Known(optics.BackgroundAim)
	if s.Kind == shot.Throw { // a frame of 1.2 m
		s.Camera.Focal, s.Camera.Distance = 0.05, phys.Length(1.7)
		s.Background.Distance, s.Background.Width = 1, 1.2
		return s
	}
	s.Camera.FieldSeen = 0 // a ruler that was read, and says what lens and distance do
	s.Camera.FieldSeen = s.Camera.Lens().Field(s.Camera.Sensor)
	return s
}
