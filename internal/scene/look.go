package scene

import (
	"fmt"
	"math"
	"slices"
	"time"

	"stillwater/internal/optics"
	"stillwater/internal/phys"
	"stillwater/internal/record"
	"stillwater/internal/shot"
	"stillwater/internal/splash"
)

// Frame is what a picture of a flight shows, and what a person would say of it.
type Frame struct {
	Seen     string        // a description for people
	Flashed  bool          // the flash gave light during the flight
	Exposed  bool          // and the shutter was open then
	Opened   bool          // the shutter was open during the flight
	Offset   time.Duration // of the light's peak from the best moment; early is negative
	OffsetMm float64       // throw: how far past the focus spot the liquid is; short of it is negative
	HeightMm float64       // collision: how far above the wanted height the two met; below is negative
	Veiled   bool          // light came in while the shutter was open
	Verdict  record.Verdict
}

// Common practice or own choice, no source.
const (
	goodThrowMm     = 20.0 // a throw this near the focus spot is in focus and in place
	frameDropMm     = 40.0 // a drop higher than this above the surface is out of frame
	goodShape       = 0.1  // of the drop's diameter: an outline that has moved this far is another picture
	goodSound       = 2 * time.Millisecond
	frameSound      = 50 * time.Millisecond
	notableHeightMm = 60.0 // mentioned if it passes this far above or below the focus spot
)

// Look describes the picture of a flight, once the flash has fired.
func (r *Room) Look(f Flight) Frame {
	frame := Frame{Verdict: record.Nothing}
	at, fired, lit := r.flashDuring(f)
	frame.Flashed, frame.Opened = lit, r.opened(f)
	frame.Exposed = lit && (byHand(f.Set) || r.camera.open(at))
	if lit && f.Arrives {
		frame.Offset = at - f.Best
	}
	door := r.doorOpen(f, at)
	why := ""
	switch {
	case !fired:
		why = "the flash did not fire"
	case !lit:
		why = "the flash was not charged yet"
	case !frame.Exposed:
		why = "the shutter was not open" + r.camera.missedBy(at)
	}
	if why != "" {
		frame.Seen = "black: " + why
		if frame.Opened && optics.LevelAt(roomLight(f.Set, door)) > optics.BlackLevel {
			frame.Seen = "only the room's light: " + why
		}
		return frame
	}
	f.describe(&frame, at)
	if frame.Veiled = door >= veilAfter; frame.Veiled {
		frame.Seen += "; veiled, as a door was open"
	}
	return frame
}

// byHand reports whether somebody holds the shutter open all the time.
func byHand(set shot.Set) bool {
	return set.Light.Expose == shot.FlashInDark && set.Light.Shutter == shot.ByHand
}

// opened reports whether the shutter was open at any time of a flight.
func (r *Room) opened(f Flight) bool {
	return byHand(f.Set) || slices.ContainsFunc(r.camera.openings, func(o opening) bool {
		return o.from <= f.Ends && (o.to == 0 || o.to > f.Released)
	})
}

// describe says what a picture at a time shows.
func (f Flight) describe(frame *Frame, at time.Duration) {
	switch f.Set.Kind {
	case shot.Drop:
		f.describeDrop(frame, at)
	case shot.Drops:
		f.describeDrops(frame, at)
	case shot.Throw:
		f.describeThrow(frame, at)
	case shot.Sound:
		f.describeSound(frame)
	}
}

// SeenAt is what a picture at a time would show, in words.
func (f Flight) SeenAt(at time.Duration) string {
	frame := Frame{Verdict: record.Nothing, Flashed: true, Exposed: true}
	if f.Arrives {
		frame.Offset = at - f.Best
	}
	f.describe(&frame, at)
	return frame.Seen
}

// flashDuring finds the first flash during a flight that gave light, or else the last that should have.
func (r *Room) flashDuring(f Flight) (at time.Duration, fired, lit bool) {
	for _, fl := range r.camera.flashes {
		if fl.at < f.Released || fl.at > f.Ends {
			continue
		}
		if fl.fired {
			return fl.at, true, true
		}
		at, fired = fl.at, true
	}
	return at, fired, false
}

