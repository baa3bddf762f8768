package shot

import (
	"encoding"
	"fmt"
	"math"
	"strings"

	"stillwater/internal/optics"
	"stillwater/internal/phys"
	"stillwater/internal/splash"
)

// Optics is the set's camera, flash, room and background.
func (s Set) Optics() optics.Setup {
	return optics.Setup{Camera: s.Camera, Flash: s.Flash, Room: s.Room, Background: s.Background}
}

// SetOptics replaces camera, flash, room and background.
func (s *Set) SetOptics(o optics.Setup) {
	s.Camera, s.Flash, s.Room, s.Background = o.Camera, o.Flash, o.Room, o.Background
}

// WithoutStale is the set without what was seen with the one before, where a change since then has made it different:
// of another kind of shot the focus spot is elsewhere, and liquid that is faster or slower blurs otherwise.
func (s Set) WithoutStale(before Set) Set {
	o := s.Optics().WithoutStale(before.Optics())
	if s.Kind != before.Kind {
		o = o.WithSeen(optics.Setup{})
	}
	if o.Flash.Smear == before.Flash.Smear && !s.movesLike(before) {
		o.Flash.Smear = optics.Optional[optics.Pixels]{}
	}
	s.SetOptics(o)
	return s
}

// Recall is the set with what was seen with an earlier one of its kind, as far as it still holds.
func (s Set) Recall(earlier Set) Set {
	with := s
	with.SetOptics(s.Optics().WithSeen(earlier.Optics()))
	s.SetOptics(s.Optics().WithSeen(with.WithoutStale(earlier).Optics()))
	return s
}

// movesLike reports whether the liquid is as fast at the moment as in another set, as far as that can be worked out.
// The range of accepted throws makes no difference.
func (s Set) movesLike(other Set) bool {
	other.Throw.SpeedLow, other.Throw.SpeedHigh = s.Throw.SpeedLow, s.Throw.SpeedHigh
	if s.Drop == other.Drop && s.Throw == other.Throw && s.Sound == other.Sound && s.Drops == other.Drops {
		return true
	}
	now, err := s.subject()
	was, errWas := other.subject()
	return err == nil && errWas == nil && sameSpeed(now.Speed, was.Speed) && sameSpeed(now.Fastest, was.Fastest)
}

// sameSpeed allows for less than anybody sees of a blur.
func sameSpeed(a, b phys.Speed) bool { return math.Abs(float64(a-b)) <= 1e-3*float64(max(a, b)) }

// subject is the liquid of a first shot.
func (s Set) subject() (Subject, error) {
	e, err := s.Estimate()
	if err != nil {
		return Subject{}, err
	}
	return s.SubjectOf(e, DefaultSpread())
}

// Framed reports whether somebody has put the lens somewhere, or has read a ruler in the frame. A set's start has the
// lens of a drop.
func (s Set) Framed() bool {
	c, start := s.Camera, optics.DefaultSetup().Camera
	return c.Focal != start.Focal || c.Distance != start.Distance || c.FieldSeen != 0
}

