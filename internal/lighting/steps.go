package lighting

import (
	"fmt"
	"math"
	"strings"

	"stillwater/internal/liquids"
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
	Fields  []string // more of the set's fields that it depends on, besides CameraFields; each is in one step only
	Verdict Verdict
	Says    string // the verdict in words, with its margin
	Next    string // the next move; "" none
	Waits   bool   // only the person in the room can say that it is done: no number shows it
	Fixes   []shot.Fix
}

// CameraFields are the set's fields of the camera that all steps depend on.
func CameraFields() []string { return []string{"camera.aperture", "camera.iso", "camera.shutter"} }

func (r Report) steps() []Step {
	steps := []Step{r.dark(), r.background(), r.key(), r.freeze(), r.focus(), r.framing()}
	return append(steps, Away(steps, nil))
}

func (r Report) dark() Step {
	s := Step{ID: "dark", Title: "Darken, and test black",
		Do: fmt.Sprintf("Close the room. Leave on only what stays on, the flash off. Open the shutter for %v and look at "+
			"the histogram.", r.testFrame()),
		Expect: r.darkEnough(),
		Seen:   []string{"room.by", "room.frame_open", "room.frame_seen", "room.ev"},
		Fields: []string{"room.margin"},
	}
	asked := r.Set.Room.Margin
	switch short := asked - r.Margin; {
	case !r.Light.RoomKnown:
		s.Verdict, s.Says = Unknown, "How dark the room is has not been typed."
		s.Next = r.roomLacks()
	case r.frameBurntOut():
		s.Verdict, s.Says = Unknown, "The frame is burnt out: it does not say how bright the room is."
		s.Next = "Take it again with a shorter time."
		if short > 0 { // at the least that it may be
			s.Verdict, s.Says = Change, "The frame is burnt out: the room is too bright, and it does not say by how much."
			s.Next = "Darken the room, and take it again with a shorter time."
		}
	case short <= 0:
		s.Verdict = Works
		s.Says = fmt.Sprintf("The room is %s below the flash, and you asked for %s: the shutter may be open for %s.",
			inStops(r.Margin), inStops(asked), inTime(r.longest()))
	case r.frameBlack():
		s.Verdict = Change
		s.Says = fmt.Sprintf("The frame is black, but it was open so briefly that the room may be %s; you asked for "+
			"%s below: what moves might leave a ghost.", belowFlash(r.Margin), inStops(asked))
		s.Next = fmt.Sprintf("Take it again, open for %v or longer", r.blackEnough()) + r.shorterOpening(&s)
		if r.blackEnough() > longestTest {
			s.Next = "Set the flash first: no frame shows a room so far below it."
		}
	default:
		s.Verdict = Change
		s.Says = fmt.Sprintf("The room is %s, and you asked for %s below: what moves would leave a ghost.",
			belowFlash(r.Margin), inStops(asked))
		s.Next = fmt.Sprintf("Darken by %s", inStops(optics.Stops(math.Ceil(float64(short)*10)/10)))
		s.Next += r.shorterOpening(&s)
	}
	if !r.Light.KeyKnown && r.Light.RoomKnown {
		s.Says += " The flash is taken to be right."
	}
	return s
}

// belowFlash is how far the room is below the flash, or above it.
func belowFlash(margin optics.Stops) string {
	if margin < 0 {
		return inStops(-margin) + " above the flash"
	}
	return "only " + inStops(margin) + " below the flash"
}

// mostRoom is what the room's light may expose by for the margin asked for.
func (r Report) mostRoom() optics.Stops { return r.Light.Key - r.Set.Room.Margin }

// longestTest is the longest shutter time that cameras have on their dial.
const longestTest optics.Shutter = 30

// blackEnough is a shutter time for which a frame that is black shows the margin asked for.
func (r Report) blackEnough() optics.Shutter {
	return optics.Shutter(optics.Ceil(optics.MinBlackExposure(r.mostRoom(), r.Open)))
}

// testFrame is the shutter time of the frame to take without flash.
func (r Report) testFrame() optics.Shutter {
	return min(max(optics.NearestShutter(optics.Shutter(r.Open)), r.blackEnough()), longestTest)
}