// missedBy describes by how much a flash missed a nearby opening.
func (c *camera) missedBy(at time.Duration) string {
	for _, o := range c.openings {
		if gap := o.from - at; gap > 0 && gap < time.Second {
			return fmt.Sprintf(": it opened %s after the flash", inMs(gap))
		}
		if gap := at - o.to; o.to > 0 && gap >= 0 && gap < time.Second {
			return fmt.Sprintf(": it closed %s before the flash", inMs(gap))
		}
	}
	return ""
}

func (f Flight) describeThrow(frame *Frame, at time.Duration) {
	if !f.Arrives {
		frame.Seen = "nothing there: the throw fell short of the focus spot"
		return
	}
	mm := float64(f.Speed) * frame.Offset.Seconds() * 1e3
	frame.OffsetMm = mm
	height := ""
	if above := float64(f.Above) * 1e3; above > notableHeightMm {
		height = fmt.Sprintf(", %.0f mm too high", above)
	} else if above < -notableHeightMm {
		height = fmt.Sprintf(", %.0f mm too low", -above)
	}
	seen := f.inFrame(at)
	switch {
	case seen == 0:
		frame.Seen = fmt.Sprintf("nothing there: the sheet was %.0f mm %s the focus spot", math.Abs(mm), pastOrShortOf(mm))
		return
	case math.Abs(mm) < 1:
		frame.Seen = "the sheet in the focus spot" + height
	default:
		frame.Seen = fmt.Sprintf("the sheet %.0f mm %s the focus spot%s", math.Abs(mm), pastOrShortOf(mm), height)
	}
	if out := math.Round(100 * (1 - seen)); out >= 1 {
		frame.Seen += fmt.Sprintf("; %.0f %% of it outside of the picture", out)
	}
	frame.setVerdict(math.Abs(mm) <= goodThrowMm)
}

func pastOrShortOf(mm float64) string {
	if mm < 0 {
		return "short of"
	}
	return "past"
}

func (f Flight) describeSound(frame *Frame) {
	if frame.Offset.Abs() > frameSound {
		frame.Seen = "nothing there: the moment is " + beforeOrAfter(frame.Offset, "over for %s", "%s away")
		return
	}
	frame.Seen = "the moment " + beforeOrAfter(frame.Offset, "%s past", "%s before its time")
	if frame.Offset.Abs() < 50*time.Microsecond {
		frame.Seen = "the very moment"
	}
	frame.setVerdict(frame.Offset.Abs() <= goodSound)
}

// setVerdict sets the verdict of a picture that shows something.
func (frame *Frame) setVerdict(good bool) {
	switch {
	case good:
		frame.Verdict = record.Good
	case frame.Offset < 0:
		frame.Verdict = record.Early
	default:
		frame.Verdict = record.Late
	}
}

func (f Flight) describeDrop(frame *Frame, at time.Duration) {
	if at < f.Contact {
		f.describeFalling(frame, f.Contact-at)
		return
	}
	if at > f.splashEnd() {
		frame.Seen = "nothing there: flat water, the splash is over"
		return
	}
	nearest := f.nearest(at)
	off := at - nearest.At
	frame.Seen = phaseWords(nearest.Phase, off)
	if !f.Arrives {
		frame.Seen += "; so slow a drop raises no column"
		return
	}
	if nearest.Phase != f.Set.Drop.Phase {
		frame.Seen += ", " + beforeOrAfter(frame.Offset, "%s after", "%s before") + " " + phaseName(f.Set.Drop.Phase)
	}
	frame.setVerdict(frame.Offset.Abs() <= f.shapeHolds())
}