// opticsFields are the fields of camera, flash, room and background. A set that is stored without them has the usual
// ones. The ranges are what fits in a room and on a camera.
func (s *Set) opticsFields() []field {
	c, f, r, b := &s.Camera, &s.Flash, &s.Room, &s.Background
	fields := []field{
		quantity("camera.aperture", &c.Aperture, 0.7, 128),
		quantity("camera.iso", &c.Speed, 6, 1e6),
		quantity("camera.shutter", &c.Shutter, optics.Bulb, 600),
		quantity("camera.focal", &c.Focal, 4*mm, 2),
		quantity("camera.distance", &c.Distance, 1*cm, 20),
		quantity("camera.nearest", &c.Nearest, 1*cm, 20),
		quantity("camera.widest", &c.Widest, 0.7, 32),
		quantity("camera.narrowest", &c.Narrowest, 0.7, 128),
		quantity("camera.sensor", &c.Sensor, 2*mm, 20*cm),
		quantity("camera.sensor_height", &c.SensorHeight, 2*mm, 20*cm),
		count("camera.pixels", &c.Pixels, 100, 100000),
		quantity("camera.turn", &c.Turn, -maxTurn, maxTurn),
		quantity("camera.print", &c.Print, 2*cm, 5),
		quantity("camera.max_blur", &c.MaxBlur, 0, 10*cm),
		quantity("camera.field_seen", &c.FieldSeen, 0, 20),
		zeroOr(quantity("flash.guide", &f.Guide, 0, 500), func() bool { return f.Guide > 0 && f.Guide < 10*cm }, "10 cm"),
		quantity("flash.power", &f.Power, 1./2048, 1),
		quantity("flash.distance", &f.Distance, 1*cm, 20),
		quantity("flash.loss", &f.Loss, 0, 10),
		count("flash.units", &f.Units, 1, 32),
		quantity("flash.reading", &f.Reading, 0, 512),
		optional("flash.seen", &f.Seen, 0, 1),
		choice("flash.control", &f.Control, []optics.PowerControl{optics.CutOff, optics.Throttled}),
		quantity("flash.duration", &f.Duration, 0, 0.1),
		choice("flash.measured", &f.Measured, []optics.Measured{optics.AboveHalf, optics.AboveTenth}),
		listed("flash.figures", &f.Figures, "power steps and durations, like 1/1 1/300 s, 1/16 1/4000 s, or none"),
		listed("flash.others", &f.Others, "guide number, power, distance and duration of each, like 28 m, 1/16, 60 cm, "+
			"1/4000 s; 20 m, full, 1 m, or none"),
		optional("flash.smear", &f.Smear, 0, 10000),
		choice("room.by", &r.By, []optics.RoomBy{optics.RoomUnknown, optics.RoomMetered, optics.RoomFrame}),
		optional("room.ev", &r.EV, -15, 20),
		optional("room.frame_open", &r.FrameOpen, 1./8000, 600),
		optional("room.frame_seen", &r.FrameSeen, 0, 1),
		quantity("room.margin", &r.Margin, 0, 15),
		quantity("background.distance", &b.Distance, 1*cm, 20),
		quantity("background.width", &b.Width, 1*cm, 20),
		quantity("background.reading", &b.Reading, 0, 512),
		quantity("background.reflects", &b.Reflects, 0.01, 1),
		optional("background.seen", &b.Seen, 0, 1),
		quantity("background.rim", &b.Rim, 0.01, 0.5),
		quantity("background.black_width", &b.BlackWidth, 0, 20),
	}
	for i := range fields {
		fields[i].optional = true
	}
	return fields
}

// maxTurn keeps the lens from looking along the liquid's path.
const maxTurn = 60 * degree

// zeroOr is a length that is 0 for none, and otherwise not less than a least value.
func zeroOr(f field, less func() bool, least string) field {
	check, accepts := f.check, f.accepts
	f.accepts = func() string {
		_, to, _ := strings.Cut(accepts(), " to ")
		return fmt.Sprintf("%s to %s, or 0 m if it is not known", least, to)
	}
	f.check = func() string {
		if less() {
			return fmt.Sprintf("%s is less than %s", f.text(), least)
		}
		return check()
	}
	return f
}

// optional is a field for what somebody saw or measured, or nobody yet.
func optional[T interface {
	~float64 | ~int
	fmt.Stringer
}](name string, at *optics.Optional[T], low, high T) field {
	return field{name: name, accepts: func() string { return fmt.Sprintf("%v to %v, or unknown", low, high) },
		parse:  func(text string) error { return at.UnmarshalText([]byte(text)) },
		stored: at.UnmarshalJSON,
		text:   func() string { return at.String() },
		check: func() string {
			switch v := at.Value; {
			case at.Known && v < low:
				return fmt.Sprintf("%v is less than %v", v, low)
			case at.Known && v > high:
				return fmt.Sprintf("%v is more than %v", v, high)
			case math.IsNaN(float64(v)):
				return "it is not a number"
			}
			return ""
		}}
}

// listed is a field for a table that is written as text.
func listed[T fmt.Stringer, R any, P interface {
	*T
	encoding.TextUnmarshaler
	Table() ([]R, error)
}](name string, at P, accepts string) field {
	return field{name: name, accepts: func() string { return accepts },
		parse: func(text string) error { return at.UnmarshalText([]byte(text)) },
		text:  func() string { return (*at).String() },
		check: func() string {
			if _, err := at.Table(); err != nil {
				return err.Error()
			}
			return ""
		}}
}

// checkCamera checks that the lens can be focused on the spot.
func (s Set) checkCamera() error {
	c := s.Camera
	lens := c.Lens()
	if c.Narrowest < c.Widest {
		return &FieldError{Field: "camera.narrowest",
			Why:    fmt.Sprintf("%v is a wider opening than the lens's widest, %v", c.Narrowest, c.Widest),
			Remedy: fmt.Sprintf("use %v or a larger number", c.Widest)}
	}
	if c.FieldSeen == 0 && c.Distance < c.NearestDistance()*(1-1e-9) {
		least := phys.RoundUp(c.NearestDistance()*(1-1e-9), 3)
		return &FieldError{Field: "camera.distance",
			Why: fmt.Sprintf("%v is nearer than this lens focuses: %v from the sensor are about %v from the lens", c.Distance,
				c.Nearest, least),
			Remedy: fmt.Sprintf("use at least %v, or correct the lens's nearest focus", least)}
	}
	// Nearer than this the image is over twenty times life size: no lens for a camera does that.
	if least := c.Sensor * 0.05; c.FieldSeen > 0 && c.FieldSeen < least {
		return &FieldError{Field: "camera.field_seen",
			Why: fmt.Sprintf("no lens shows a piece %v wide on a sensor %v wide", c.FieldSeen, c.Sensor),
			Remedy: fmt.Sprintf("read the ruler again: at least %v; or use 0 if nobody has looked",
				phys.RoundUp(least*(1-1e-9), 3))}
	}
	if least := lens.Focal * 1.05; c.FieldSeen == 0 && lens.Focus < least {
		return &FieldError{Field: "camera.distance",
			Why:    fmt.Sprintf("a lens of %s makes no picture of what is %v from it", inMm(c.Focal), phys.Round(lens.Focus, 3)),
			Remedy: fmt.Sprintf("use at least %v, or a shorter lens", phys.RoundUp(least*(1-1e-9), 3))}
	}
	return nil
}

