package lighting

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"stillwater/internal/optics"
	"stillwater/internal/phys"
	"stillwater/internal/shot"
)

// Verdict is what a step comes to.
type Verdict string

const (
	Works   Verdict = "works"
	Caution Verdict = "caution" // it works, at a cost
	Change  Verdict = "change"  // it does not
	Unknown Verdict = "unknown" // what would tell was not typed yet
)

// Step is one thing to do in the room, in the order in which they can be done.
type Step struct {
	ID      string // "dark", "background", "key", "freeze", "focus", "framing", "away"
	Title   string
	Do      string   // what to do
	Expect  string   // what to expect
	Seen    []string // the set's fields for what was seen
	Fields  []string // more of the set's fields that it depends on; each is in one step only
	Verdict Verdict
	Says    string // the verdict in words, with its margin
	Next    string // the next move; "" none
	Waits   bool   // only the person in the room can say that it is done: no number shows it
	Fixes   []shot.Fix
}

func (r Report) steps() []Step {
	steps := []Step{r.dark(), r.background(), r.key(), r.freeze(), r.focus(), r.framing()}
	return append(steps, away(steps))
}

func (r Report) dark() Step {
	s := Step{ID: "dark", Title: "Darken, and test black",
		Do: fmt.Sprintf("Close the room. Leave on only what stays on, the flash off. Open the shutter for %v and look at "+
			"the histogram.", optics.NearestShutter(optics.Shutter(r.Open))),
		Expect: "A black frame: nothing right of the first twentieth.",
		Seen:   []string{"room.by", "room.frame_open", "room.frame_seen", "room.ev"},
		Fields: []string{"camera.shutter", "room.margin"},
	}
	asked := r.Set.Room.Margin
	switch short := asked - r.Margin; {
	case !r.Light.RoomKnown:
		s.Verdict, s.Says = Unknown, "How dark the room is has not been typed."
		s.Next = r.roomLacks()
	case short <= 0:
		s.Verdict = Works
		s.Says = fmt.Sprintf("The room is %s below the flash, and you asked for %s: the shutter may be open for %s.",
			inStops(r.Margin), inStops(asked), inTime(r.longest()))
	default:
		s.Verdict = Change
		s.Says = fmt.Sprintf("The room is only %s below the flash, and you asked for %s: what moves would leave a ghost.",
			inStops(r.Margin), inStops(asked))
		s.Next = fmt.Sprintf("Darken by %s", inStops(optics.Stops(math.Ceil(float64(short)*10)/10)))
		s.Next += r.shorterOpening(&s)
	}
	if !r.Light.KeyKnown && r.Light.RoomKnown {
		s.Says += " The flash is taken to be right."
	}
	return s
}

// roomLacks says what is still to be typed of the room's light.
func (r Report) roomLacks() string {
	switch room := r.Set.Room; {
	case room.By == optics.RoomMetered:
		return "Type what the light meter shows at the focus spot."
	case room.By == optics.RoomFrame && !room.FrameOpen.Known && !room.FrameSeen.Known:
		return "Type the shutter time of the frame, and its brightest part: 0 % if all of it is black."
	case room.By == optics.RoomFrame && !room.FrameOpen.Known:
		return "Type the shutter time of the frame."
	case room.By == optics.RoomFrame:
		return "Type the frame's brightest part: 0 % if all of it is black."
	}
	return "Type what a frame without flash or a light meter shows."
}

// longest is the longest opening that can be set: a mark of the dial, or at B any time.
func (r Report) longest() phys.Time {
	if r.Set.Camera.Shutter != optics.Bulb {
		return optics.Floor(r.Longest)
	}
	return phys.RoundDown(r.Longest, 2)
}

// shorterOpening ends a sentence with the opening that keeps the margin, and offers it.
func (r Report) shorterOpening(s *Step) string {
	field, least := "light.open_for", phys.Time(0.01)
	if r.Set.Camera.Shutter != optics.Bulb {
		field, least = "camera.shutter", 1./8000
	}
	longest := r.longest()
	if longest < least || field == "light.open_for" && r.Set.ShutterBy() == shot.ByEdge {
		return "."
	}
	value := longest.String()
	if field == "camera.shutter" {
		value = optics.Shutter(longest).String()
	}
	if next := r.Set; next.Put(field, value) == nil {
		s.Fixes = append(s.Fixes, shot.Fix{Field: field, Value: value})
	}
	return fmt.Sprintf(", or open the shutter for no more than %s.", inTime(longest))
}

// burntOut is the level from which more light does not show.
const burntOut optics.Level = 0.999