// darkEnough is what the meter or the frame shows when the room is as dark as asked.
func (r Report) darkEnough() string {
	room := r.Set.Room
	below := fmt.Sprintf("the room is then %s below the flash", inStops(room.Margin))
	if room.By == optics.RoomMetered {
		per := optics.ContinuousExposure(0, r.Light.Lens.WorkingFNumber(), r.Set.Camera.Speed, r.Open)
		return fmt.Sprintf("The meter at EV %.1f or less: %s.", math.Floor(float64(r.mostRoom()-per)*10+1e-9)/10, below)
	}
	open := r.testFrame()
	if room.FrameOpen.Known {
		open = optics.Shutter(room.FrameOpen.Value)
	}
	level := optics.FrameLevel(r.mostRoom(), r.Open, phys.Time(optics.ExactShutter(open)))
	if level < optics.BlackLevel {
		return fmt.Sprintf("A frame of %v is too short to tell, however black it is.", open)
	}
	return fmt.Sprintf("In a %v frame, nothing in the histogram to the right of %.0f %%: %s.", open,
		math.Floor(float64(min(level, burntOut))*100+1e-9), below)
}

// frameBurntOut and frameBlack report that the frame shows only the least or the most that the room's light may be.
func (r Report) frameBurntOut() bool {
	return r.Set.Room.By == optics.RoomFrame && r.Set.Room.FrameSeen.Value >= burntOut
}

func (r Report) frameBlack() bool {
	return r.Set.Room.By == optics.RoomFrame && r.Set.Room.FrameSeen.Value <= optics.BlackLevel
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

// shorterOpening ends a sentence with the opening that keeps the margin, and offers it, if the shot works with it.
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
	fix := shot.Fix{Field: field, Value: value}
	if next := r.Set; fix.Put(&next) != nil || !r.works(next) {
		return "."
	}
	s.Fixes = append(s.Fixes, fix)
	return fmt.Sprintf(", or open the shutter for no more than %s.", inTime(longest))
}

// rounding is less than anybody can type: a level comes back from stops with it.
const rounding = 1e-6

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
	case r.Level > optics.BackgroundHigh+rounding:
		s.Verdict = Change
		s.Says = fmt.Sprintf("At %s the background is nearly white: clear water fades in it.", inPercent(r.Level))
		s.Next = fmt.Sprintf("Lower it by %s.", inStops(r.LowerBy))
	case r.Level < optics.BackgroundLow-rounding:
		s.Verdict = Caution
		s.Says = fmt.Sprintf("At %s the background is dark: dark edges stand out less.", inPercent(r.Level))
		s.Next = fmt.Sprintf("Raise it by %s.", inStops(-r.LowerBy))
	default:
		s.Verdict = Works
		s.Says = fmt.Sprintf("Light grey, %s; %s below white.", inPercent(r.Level), inStops(-r.Light.Background))
	}
	disagree(&s, r.Set.Optics().BackgroundEstimates())
	r.edges(&s)
	return s
}

// disagreement is the difference in stops from which on two readings of one exposure are reported to differ: own
// choice.
const disagreement optics.Stops = 1.5

// contradiction is the difference in stops from which on one of them must be wrong: the errors of honest readings add
// up to less. A guide number is optimistic by up to 1; what a diffuser or umbrella takes and nobody typed is 1 to 2; a
// camera's own curve is half a stop off in the middle; marks are in thirds. Common practice, no source.
const contradiction optics.Stops = 1 + 2 + 0.5 + 1./3

// again says how each reading is taken again, and how its field says that nobody has taken one.
var again = map[string]struct{ how, none string }{
	"flash.seen":      {"the white card, flat towards the lens, lit by the flash alone", "unknown"},
	"flash.reading":   {"the flash meter, at the focus spot, set to the camera's speed", "none"},
	"flash.guide":     {"the guide number, in metres at ISO 100 and full power, with power, distance and loss", "0 m"},
	"background.seen": {"the histogram, the key off", "unknown"},
	"background.reading": {"the flash meter, at the background, set to the camera's speed, with what the background " +
		"reflects", "none"},
}

