package lighting

import (
	"fmt"
	"math"
	"strings"

	"stillwater/internal/optics"
	"stillwater/internal/phys"
	"stillwater/internal/shot"
)

// freeze is the freeze check: by the blur that was seen, or else by how long the light lasts.
func (r Report) freeze() Step {
	s := Step{ID: "freeze", Title: "Freeze check",
		Do:     fmt.Sprintf("Let one drop or throw go and look at %s at full size.", r.judged()),
		Expect: r.sharpEnough(),
		Seen:   []string{"flash.smear"},
		Fields: []string{"flash.control", "flash.duration", "flash.measured", "flash.figures", "camera.print",
			"camera.max_blur"},
	}
	switch {
	case r.limited() && r.Light.PulseKnown && r.BlurAround.Subject > r.Set.Camera.MaxBlur:
		r.overLimit(&s)
	case r.Seen:
		r.judgeSmear(&s)
		return s
	case !r.Light.PulseKnown:
		s.Verdict, s.Says = Unknown, "How long the flash lasts has not been typed."
		if r.several() {
			s.Says = "How long each flash lasts has not been typed."
		}
		s.Next = "Type its duration at full power from the unit's own table, and which kind of unit it is; or what was seen."
		return s
	case r.Subject.Fastest == 0:
		s.Verdict = Unknown
		s.Says = fmt.Sprintf("The light lasts %s. How fast what bursts moves is not known.", inTime(r.Light.Pulse.Tenth))
		s.Next = "Type the blur that was seen."
		return s
	case r.turns() && r.Blur.Subject <= r.SharpBlur:
		r.frozenAtTurn(&s)
	default:
		r.judgePrint(&s, r.moved())
	}
	if r.Light.PulseIdeal {
		s.Says += " That is for an ideal decay, of which t0.1 is 3.3 times t0.5; real units differ, so look at the first " +
			"frames."
	}
	r.ghosts(&s)
	return s
}

// judged is what has to be sharp.
func (r Report) judged() string {
	if r.turns() {
		return "the liquid that turns at this moment, not at the droplets around it,"
	}
	return "the liquid's fastest edge"
}

// limited reports that a limit was asked for.
func (r Report) limited() bool { return r.Set.Camera.MaxBlur > 0 }

// sharpEnough is the blur by which a frame is judged: that which the print does not show and, if one was asked for, the
// limit for the fastest.
func (r Report) sharpEnough() string {
	expect := fmt.Sprintf("Blur of no more than %s: not seen on a print %s wide.", inPixels(r.pixelsOf(r.SharpBlur)),
		inLength(r.Light.Picture.Print))
	if asked := r.Set.Camera.MaxBlur; r.limited() {
		expect += fmt.Sprintf(" Nowhere more than your limit of %s, %s.", inMm(asked), inPixels(r.pixelsOf(asked)))
	}
	if r.turns() && r.Light.PulseKnown && r.BlurAround.Subject > r.SharpBlur {
		expect += fmt.Sprintf(" The droplets around it may have more: %s.", inPixels(r.BlurAround.Pixels))
	}
	return expect
}

// pixelsOf is a length at the subject in the picture.
func (r Report) pixelsOf(l phys.Length) float64 {
	return float64(l/r.Wide) * float64(r.Light.Picture.Pixels)
}

// moved says how far the liquid moves in the light.
func (r Report) moved() string {
	liquid := fmt.Sprintf("liquid at %.2f m/s", r.Subject.Speed)
	if r.turns() {
		liquid = "liquid that turns at the moment"
	}
	return fmt.Sprintf("The light lasts %s, in which %s moves %s: %s.", inTime(r.Light.Pulse.Tenth), liquid,
		inMm(r.Blur.Subject), inPixels(r.Blur.Pixels))
}

// misread is the ratio of the blur that was seen to the one computed, or its inverse, from which on they contradict
// each other: own choice. An ideal light's two durations, which a person may see blur by, are 3.3 times apart.
const misread = 4