func (r Report) background() Step {
	s := Step{ID: "background", Title: "Background",
		Do: "Light the background by itself, the key off. Look at the brightest part of the histogram, or meter it.",
		Expect: fmt.Sprintf("Light grey, not white: %v to %v of the way to the right.", optics.BackgroundLow,
			optics.BackgroundHigh),
		Seen: []string{"background.seen", "background.reading"},
		Fields: []string{"background.distance", "background.width", "background.black_width", "background.rim",
			"background.reflects"},
	}
	switch {
	case !r.Light.BackgroundKnown:
		s.Verdict, s.Says, s.Next = Unknown, "How bright the background is has not been typed.", "Type what was seen."
	case r.Level >= burntOut:
		s.Verdict = Change
		s.Says = "The background is white: clear water vanishes in it."
		s.Next = "Lower it by a stop and look again; a burnt-out frame does not say how far it is over."
		if !r.Set.Background.Seen.Known {
			s.Next = fmt.Sprintf("Lower it by %s.", inStops(r.LowerBy))
		}
	case r.Level > optics.BackgroundHigh:
		s.Verdict = Change
		s.Says = fmt.Sprintf("At %s the background is nearly white: clear water fades in it.", inPercent(r.Level))
		s.Next = fmt.Sprintf("Lower it by %s.", inStops(r.LowerBy))
	case r.Level < optics.BackgroundLow:
		s.Verdict = Caution
		s.Says = fmt.Sprintf("At %s the background is dark: dark edges stand out less.", inPercent(r.Level))
		s.Next = fmt.Sprintf("Raise it by %s.", inStops(-r.LowerBy))
	default:
		s.Verdict = Works
		s.Says = fmt.Sprintf("Light grey, %s; %s below white.", inPercent(r.Level), inStops(-r.Light.Background))
	}
	disagree(&s, r.Set.Optics().BackgroundWays())
	r.edges(&s)
	return s
}

// disagreement is from how many stops on two ways to know one exposure contradict each other: own choice; guide numbers
// are often optimistic by a stop.
const disagreement optics.Stops = 1.5

// disagree says which of several ways counts, if another says something else.
func disagree(s *Step, ways []optics.Exposed) {
	for i, other := range ways {
		off := other.Stops - ways[0].Stops
		if i == 0 || max(off, -off) < disagreement {
			continue
		}
		than := "more"
		if off < 0 {
			than = "less"
		}
		s.Says += fmt.Sprintf(" That is by %s; by %s it would be %s %s.", ways[0].By, other.By, inStops(max(off, -off)), than)
		s.Next = strings.TrimSpace(s.Next + fmt.Sprintf(" Look again and correct one of the two: %s or %s.", ways[0].By,
			other.By))
		if s.Verdict == Works {
			s.Verdict = Caution
		}
	}
}

// edges adds what draws the edges of clear liquid.
func (r Report) edges(s *Step) {
	b := r.Set.Background
	if r.Liquid.Name != optics.Liquids()[0].Name {
		s.Says += " " + r.Liquid.Changes
	}
	if !r.Liquid.Clear {
		return
	}
	gap := r.Black.GapBehind(b.Distance)
	wide := r.Black.WidthBeside(gap / 2)
	s.Says += fmt.Sprintf(" Edges: with %s bright, %s behind, the outer %.0f %% of the liquid's radius looks past it, "+
		"and is dark if what stands there is.", inLength(b.Width), inLength(b.Distance), r.Rim*100)
	if r.Rim >= float64(b.Rim) {
		return
	}
	s.Next = strings.TrimSpace(s.Next + fmt.Sprintf(" For dark edges of %.0f %%, hang black on both sides, %s apart, "+
		"from the background forward: %s wide each.", float64(b.Rim)*100, inLength(phys.Round(gap, 2)),
		inLength(phys.RoundUp(wide, 2))))
	if s.Verdict == Works {
		s.Verdict = Caution
	}
}

// Where a white subject belongs: bright, and not burnt out. Common practice, no source.
const (
	keyHigh optics.Stops = 1. / 3
	keyLow  optics.Stops = -1
)