// disagree says which of several ways counts, if another says something else, and believes none of two that contradict
// each other.
func disagree(s *Step, ways []optics.Exposed) {
	for _, other := range ways[min(1, len(ways)):] {
		first := ways[0]
		off := other.Stops - first.Stops
		switch apart := max(off, -off); {
		case apart >= contradiction:
			s.Verdict = Change
			s.Says = fmt.Sprintf("Two readings contradict each other: by %s white is %s, by %s %s. Careful readings differ "+
				"by less than %s, so one of them is wrong.", first.By, fromWhite(first.Stops), other.By, fromWhite(other.Stops),
				inStops(contradiction))
			s.Next = fmt.Sprintf("Measure both again: %s; and %s. Or clear the wrong one.", again[first.Field].how,
				again[other.Field].how)
			s.Fixes = []shot.Fix{{Field: first.Field, Value: again[first.Field].none},
				{Field: other.Field, Value: again[other.Field].none}}
			return
		case apart >= disagreement:
			than := "more"
			if off < 0 {
				than = "less"
			}
			s.Says += fmt.Sprintf(" That is by %s; by %s it would be %s %s.", first.By, other.By, inStops(apart), than)
			s.Next = strings.TrimSpace(s.Next + fmt.Sprintf(" Look again and correct one of the two: %s or %s.", first.By,
				other.By))
			if s.Verdict == Works {
				s.Verdict = Caution
			}
		}
	}
}

// edges adds what draws the edges of clear liquid.
func (r Report) edges(s *Step) {
	b := r.Set.Background
	if r.Liquid.Name != liquids.All()[0].Name {
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
		Expect: r.rightKey(),
		Seen:   []string{"flash.seen", "flash.reading"},
		Fields: []string{"flash.guide", "flash.power", "flash.distance", "flash.loss", "flash.units", "flash.others"},
	}
	right := fmt.Sprintf("Right is %s to %s.", fromWhite(keyLow), fromWhite(keyHigh))
	switch over := r.Light.Key; {
	case !r.Light.KeyKnown:
		s.Verdict, s.Says = Unknown, "The flash's exposure has not been typed."
		s.Next = "Type what was seen, a meter's reading, or the unit's guide number."
	case r.cardBurntOut():
		s.Verdict = Change
		s.Says, s.Next = "The card is burnt out.", "Lower the flash by a stop and look again."
	case over > keyHigh:
		s.Verdict = Change
		s.Says = fmt.Sprintf("White is %s, so it burns out. %s", fromWhite(over), right)
		s.Next = fmt.Sprintf("Lower the power, move it back, or stop down: %s less.", inStops(over))
		s.Fixes = append(s.Fixes, r.keeping(r.makeUpFixes(-over, nil))...)
	case r.cardBlack():
		s.Verdict = Change
	case over < keyLow:
		s.Verdict = Change
		s.Says = fmt.Sprintf("White is %s, so the liquid would be dark. %s", fromWhite(over), right)
		s.Next = r.morePower(-over, &s) + r.makeUp(-over) + "."
		if len(s.Fixes) == 0 {
			s.Fixes = r.keeping(r.makeUpFixes(-over, nil))
		}
	default:
		s.Verdict = Works
		s.Says = fmt.Sprintf("The flash is right: white is %s. %s", fromWhite(over), right)
	}
	disagree(&s, r.Set.Optics().KeyEstimates())
	if r.cardBlack() {
		s.Says = strings.TrimSpace("The card is black: hardly any of the flash reached it. " + s.Says)
		s.Next = strings.TrimSpace("See that the flash fires, that its light falls on the card, and that the shutter is " +
			"open meanwhile. " + s.Next)
	}
	return s
}

// rightKey is what the card and the meter show when the flash is right.
func (r Report) rightKey() string {
	expect := fmt.Sprintf("The card from %.0f %% up to just under the right end of the histogram",
		math.Ceil(float64(optics.LevelAt(keyLow))*100))
	var marks []optics.FNumber
	for _, mark := range optics.FNumberMarks() {
		read := optics.FlashExposure(optics.ExactFNumber(mark), r.Light.Lens.WorkingFNumber())
		if read >= keyLow && read <= keyHigh {
			marks = append(marks, mark)
		}
	}
	if len(marks) > 0 {
		expect += fmt.Sprintf(", or a flash meter at %v to %v", marks[0], marks[len(marks)-1])
	}
	return expect + "."
}

// cardBurntOut reports that nobody knows how far the flash is over.
func (r Report) cardBurntOut() bool {
	seen := r.Set.Flash.Seen
	return seen.Known && seen.Value >= burntOut
}

// cardBlack reports that nobody knows how far it is under.
func (r Report) cardBlack() bool {
	seen := r.Set.Flash.Seen
	return seen.Known && seen.Value <= optics.BlackLevel
}