// judgeSmear judges by the blur that was seen.
func (r Report) judgeSmear(s *Step) {
	seen := fmt.Sprintf("Blur of %v was seen, %s at the liquid.", r.Set.Flash.Smear, inMm(r.Blur.Subject))
	switch asked := r.Set.Camera.MaxBlur; {
	case r.Blur.Pixels == 0:
		s.Verdict, s.Says = Works, "No blur was seen."
	case r.limited() && r.Blur.Subject > asked:
		s.Verdict, s.Says = Change, fmt.Sprintf("%s You asked for no more than %s.", seen, inMm(asked))
		s.Next = r.shorter(s, 0)
	default:
		r.judgePrint(s, seen)
	}
	if !r.Light.PulseKnown || r.Subject.Fastest == 0 {
		return
	}
	out := r.blurIn(r.Light.Pulse.Tenth).Pixels
	if high, low := max(r.Blur.Pixels, out, 1), max(min(r.Blur.Pixels, out), 1); high/low < misread {
		return
	}
	s.Says += fmt.Sprintf(" From the flash duration it should be %s.", inPixels(out))
	s.Next = strings.TrimSpace(s.Next + " Look again at full size, and correct the durations or the blur seen.")
	if s.Verdict == Works {
		s.Verdict = Caution
	}
}

// overLimit is for liquid that moves farther than the set allows.
func (r Report) overLimit(s *Step) {
	asked, moves, lasts := r.Set.Camera.MaxBlur, r.BlurAround.Subject, r.Light.Pulse.Tenth
	s.Verdict = Change
	s.Says = fmt.Sprintf("The light lasts %s, in which the fastest liquid, at %.2f m/s, moves %s, and you asked for %s.",
		inTime(lasts), r.Subject.Fastest, inMm(moves), inMm(asked))
	s.Next = r.shorter(s, lasts*phys.Time(asked/moves))
}

// frozenAtTurn is for liquid that is at its highest, and sharp.
func (r Report) frozenAtTurn(s *Step) {
	s.Verdict = Works
	s.Says = fmt.Sprintf("The light lasts %s, and at this moment the liquid hardly moves: its motion is frozen. "+
		"Droplets around it, at up to %.2f m/s, smear by %s, seen on a print wider than %s.",
		inTime(r.Light.Pulse.Tenth), r.Subject.Fastest, inPixels(r.BlurAround.Pixels),
		inLength(phys.RoundDown(r.largestPrint(r.BlurAround), 2)))
}

// judgePrint is by the print that was asked for.
func (r Report) judgePrint(s *Step, what string) {
	largest := inLength(phys.RoundDown(r.largestPrint(r.Blur), 2))
	print := inLength(r.Light.Picture.Print)
	if r.Blur.Subject <= r.SharpBlur {
		s.Verdict = Works
		s.Says = fmt.Sprintf("%s It is not seen on a print %s wide%s.", what, print, r.orLarger(largest, print))
		return
	}
	s.Verdict = Change
	s.Says = fmt.Sprintf("%s It is seen on a print wider than %s, and you asked for %s.", what, largest, print)
	want := optics.LongestLight(r.Subject.Speed, r.Light.Lens, r.Light.Picture)
	if r.turns() {
		want = optics.LongestAtApex(r.Light.Lens, r.Light.Picture)
	}
	s.Next = r.shorter(s, want)
}

// orLarger says on which larger prints a blur is not seen either; "" none.
func (r Report) orLarger(largest, print string) string {
	if largest == print || r.largestPrint(r.Blur) <= r.Light.Picture.Print {
		return ""
	}
	return ", nor on one up to " + largest
}