func (r Report) key() Step {
	s := Step{ID: "key", Title: "Key light",
		Do:     "Hold a white card at the focus spot and fire the flash by hand, or meter it there.",
		Expect: "The card just under the right end of the histogram.",
		Seen:   []string{"flash.seen", "flash.reading"},
		Fields: []string{"camera.aperture", "camera.iso", "flash.guide", "flash.power", "flash.distance", "flash.loss",
			"flash.units", "flash.others"},
	}
	switch over := r.Light.Key; {
	case !r.Light.KeyKnown:
		s.Verdict, s.Says = Unknown, "The flash's exposure has not been typed."
		s.Next = "Type what was seen, a meter's reading, or the unit's guide number."
	case over > keyHigh || r.cardBurntOut():
		s.Verdict = Change
		s.Says = fmt.Sprintf("The flash is %s over: white burns out.", inStops(over))
		s.Next = fmt.Sprintf("Lower the power, move it back, or stop down: %s less.", inStops(over))
		if r.cardBurntOut() {
			s.Says, s.Next = "The card is burnt out.", "Lower the flash by a stop and look again."
		}
	case r.Set.Flash.Seen.Known && r.Set.Flash.Seen.Value <= optics.BlackLevel:
		s.Verdict, s.Says = Change, "The card is black: hardly any of the flash reached it."
		s.Next = "See that the flash fires, that its light falls on the card, and that the shutter is open meanwhile."
	case over < keyLow:
		s.Verdict = Change
		s.Says = fmt.Sprintf("The flash is %s under: the liquid would be dark.", inStops(-over))
		s.Next = r.morePower(-over, &s) + r.makeUp(-over) + "."
	default:
		s.Verdict = Works
		s.Says = fmt.Sprintf("The flash is right: white is %s.", fromWhite(over))
	}
	disagree(&s, r.Set.Optics().KeyWays())
	return s
}

// cardBurntOut reports that nobody knows how far the flash is over.
func (r Report) cardBurntOut() bool {
	seen := r.Set.Flash.Seen
	return seen.Known && seen.Value >= burntOut
}

func fromWhite(over optics.Stops) string {
	if over > 0 {
		return inStops(over) + " over white"
	}
	return inStops(-over) + " under the right end"
}

// morePower offers the power that makes up for light, or says that full power does not; "" it has full power.
func (r Report) morePower(lacks optics.Stops, s *Step) string {
	now := r.Set.Flash.Power
	if now >= 1 {
		return ""
	}
	if r.several() {
		return fmt.Sprintf("Raise the power of each flash by %s as far as it goes, and look at the freeze check again. ",
			inStops(lacks))
	}
	if gives := -optics.Stops(math.Log2(float64(now))); gives < lacks+keyLow {
		return fmt.Sprintf("Full power gives %s of it; the rest is up to something else. ", inStops(gives))
	}
	want := float64(now) * math.Exp2(float64(lacks))
	power := slices.MinFunc(optics.PowerMarks(), func(a, b optics.Fraction) int {
		return cmp.Compare(math.Abs(math.Log2(float64(a)/want)), math.Abs(math.Log2(float64(b)/want)))
	})
	if !r.Set.Flash.Seen.Known && r.Set.Flash.Reading == 0 { // or it would have to be looked at again
		s.Fixes = append(s.Fixes, shot.Fix{Field: "flash.power", Value: power.String()})
	}
	return fmt.Sprintf("Raise the power from %v to %v, and look at the freeze check again. ", now, power)
}

// several reports that there are flashes beside the first that are not like it.
func (r Report) several() bool { return len(r.Set.Flash.OtherUnits()) > 0 }

// makeUp lists what makes up for light, each alone with its cost.
func (r Report) makeUp(lacks optics.Stops) string {
	c, f := r.Set.Camera, r.Set.Flash
	m := optics.MakeUpFor(lacks, f.Unit(), c.Speed, c.Aperture)
	lens := r.Light.Lens
	lens.Aperture = m.Aperture
	near, far := lens.Depth(r.Circle)
	if r.several() {
		return fmt.Sprintf("Any one of: each flash at %.0f %% of its distance (the light falls off faster across the "+
			"frame), %v (more noise), or %v (%s in depth instead of %s)", 100*float64(m.Distance/f.Distance),
			optics.NearestISO(m.Speed), optics.NearestFNumber(m.Aperture), inLength(phys.Round(far-near, 2)),
			inLength(phys.Round(r.Far-r.Near, 2)))
	}
	return fmt.Sprintf("Any one of: the flash at %s instead of %s (the light falls off faster across the frame), "+
		"%v (more noise), %s (to be fired together), or %v (%s in depth instead of %s)",
		inLength(phys.Round(m.Distance, 2)), inLength(f.Distance), optics.NearestISO(m.Speed), units(m.Units),
		optics.NearestFNumber(m.Aperture), inLength(phys.Round(far-near, 2)), inLength(phys.Round(r.Far-r.Near, 2)))
}

func units(n int) string {
	if n == 1 {
		return "one unit"
	}
	return fmt.Sprintf("%d units alike", n)
}

// enough is the part of the shots in which the liquid is to be where it is aimed for a verdict of works: own choice.
const enough = 0.8