// shapeHolds is for how long before and after the wanted phase a picture still shows it: until what moves has moved the
// outline by goodShape. The drop moves at the surface as it falls. A column rises and falls freely, by g times the time
// to its highest; and surface tension moves outlines at sqrt(sigma/(rho r)), r being the drop's radius for a column,
// and half of the wall, a fifth of the drop across, for the crown (own estimate, not published).
//
// The other two are measured, of a 5 mm drop at 2.4 m/s (Chashechkin and Prokhorov 2025;
// testdata/published/splash_published_2.csv): its crater is within 0.3 mm of its greatest depth from 20 to 27 ms, and
// its column, still seen at 142.2 ms, is a bare bump at 153.0 ms. In units of its crater, 12.5 mm and 35.7 ms.
func (f Flight) shapeHolds() time.Duration {
	allowed := goodShape * float64(f.Diameter)
	radius, speed := float64(f.Diameter)/2, 0.
	switch f.Set.Drop.Phase {
	case splash.Contact:
		return phys.Time(allowed / float64(f.Speed)).Duration()
	case splash.CraterDeepest:
		return phys.Time(3.5 / 35.7 * f.tau() * math.Sqrt(allowed/f.crater*12.5/0.3)).Duration()
	case splash.ColumnGone:
		return phys.Time((153.0 - 142.2) / 2 / 35.7 * f.tau()).Duration()
	case splash.CrownHighest:
		radius /= 5
	case splash.ColumnEmerges:
		speed = f.freeSpeed()
	}
	return phys.Time(allowed / math.Hypot(speed, math.Sqrt(f.capillary/radius))).Duration()
}

// tau is the time scale of the crater, sqrt(R/g), in seconds.
func (f Flight) tau() float64 { return math.Sqrt(f.crater / phys.Gravity) }

// freeSpeed is how fast the column's tip moves at the wanted phase, in free flight to its highest.
func (f Flight) freeSpeed() float64 {
	for _, p := range f.Phases {
		if p.Phase == splash.ColumnHighest {
			return phys.Gravity * (p.At - f.Best).Abs().Seconds()
		}
	}
	return 0
}

// describeFalling describes a picture taken before the drop touches the surface.
func (f Flight) describeFalling(frame *Frame, before time.Duration) {
	t := phys.Seconds(before)
	mm := (float64(f.Speed)*float64(t) - phys.Gravity*float64(t)*float64(t)/2) * 1e3
	if mm > frameDropMm || mm < 0 {
		frame.Seen = "nothing there: the drop has not come yet"
		return
	}
	frame.Seen = fmt.Sprintf("the drop %.1f mm above the surface", mm)
	frame.setVerdict(f.Set.Drop.Phase == splash.Contact && before <= f.shapeHolds())
}

func (f Flight) nearest(at time.Duration) PhaseAt {
	best := f.Phases[0]
	for _, p := range f.Phases {
		if (at - p.At).Abs() < (at - best.At).Abs() {
			best = p
		}
	}
	return best
}

// phaseName is the phase as a noun.
func phaseName(p splash.Phase) string {
	switch p {
	case splash.Contact:
		return "contact"
	case splash.CrownHighest:
		return "the crown's highest"
	case splash.CraterDeepest:
		return "the crater's deepest"
	case splash.ColumnEmerges:
		return "the column's rise"
	case splash.ColumnHighest:
		return "the column's highest"
	case splash.ColumnGone:
		return "the column's end"
	}
	return string(p)
}

// phaseWords describes how far a picture is from a phase.
func phaseWords(p splash.Phase, off time.Duration) string {
	thing, moment := "the column", "highest"
	switch p {
	case splash.Contact:
		return "the drop " + beforeOrAfter(off, "%s into the surface", "%s above the surface")
	case splash.CrownHighest:
		thing = "the crown"
	case splash.CraterDeepest:
		thing, moment = "the crater", "deepest"
	case splash.ColumnEmerges:
		return "the column " + beforeOrAfter(off, "%s after it broke the surface", "%s before it breaks the surface")
	case splash.ColumnGone:
		return "the column " + beforeOrAfter(off, "gone for %s", "%s before it is gone")
	}
	if off.Abs() < 50*time.Microsecond {
		return thing + " at its " + moment
	}
	return thing + " " + beforeOrAfter(off, "%s after its "+moment, "%s before its "+moment)
}

// beforeOrAfter formats a time after something, or before it.
func beforeOrAfter(d time.Duration, after, before string) string {
	if d < 0 {
		return fmt.Sprintf(before, inMs(-d))
	}
	return fmt.Sprintf(after, inMs(d))
}

func inMs(d time.Duration) string { return fmt.Sprintf("%.1f ms", float64(d)/1e6) }