// ghosts adds what flashes draw that last longer than the light that counts. As of the room's light, the margin asked
// for is enough.
func (r Report) ghosts(s *Step) {
	for _, g := range r.Light.Ghosts {
		leaves := fmt.Sprintf("a ghost %s fainter than the picture", inStops(g.Under()))
		switch ghost := r.blurIn(g.Pulse.Tenth).Subject; {
		case g.Pulse == (optics.LightPulse{}):
			s.Says += fmt.Sprintf(" How long flash %d lasts has not been typed: it may leave %s.", g.Unit+1, leaves)
		case ghost <= r.SharpBlur:
			continue
		default:
			s.Says += fmt.Sprintf(" Flash %d lasts %s, in which the liquid moves %s: %s.", g.Unit+1,
				inTime(g.Pulse.Tenth), inMm(ghost), leaves)
		}
		asked := r.Set.Room.Margin
		if g.Under() >= asked {
			continue
		}
		by := optics.Stops(math.Ceil(float64(asked-g.Under())*10) / 10)
		s.Next = strings.TrimSpace(s.Next + fmt.Sprintf(" Lower flash %d by %s, to the margin that you asked of the "+
			"room's light, or make it as short as the others.", g.Unit+1, inStops(by)))
		if s.Verdict == Works {
			s.Verdict = Caution
		}
	}
}

// largestPrint is the widest on which a blur is not seen, at most 5 m.
func (r Report) largestPrint(b optics.Blur) phys.Length {
	p := r.Light.Picture
	return min(p.Print*r.SharpBlur/max(b.Subject, 1e-9), 5)
}

// shorter says at which power the light is as short as wanted, and what makes up for what is lost.
func (r Report) shorter(s *Step, want phys.Time) string {
	if r.Seen {
		if r.Set.Flash.Control == optics.Throttled {
			return "Use a shorter light: more power, as this unit is throttled."
		}
		return "Use a shorter light: less power, as this unit is cut off early."
	}
	power, ok := r.Set.Flash.PowerFor(want)
	if !ok {
		return r.shorterUnits(want)
	}
	fix := shot.Fix{Field: "flash.power", Value: power.String()}
	lost := r.lostAt(power)
	s.Fixes = append(s.Fixes, r.keepingKey(fix, lost)...)
	there := r.Set.Flash
	there.Power = power
	say := fmt.Sprintf("At %v power it is short enough (%s)", power, inTime(there.Lit().Pulse.Tenth))
	if lost <= 0 {
		if r.several() { // moved back it would give less of all the light
			return say + fmt.Sprintf(", and %s brighter: stop down.", inStops(-lost))
		}
		return say + fmt.Sprintf(", and %s brighter: move it back, or stop down.", inStops(-lost))
	}
	say += fmt.Sprintf(". That is %s less light", inStops(lost))
	switch lacks := lost - r.Light.Key; { // of what is right
	case lacks > 0:
		return say + fmt.Sprintf(". %s.", r.makeUp(lacks))
	case lacks < 0:
		return say + fmt.Sprintf(", and still %s over: then move it back, or stop down.", inStops(-lacks))
	}
	return say + ", which makes it right."
}

// shorterUnits says of each flash what makes it as short as wanted, where the first one's power alone does not.
func (r Report) shorterUnits(want phys.Time) string {
	f := r.Set.Flash
	now, _ := f.Discharge().At(f.Power)
	own, ok := f.Discharge().PowerFor(want)
	var say []string
	switch {
	case !ok:
		unit := "this unit"
		if r.several() {
			unit = "the first flash"
		}
		say = append(say, fmt.Sprintf("No power step of %s is as short as %s (t0.1): use another unit, a slower moment, "+
			"or a smaller print.", unit, inTime(want)))
	case now.Tenth > want:
		then, _ := f.Discharge().At(own)
		say = append(say, fmt.Sprintf("At %v power the first flash is short enough (%s).", own, inTime(then.Tenth)))
		f.Power = own
	}
	for _, unit := range f.TooLong(want) {
		say = append(say, fmt.Sprintf("Set flash %d to a power at which it is as short as %s (t0.1).", unit+1,
			inTime(want)))
	}
	return strings.Join(say, " ")
}

// lostAt is by how many stops all flashes together give less with the first one at another power.
func (r Report) lostAt(power optics.Fraction) optics.Stops {
	f := r.Set.Flash
	now, known := f.FNumber(r.Set.Camera.Speed)
	if !known {
		return optics.Stops(math.Log2(float64(f.Power / power)))
	}
	f.Power = power
	then, _ := f.FNumber(r.Set.Camera.Speed)
	return optics.FlashExposure(now, then)
}