func (r Report) focus() Step {
	s := Step{ID: "focus", Title: "Focus on a stand-in, and lock it",
		Do: "Put something with fine detail where the liquid will be. Focus on it wide open, switch to manual " +
			"focus and tape the ring.",
		Expect: fmt.Sprintf("Sharp from %s before the spot to %s behind it.", inDepth(r.Light.Lens.Focus-r.Near),
			inDepth(r.Far-r.Light.Lens.Focus)),
		Waits: true, Seen: []string{"camera.distance"},
		Fields: []string{"camera.nearest", "camera.widest", "camera.narrowest", "camera.turn"},
	}
	if r.Subject.Size == 0 {
		s.Verdict, s.Says = Unknown, s.Expect+" How large the subject is, and where it bursts, is not known."
		return s
	}
	s.Says = fmt.Sprintf("All of the liquid is sharp in %s, with it %s off the plane in focus (SD).", InShots(r.InDepth),
		inMm(r.DepthSD))
	s.Verdict = byShare(r.InDepth)
	r.diffraction(&s)
	r.withUsualLens(&s)
	return s
}

// UsualLens reports that nobody has typed a lens, its distance or a sensor, nor what a ruler shows.
func (r Report) UsualLens() bool {
	c, usual := r.Set.Camera, optics.DefaultSetup().Camera
	return c.FieldSeen == 0 && c.Focal == usual.Focal && c.Distance == usual.Distance && c.Sensor == usual.Sensor &&
		c.SensorHeight == usual.SensorHeight
}

// withUsualLens takes back the verdict on a lens that nobody has typed.
func (r Report) withUsualLens(s *Step) {
	if !r.UsualLens() {
		return
	}
	s.Verdict = Unknown
	s.Says += fmt.Sprintf(" That is with the usual lens, %s, %s away.", inFocal(r.Set.Camera.Focal),
		inLength(r.Set.Camera.Distance))
	s.Next = "Type your lens and its distance, or read a ruler under Framing: that also confirms the usual ones."
}

// diffraction adds what a small opening costs, and the aperture that serves best.
func (r Report) diffraction(s *Step) {
	c := r.Set.Camera
	loss := float64(r.DiscNow/r.DiscBest) - 1
	if r.Airy > r.Circle {
		s.Says += fmt.Sprintf(" But at %v diffraction alone makes a disc of %s of a point, and %s is what a print %s wide "+
			"shows as one: nothing in the frame is quite sharp.", c.Aperture, inMicrons(r.Airy), inMicrons(r.Circle),
			inLength(r.Light.Picture.Print))
	}
	if c.Aperture > r.Best && loss >= 0.1 {
		s.Says += fmt.Sprintf(" %v costs more by diffraction than it gives in depth: fine detail is %.0f %% coarser than "+
			"at %v", c.Aperture, loss*100, r.Best)
		if r.DiscNow <= r.Circle {
			s.Says += ", which this print does not show"
		}
		s.Says += "."
	}
	if s.Verdict == Works && (r.Airy > r.Circle || r.DiscNow > r.Circle) {
		s.Verdict = Caution
	}
	switch {
	case s.Verdict == Works || c.Aperture == r.Best && r.DiscBest <= r.Circle:
	case r.DiscBest > r.Circle:
		s.Next = fmt.Sprintf("No aperture of this lens is sharp enough for a print %s wide at both ends of where the liquid "+
			"is; %v comes nearest. A frame that is wider, or a smaller print, helps.", inLength(r.Light.Picture.Print), r.Best)
	case loss >= 0.1:
		s.Next = fmt.Sprintf("%v serves best here.", r.Best)
		s.Fixes = append(s.Fixes, shot.Fix{Field: "camera.aperture", Value: r.Best.String()})
	}
	if sharp := r.Light.Lens.NarrowestSharp(r.Circle, c.Widest, c.Narrowest); r.Airy > r.Circle && sharp > 0 {
		s.Next = strings.TrimSpace(s.Next + fmt.Sprintf(" %v, or wider, keeps diffraction below that.", sharp))
	}
}

func byShare(p float64) Verdict {
	switch {
	case p >= enough:
		return Works
	case p >= enough/2:
		return Caution
	}
	return Change
}