// OpenTime is for how long the shutter is open: as the camera's dial says or, at B, as long as it is held.
func (s Set) OpenTime() phys.Time {
	switch {
	case s.Camera.Shutter != optics.Bulb:
		return phys.Time(optics.ExactShutter(s.Camera.Shutter))
	case s.Light.Expose == FlashInDark && s.ShutterBy() != ByEdge:
		return s.Light.OpenFor
	}
	return phys.Seconds((plan{set: s}).shutterLead() + shutterTail)
}

// Subject is the liquid at the moment: how large, how fast, and how far from the focus spot it may be, as standard
// deviations of a first shot.
type Subject struct {
	Speed   phys.Speed  // across the view; 0: at a turning point, or not known
	Fastest phys.Speed  // of what flies around it; 0: not known
	Size    phys.Length // across, about; 0: not known
	Tall    phys.Length // upright, about; 0: not known
	// TallSpread is the spread of Tall, from shot to shot and by what is not known of it, SD of the logarithm.
	TallSpread  float64
	ForwardSD   phys.Length // level, the way a throw goes; of a drop from side to side
	UpSD        phys.Length // and down
	Correlation float64     // of forward and up, -1 to 1
	AsideSD     phys.Length // towards the camera and away, if it looks square at the path
	Level       bool        // the path is level rather than upright
}

// dripAside is how far drops differ sideways, SD. Common practice, no source: an undisturbed drip.
const dripAside = 1 * mm

// SubjectOf is the liquid of the shot that e describes. Of a throw, a hand is taken to be as uneven sideways as up and
// down.
//
// Errors: as Errors.
func (s Set) SubjectOf(e Estimate, spread Spread) (Subject, error) {
	b, err := Errors(s, e, spread, defaultTick)
	if err != nil {
		return Subject{}, err
	}
	p := Subject{Speed: b.Speed, UpSD: b.Total.Displaced}
	p.Tall, p.TallSpread = s.tall(e)
	switch s.Kind {
	case Throw:
		across := phys.Speed(acrossView(e.FocusAngle, s.Camera.Turn))
		p.Speed, p.Fastest, p.Level, p.Size = b.Speed*across, e.FocusSpeed*across, true, s.Throw.width()
		return p, s.thrownScatter(&p, e, spread, b)
	case Sound: // what bursts, and where, is not known
	case Drops:
		p.Fastest, p.ForwardSD, p.AsideSD, p.Size = e.Speed, dripAside, dripAside,
			s.Drops.impact(e.Diameter, e.Speed).CraterWidth()
		if s.Drops.Want == WantPhase && s.Drops.Phase == splash.Contact {
			p.Size = e.Diameter
		}
	default:
		p.Fastest, p.ForwardSD, p.AsideSD, p.Size = e.Speed, dripAside, dripAside, e.Diameter
		if s.Drop.Phase != splash.Contact {
			impact, err := s.Drop.impact(e.Diameter, e.Speed)
			if err != nil {
				return Subject{}, err
			}
			p.Size = impact.CraterWidth()
		}
	}
	return p, nil
}

// thrownScatter fills in where a throw may be. A hand that is as uneven sideways as up and down gives it a speed that
// way for as long as it flies.
func (s Set) thrownScatter(p *Subject, e Estimate, spread Spread, b Budget) error {
	scatter, err := s.Throw.scatter(e, spread)
	if err != nil {
		return s.speedError(err, e.Speed)
	}
	xx, yy, xy := scatter.moments(b.besidesAngle(false))
	p.ForwardSD, p.UpSD = phys.Length(math.Sqrt(xx)), phys.Length(math.Sqrt(yy))
	if both := math.Sqrt(xx * yy); both > 0 {
		p.Correlation = xy / both
	}
	p.AsideSD = phys.Length(float64(spread.ThrowAngle) * float64(s.Throw.ToFocus) / math.Cos(float64(s.Throw.Angle)))
	return nil
}