// fromWhite is an exposure from where white is just white, the right end of the histogram.
func fromWhite(over optics.Stops) string {
	switch {
	case math.Abs(float64(over)) < 0.05:
		return "at the right end"
	case over > 0:
		return inStops(over) + " over"
	}
	return inStops(-over) + " under"
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
	power := nearestPower(float64(now) * math.Exp2(float64(lacks)))
	fix := shot.Fix{Field: "flash.power", Value: power.String()}
	if r.blursWith(fix) {
		return fmt.Sprintf("At %v power, enough for this, the light would be too long for the freeze check. ", power)
	}
	if !r.Set.Flash.Seen.Known && r.Set.Flash.Reading == 0 { // or it would have to be looked at again
		s.Fixes = append(s.Fixes, fix)
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
	s.Fixes = nil
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
		Expect: r.frameOfLens(),
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

// frameOfLens is the frame that the lens gives by what is typed of it; by the ruler where that is no lens.
func (r Report) frameOfLens() string {
	c, wide, high := r.Set.Camera, r.Wide, r.High
	if c.FieldSeen = 0; c.Distance > c.Focal {
		lens := c.Lens()
		wide, high = lens.Field(c.Sensor), lens.Field(c.SensorHeight)
	}
	return fmt.Sprintf("A frame %s wide and %s high.", inLength(phys.Round(wide, 3)), inLength(phys.Round(high, 3)))
}

// orTaller says how tall it may be, where that is not the same in each shot.
func (r Report) orTaller() string {
	if r.Subject.TallSpread == 0 {
		return ""
	}
	return fmt.Sprintf(" (9 of 10 no taller than %s)",
		inLength(phys.Round(r.Tallest(), 2)))
}

// The ratios from which on ruler and lens are reported to differ, and one of them must be wrong. How far the lens is
// from the spot is measured within a tenth or so, and a lens that focuses near by its inner groups is then shorter than
// engraved, some by a third (common practice, no source): a quarter and twice are own choices.
const rulerDiffers, rulerWrong = 1.25, 2

// byRuler says if the ruler and the distances contradict each other.
func (r Report) byRuler(s *Step) {
	c := r.Set.Camera
	seen := c.FieldSeen
	c.FieldSeen = 0
	if seen == 0 || c.Distance <= c.Focal {
		return
	}
	wide := c.Lens().Field(c.Sensor)
	off := max(wide/seen, seen/wide)
	if off < rulerDiffers {
		return
	}
	s.Says += fmt.Sprintf(" That is by the ruler; %s from a lens of %s the frame would be %s wide.", inLength(c.Distance),
		inFocal(c.Focal), inLength(phys.Round(wide, 2)))
	s.Next = "Read the ruler again, or correct the distance, the focal length or the sensor's width: they contradict " +
		"each other. Or clear what the ruler shows."
	s.Fixes = []shot.Fix{{Field: "camera.field_seen", Value: phys.Length(0).String()}}
	switch {
	case off >= rulerWrong:
		s.Verdict = Change
	case s.Verdict == Works:
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

// Away is the last step. It says what of those before it is not finished: by their verdicts and, of those that only a
// person can say are done, by what is ticked. Without a list of ticks it names them.
func Away(before []Step, ticked map[string]bool) Step {
	s := Step{ID: "away", Title: "Take the stand-in away",
		Do:     "Take it out without moving camera or lights. Leave focus and zoom alone.",
		Expect: "An empty frame, and everything as it was.", Seen: []string{}, Fields: []string{},
		Verdict: Works, Waits: true}
	var change, unknown, waits []string
	notTicked := "Not ticked yet"
	if ticked == nil {
		notTicked = "To be done"
	}
	for i, other := range before {
		name := fmt.Sprintf("%d (%s)", i+1, other.Title)
		switch {
		case other.Verdict == Change:
			change = append(change, name)
		case other.Verdict == Unknown:
			unknown = append(unknown, name)
		case other.Waits && !ticked[other.ID]:
			waits = append(waits, name)
		}
	}
	switch {
	case len(change)+len(unknown) > 0 || len(waits) > 0 && ticked != nil:
		s.Verdict, s.Says = Unknown, "Earlier steps are not finished."
		for _, left := range []struct {
			what  string
			steps []string
		}{{"To change", change}, {"Not known yet", unknown}, {notTicked, waits}} {
			if len(left.steps) > 0 {
				s.Says += fmt.Sprintf(" %s: %s.", left.what, strings.Join(left.steps, ", "))
			}
		}
	case ticked[s.ID]:
		s.Says = "Light, focus and framing are ready."
	default:
		s.Says = "Then light, focus and framing are ready."
		if len(waits) > 0 {
			s.Says = fmt.Sprintf("Then light, focus and framing are ready, if %s is done.", strings.Join(waits, ", "))
		}
	}
	return s
}