func (r Report) framing() Step {
	s := Step{ID: "framing", Title: "Framing",
		Do:     "Hold a ruler at the focus spot and read how wide the frame is. Leave room for a miss.",
		Expect: fmt.Sprintf("A frame %s wide and %s high.", inLength(phys.Round(r.Wide, 3)), inLength(phys.Round(r.High, 3))),
		Seen:   []string{"camera.field_seen"},
		Fields: []string{"camera.focal", "camera.sensor", "camera.sensor_height", "camera.pixels"},
	}
	size := r.Subject.Size
	if size == 0 {
		s.Verdict, s.Says = Unknown, "How large the subject is, and where it bursts, is not known."
		return s
	}
	s.Says = fmt.Sprintf("The liquid, about %s wide and %s tall%s, takes %.0f %% of the width; all of it is in the frame "+
		"in %s.", inLength(phys.Round(size, 2)),
		inLength(phys.Round(r.Subject.Tall, 2)), r.orTaller(), 100*float64(size/r.Wide),
		InShots(r.InFrame))
	if r.Subject.TallSpread > 0 {
		s.Says += fmt.Sprintf(" The frame's middle belongs %s above the surface.", inLength(phys.Round(r.Tallest()/2, 2)))
	}
	s.Verdict = byShare(r.InFrame)
	r.withUsualLens(&s)
	r.byRuler(&s)
	if s.Verdict != Works && s.Next == "" {
		tall := r.Subject.TallQuantile(nineInTen)
		field := max(size+2*nineInTen*r.WideSD,
			(tall+2*nineInTen*r.HighSD)*r.Set.Camera.Sensor/r.Set.Camera.SensorHeight)
		s.Next = fmt.Sprintf("Step back to %s, for a frame %s wide.", inLength(phys.RoundUp(r.Light.Lens.FocusFor(
			r.Set.Camera.Sensor, field), 2)), inLength(phys.RoundUp(field, 2)))
	}
	if reach := r.splashReach(); reach > r.Light.Lens.Focus {
		s.Next = strings.TrimSpace(s.Next + fmt.Sprintf(" Droplets can reach the lens, which is %s away: cover it, or use a "+
			"longer lens from %s.", inLength(r.Light.Lens.Focus), inLength(phys.RoundUp(reach, 2))))
		if s.Verdict == Works {
			s.Verdict = Caution
		}
	}
	return s
}

// orTaller says how tall it may be, where that is not the same in each shot.
func (r Report) orTaller() string {
	if r.Subject.TallSpread == 0 {
		return ""
	}
	return fmt.Sprintf(" (9 of 10 no taller than %s)",
		inLength(phys.Round(r.Tallest(), 2)))
}

// byRuler says if the ruler and the distances contradict each other. How far the lens is from the spot is measured
// within a tenth or so, so that a quarter is no such error: own choice.
func (r Report) byRuler(s *Step) {
	c := r.Set.Camera
	seen := c.FieldSeen
	c.FieldSeen = 0
	if seen == 0 || c.Distance <= c.Focal {
		return
	}
	wide := c.Lens().Field(c.Sensor)
	if max(wide/seen, seen/wide) < 1.25 {
		return
	}
	s.Says += fmt.Sprintf(" That is by the ruler; %s from a lens of %s the frame would be %s wide.", inLength(c.Distance),
		inFocal(c.Focal), inLength(phys.Round(wide, 2)))
	s.Next = "Read the ruler again, or correct the distance, the focal length or the sensor's width: they contradict " +
		"each other."
	if s.Verdict == Works {
		s.Verdict = Caution
	}
}

// splashReach is how far droplets may fly towards the lens: those of a splash as thrown out at half of the drop's speed
// and 45 degrees, without air; of a throw, three standard deviations aside and half of its size. Own estimates.
func (r Report) splashReach() phys.Length {
	if r.Subject.Level {
		return 3*r.Subject.AsideSD + r.Subject.Size/2
	}
	v := float64(r.Subject.Fastest) / 2
	return phys.Length(v * v / phys.Gravity)
}

// away is the last step; it names those before it that are not done.
func away(before []Step) Step {
	s := Step{ID: "away", Title: "Take the stand-in away",
		Do:     "Take it out without moving camera or lights. Leave focus and zoom alone.",
		Expect: "An empty frame, and everything as it was.", Seen: []string{}, Fields: []string{},
		Verdict: Works, Waits: true, Says: "Then light, focus and framing are ready."}
	var change, unknown []string
	for i, other := range before {
		name := fmt.Sprintf("%d (%s)", i+1, other.Title)
		switch other.Verdict {
		case Change:
			change = append(change, name)
		case Unknown:
			unknown = append(unknown, name)
		}
	}
	if len(change)+len(unknown) > 0 {
		s.Says = "Earlier steps are not finished."
	}
	if len(change) > 0 {
		s.Says += " To change: " + strings.Join(change, ", ") + "."
	}
	if len(unknown) > 0 {
		s.Says += " Not known yet: " + strings.Join(unknown, ", ") + "."
	}
	return s
}