// acrossView is the part of the speed on a path at an angle above level that a camera sees that is turned along it.
func acrossView(path, turn phys.Angle) float64 {
	towards := math.Cos(float64(path)) * math.Sin(float64(turn))
	return math.Sqrt(1 - towards*towards)
}

// TallQuantile is the height that a part of the shots do not exceed, given as standard deviations of a normal
// distribution.
func (p Subject) TallQuantile(sd float64) phys.Length {
	return p.Tall * phys.Length(math.Exp(sd*p.TallSpread))
}

// tall is about how tall the liquid is at the moment, and the spread of that. A crown or a crater counts with half of
// its width: own estimate.
func (s Set) tall(e Estimate) (phys.Length, float64) {
	switch s.Kind {
	case Throw:
		return s.Throw.width(), 0
	case Sound:
		return 0, 0
	case Drops:
		if s.Drops.Want != WantPhase { // the drop that met the column is on its tip
			return e.Drops.Meeting.Height + e.Diameter, 0
		}
		return tallAt(s.Drops.Phase, e, s.Drops.impact(e.Diameter, e.Speed), s.Drops.ColumnHeight)
	}
	impact, err := s.Drop.impact(e.Diameter, e.Speed)
	if err != nil {
		return 0, 0
	}
	return tallAt(s.Drop.Phase, e, impact, 0)
}

// tallAt is the same for a phase of an impact whose column was measured, or 0.
func tallAt(phase splash.Phase, e Estimate, i splash.Impact, measured phys.Length) (phys.Length, float64) {
	switch phase {
	case splash.Contact:
		return e.Diameter, 0
	case splash.ColumnHighest:
		column, err := splash.ColumnOf(i)
		if err != nil {
			break
		}
		if measured > 0 {
			column = column.Measured(measured, measuredSpread)
		}
		return column.Height, column.Spread
	}
	return i.CraterWidth() / 2, 0
}

// width is about how wide the thrown liquid is: a ball, or a round sheet of the same volume.
func (t ThrowSet) width() phys.Length {
	if t.Thickness == 0 {
		return t.Mass
	}
	return max(t.Mass, t.Mass*phys.Length(math.Sqrt(2*float64(t.Mass/t.Thickness)/3)))
}

// checkBlur refuses a light that lasts longer than the blur that was asked for.
func (p plan) checkBlur() error {
	asked := p.set.Camera.MaxBlur
	lit := p.set.Flash.Lit()
	if asked == 0 || !lit.Known {
		return nil
	}
	subject, err := p.set.subject()
	if err != nil {
		return err
	}
	v := max(subject.Speed, subject.Fastest)
	blur := phys.Length(float64(v) * float64(lit.Pulse.Tenth))
	if blur <= asked {
		return nil
	}
	t := &problem{field: "flash.power", fallback: "use a unit with a shorter light",
		why: fmt.Sprintf("at %v power this unit's light lasts longer than the sharpness you asked for: in %s liquid at "+
			"%.2f m/s moves %s, and your limit is %s", p.set.Flash.Power, inMs(lit.Pulse.Tenth), v, inHundredths(blur),
			inHundredths(asked))}
	if lit.Unit > 0 {
		t.field = "flash.others"
		t.fallback = fmt.Sprintf("type a power of flash %d at which it lasts no longer than %s", lit.Unit+1,
			inMs(phys.Time(float64(asked)/float64(v))))
		t.why = fmt.Sprintf("flash %d lasts too long: in %s liquid at %.2f m/s moves %s, and your limit is %s",
			lit.Unit+1, inMs(lit.Pulse.Tenth), v, inHundredths(blur), inHundredths(asked))
	}
	if power, ok := p.set.Flash.PowerFor(phys.Time(float64(asked) / float64(v))); ok {
		t.fixes = append(t.fixes, fix{field: "flash.power", choice: power.String(),
			format: fmt.Sprintf("set the power to %v and make up for %s", power, lightChange(power, p.set.Flash.Power))})
	}
	if len(t.fixes) == 0 && lit.Unit == 0 {
		t.field = "camera.max_blur"
	}
	enough := phys.RoundUp(blur, 2)
	t.fixes = append(t.fixes, fix{field: "camera.max_blur", choice: enough.String(),
		format: fmt.Sprintf("ask for no more than %v", enough)})
	return t
}

// lightChange says by how much another power changes the light.
func lightChange(to, from optics.Fraction) string {
	stops := math.Log2(float64(to / from))
	if stops < 0 {
		return fmt.Sprintf("%.1f stops less light", -stops)
	}
	return fmt.Sprintf("%.1f stops more light", stops)
}

// inHundredths formats a small length for people, to a hundredth of a millimetre.
func inHundredths(l phys.Length) string { return fmt.Sprintf("%.2f mm", float64(l/mm)) }
