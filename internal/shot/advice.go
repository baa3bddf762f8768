package shot

import (
	"fmt"
	"math"
	"strings"
	"time"

	"stillwater/internal/ballistics"
	"stillwater/internal/liquids"
	"stillwater/internal/phys"
	"stillwater/internal/splash"
)

// minGain is the ratio of scatter after a change to scatter before, below which the change is advised: own choice.
const minGain = 0.9

// Advice lists what would make the shot that e describes more exact, with numbers from the budgets of changed sets.
// Scatter is one standard deviation.
//
// Errors: as Errors.
func Advice(set Set, e Estimate, spread Spread, tick time.Duration) ([]string, error) {
	b, err := Errors(set, e, spread, tick)
	if err != nil {
		return nil, err
	}
	a := advisor{set, e, spread, tick, b}
	var says []string
	switch set.Kind {
	case Throw:
		says = []string{a.oneBeam(), a.betterPlaces(), a.moveGate(), a.widenGate(), a.pathScatter(), a.sheet(),
			a.raggedEdge(), a.droplets()}
	case Sound:
		says = []string{a.microphone()}
	case Drops:
		says = []string{a.otherClock(), a.columnUnknown(), a.unlikePublished(), a.otherSide(), a.seldomMeet(),
			a.poursSoon(), a.perhapsColumn(), a.slit(a.e.Drops.clockDrop().Diameter), a.firstDrop(),
			a.steadierOpening(), a.jet(), a.dropsPool()}
	default:
		says = []string{a.slit(a.e.Diameter), a.lowerBeam(), a.publishedBand(), a.swing(), a.poolDepth()}
	}
	advice := []string{}
	for _, s := range append(says, a.flashInDark(), a.shutterWindow()) {
		if s != "" {
			advice = append(advice, s)
		}
	}
	return advice, nil
}

// advisor is a shot, its spread and its budget.
type advisor struct {
	set    Set
	e      Estimate
	spread Spread
	tick   time.Duration
	budget Budget
}

// inWholeMm formats a length for people.
func inWholeMm(l phys.Length) string { return fmt.Sprintf("%.0f mm", float64(l/mm)) }

// distanceIn is how far the throw moves in t at the focus spot.
func (a advisor) distanceIn(t float64) phys.Length { return phys.Length(float64(a.budget.Speed) * t) }

// oneBeam compares the gate with a fixed delay from the second beam alone.
func (a advisor) oneBeam() string {
	speed := float64(a.budget.term(termSpeed).Uncompensated)
	if speed == 0 {
		return ""
	}
	var rest float64 // what a fixed delay has besides the speed
	for _, t := range a.budget.Terms {
		switch t.Name {
		case termSpeed, termGate:
		case termSecond:
			edge, _ := a.spread.edge(a.set)
			rest = math.Hypot(rest, float64(edge)/float64(a.e.Speed))
		default:
			rest = math.Hypot(rest, float64(t.Mistiming))
		}
	}
	total := float64(a.budget.Total.Mistiming)
	fixed := func(times float64) phys.Length { return a.distanceIn(math.Hypot(rest, speed*times)) }
	breakEven := math.Sqrt(max(total*total-rest*rest, 0)) / speed * a.spread.ThrowSpeed
	lead := "One beam is not enough"
	if minGain*math.Hypot(rest, speed) < total {
		lead = "One beam is enough only for very even throws"
	}
	return fmt.Sprintf("%s: with a fixed delay, throws that vary by %.0f %% in speed (SD) scatter by %s at the focus "+
		"spot when it flashes, at %.0f %% by %s. With this gate it is %s at any speed; the gate is worth it from %.1f %% "+
		"up.", lead,
		a.spread.ThrowSpeed*100, inWholeMm(fixed(1)), 20., inWholeMm(fixed(0.2/a.spread.ThrowSpeed)),
		inWholeMm(a.budget.Total.Displaced), breakEven*100)
}

// withSet is the budget of a throw as fast as this one in a changed set.
func (a advisor) withSet(set Set) (Budget, Estimate, bool) {
	interval, err := set.Throw.interval(a.e.Speed)
	if err != nil {
		return Budget{}, Estimate{}, false
	}
	e, err := set.estimateInterval(interval)
	if err != nil {
		return Budget{}, Estimate{}, false
	}
	b, err := Errors(set, e, a.spread, a.tick)
	return b, e, err == nil && float64(b.Total.Displaced) < minGain*float64(a.budget.Total.Displaced)
}

func (a advisor) moveGate() string {
	set := a.set
	set.Throw.ToFocus /= 2
	b, e, better := a.withSet(set)
	if !better {
		return ""
	}
	say := fmt.Sprintf("Moving the gate nearer the focus spot, from %v to %v, brings the scatter from %s to %s",
		a.set.Throw.ToFocus, set.Throw.ToFocus, inWholeMm(a.budget.Total.Displaced), inWholeMm(b.Total.Displaced))
	return say + a.timeLeft(e.Delay)
}

// timeLeft ends a sentence about a change that shortens the delay.
func (a advisor) timeLeft(delay phys.Time) string {
	light := a.set.Light
	needs := light.Lag + 3*light.LagScatter + phys.Seconds(shutterMargin)
	waits := light.Expose == LagLed || light.Shutter == ByEdge
	switch {
	case waits && delay < needs && light.Expose == FlashInDark:
		return fmt.Sprintf("; that leaves %s after the edge, and the camera needs %s: open the shutter beforehand.",
			inMs(delay), inMs(needs))
	case waits && delay < needs:
		return fmt.Sprintf("; that leaves %s after the edge, and the camera needs %s: let the flash fire in the dark.",
			inMs(delay), inMs(needs))
	}
	return fmt.Sprintf("; that leaves %s after the edge.", inMs(delay))
}

func (a advisor) widenGate() string {
	set := a.set
	set.Throw.Gate *= 2
	b, _, better := a.withSet(set)
	if !better {
		return ""
	}
	return fmt.Sprintf("Widening the gate from %v to %v brings the scatter from %s to %s.", a.set.Throw.Gate,
		set.Throw.Gate, inWholeMm(a.budget.Total.Displaced), inWholeMm(b.Total.Displaced))
}

// pathScatter describes what no timing corrects: how far from the focus spot the path passes.
func (a advisor) pathScatter() string {
	scatter, err := a.set.Throw.scatter(a.e, a.spread)
	if err != nil {
		return ""
	}
	say := fmt.Sprintf("Angle and speed also move the path up and down by %s (SD) at the focus spot, which no timing "+
		"corrects: leave room for it in the frame.", inWholeMm(scatter.besidePath()))
	if a.e.FocusAngle > sideways || a.e.FocusAngle < -sideways {
		say = fmt.Sprintf("Angle and speed also move the path by %s (SD) to either side of the focus spot, square to the "+
			"way it goes there, which no timing corrects: leave room for it in the frame.",
			inWholeMm(scatter.besidePath()))
	}
	return say + a.fallShort()
}

// sideways is the angle from which a path that is moved square to itself is not so much moved up and down.
const sideways = 30 * degree

// fallShort says how many throws never reach the focus spot, if that is more than one in a hundred.
func (a advisor) fallShort() string {
	const hundred = 100
	t, falls := a.set.Throw, 0
	for i := range hundred { // as likely angles, at the usual speed
		off := math.Sqrt2 * math.Erfinv((2*float64(i)+1)/hundred-1)
		t.Angle = clamp(a.set.Throw.Angle+a.spread.ThrowAngle*phys.Angle(off), steepest)
		if _, err := t.flight(a.e.Speed); err != nil {
			falls++
		}
	}
	if falls < 2 {
		return ""
	}
	return fmt.Sprintf(" About %d of 100 throws, steeper or flatter than the others, reach the floor before the spot.",
		falls)
}

// sheet says how much later a sheet arrives than the ball that the plan assumes.
func (a advisor) sheet() string {
	t := a.set.Throw
	if t.Thickness != 0 {
		return ""
	}
	t.Thickness = 5 * mm
	slower, err := t.delay(a.e.Interval)
	if err != nil {
		return ""
	}
	ball, err := a.set.Throw.delay(a.e.Interval)
	if err != nil {
		return ""
	}
	return fmt.Sprintf("The plan takes what is thrown for a ball. A sheet is slowed down more: %v thick, it comes %s "+
		"later. If it is flat, give its thickness.", t.Thickness, inMs(slower-ball))
}

// raggedEdge says what the assumed edge is worth, and how to measure one's own.
func (a advisor) raggedEdge() string {
	if a.set.Throw.Edge > 0 {
		return ""
	}
	set := a.set
	set.Throw.Edge = 10 * mm
	b, err := Errors(set, a.e, a.spread, a.tick)
	if err != nil {
		return ""
	}
	return fmt.Sprintf("A ragged edge of %s is assumed. With %s the scatter is %s instead of %s: throw five times in a "+
		"dry run, which measures it, and set that.", inMm(a.spread.ThrowEdge), inMm(set.Throw.Edge),
		inWholeMm(b.Total.Displaced), inWholeMm(a.budget.Total.Displaced))
}

func (a advisor) microphone() string {
	cmOff := phys.Time(float64(1*cm) / float64(a.e.Speed))
	return fmt.Sprintf("Each centimetre between sound and microphone is %.2f ms: measure that distance, and the air's "+
		"temperature to a few degrees.", float64(cmOff/ms))
}

// lowerBeam says what a lower beam gains: the faster the drop passes it, the less its exact height matters.
func (a advisor) lowerBeam() string {
	set := a.set
	set.Drop.Beam = (a.set.Drop.Beam + a.set.Drop.Height) / 2
	e, err := set.estimateDrop()
	if err != nil {
		return ""
	}
	b, err := Errors(set, e, a.spread, a.tick)
	if err != nil {
		return ""
	}
	placed := func(b Budget) float64 {
		return math.Hypot(float64(b.term(termBeam).Mistiming), float64(b.term(termOnDrop).Mistiming)) * 1e3
	}
	if placed(b) > minGain*placed(a.budget) {
		return ""
	}
	return fmt.Sprintf("The drop passes the beam at %.2f m/s, which makes the time there uncertain by %.2f ms. With "+
		"the beam %v below the nozzle it would be %.2f m/s and %.2f ms%s", a.e.BeamSpeed, placed(a.budget),
		phys.Round(set.Drop.Beam, 3), e.BeamSpeed, placed(b), a.timeLeft(e.Delay))
}

// publishedBand says how exact published phase times are, and how the trim helps.
func (a advisor) publishedBand() string {
	t := a.budget.term(termSplash)
	if t.Mistiming == 0 {
		return ""
	}
	say := fmt.Sprintf("By published timings of other splashes, 8 of 10 first shots have this moment between %s and "+
		"%s after the beam. Once the trim is right, shots differ by %s (SD).", inMs(a.e.Low), inMs(a.e.High),
		inMs(a.budget.Repeat.Mistiming))
	return strings.TrimSpace(say + " " + a.e.unlikePublished("This drop"))
}

// unlikePublished says how the drop differs from those whose splashes were published, and "" if it does not.
func (e Estimate) unlikePublished(drop string) string {
	var says []string
	if e.Extrapolated {
		says = append(says, drop+" is smaller, slower or faster than those whose splashes were timed.")
		drop = "It"
	}
	if e.Bubble {
		says = append(says, drop+" falls so fast that the crown may close into a bubble; the column then comes late or not "+
			"at all. A lower fall or a smaller drop avoids that.")
	}
	return strings.Join(says, " ")
}

// maxSwingError is how well it must be known, in swings, how a drop lands: one standard deviation.
const maxSwingError = 0.25

// swinging is a drop that swings as it falls.
type swinging struct {
	diameter phys.Length
	known    float64
	liquid   liquids.Liquid
	start    splash.Start
	once     phys.Time
}

func newSwinging(d DropSet, diameter phys.Length, liquid liquids.Liquid, known float64) (swinging, error) {
	start, err := d.start()
	return swinging{diameter, known, liquid, start, splash.Swing(diameter, liquid)}, err
}

// at is how often it has swung when it lands at a height below the tip, and how well that is known.
func (s swinging) at(height phys.Length) (swings, unsure float64) {
	fall, err := ballistics.Fall(s.diameter, max(height-s.start.Release, 0), 0)
	if err != nil {
		return 0, math.Inf(1)
	}
	return splash.Swings(fall.Time-s.moving(), s.diameter, s.known, s.liquid)
}

// moving is how long before it let go the drop would have been released at rest.
func (s swinging) moving() phys.Time { return phys.Time(s.start.Speed) / phys.Gravity }

// height is from where it lands after so many swings: half a one more or less is flattest.
func (s swinging) height(swings float64) phys.Length {
	one, _ := splash.Swings(s.once, s.diameter, s.known, s.liquid)
	fallen, err := ballistics.Fallen(s.diameter, s.moving()+s.once*phys.Time(swings/one))
	if err != nil {
		return 0
	}
	return s.start.Release + fallen
}

// knownUpTo is the height up to which it is known how it lands.
func (s swinging) knownUpTo() phys.Length {
	return s.height(splash.SwingsKnown(maxSwingError, s.known))
}

// maxSwingScatter is the part of a swing by which drops may differ at the surface and still land alike: own choice.
const maxSwingScatter = 0.1

// swing says how the drop's own oscillation scatters the splash, and which heights make it repeat: those at which it
// lands longest or flattest, as a little sooner or later it then has the same shape. Where they are not known within a
// quarter of a swing it says why, and up to which height they are.
func (a advisor) swing() string {
	liquid, err := a.set.Drop.liquid()
	if err != nil || a.set.Drop.Phase == splash.Contact {
		return ""
	}
	s, err := newSwinging(a.set.Drop, a.e.Diameter, liquid, a.spread.DropKnown)
	if err != nil {
		return ""
	}
	swings, unsure := s.at(a.set.Drop.Height)
	scatter := swings * 1.5 * a.spread.DropSize // the period grows with the diameter to the power 3/2
	apart := fmt.Sprintf("drops %.0f %% different in size land %.2f swings apart", a.spread.DropSize*100, scatter)
	lead := fmt.Sprintf("The drop swings between stretched and flat, once every %s, and how it lands changes the splash",
		inMs(s.once))
	assumed := fmt.Sprintf("its size is known to %.1f %%, and large swings are taken to be 1 to 5 %% slower",
		a.spread.DropKnown*100)
	if unsure <= maxSwingError {
		long, flat := s.height(math.Round(swings)), s.height(math.Floor(swings)+0.5)
		return fmt.Sprintf("%s: %s. Splashes repeat best from heights where it lands stretched, about %s, or flat, "+
			"about %s, each within %s (SD), because %s.", lead, apart, inWholeMm(long), inWholeMm(flat),
			inWholeMm(phys.Length(unsure*float64(a.e.Speed)*float64(s.once))), assumed)
	}
	if scatter <= maxSwingScatter {
		return ""
	}
	return fmt.Sprintf("%s. On this fall it swings %.0f times, and %s. Splashes repeat best from lower, or from heights "+
		"where it lands stretched or flat: these are %s apart, so try a few within that. Which heights these are is not "+
		"known to a quarter of a swing but only to %.2f of one, because %s; up to %s it is.", lead, swings, apart,
		inWholeMm(phys.Length(float64(a.e.Speed)*float64(s.once)/2)), unsure, assumed, inWholeMm(s.knownUpTo()))
}

// poolDepth describes what a shallow pool does to the splash.
func (a advisor) poolDepth() string {
	if a.set.Drop.Phase == splash.Contact {
		return ""
	}
	pool, err := splash.PoolAdvice(a.set.Drop.PoolDepth, a.e.Diameter)
	if err != nil || pool.Deep {
		return ""
	}
	return pool.Advice + "."
}

// shutterWindow says when a shutter opened at Go is open: only the person can keep the moment within that.
func (a advisor) shutterWindow() string {
	light := a.set.Light
	if light.Expose != FlashInDark || a.set.ShutterBy() != ByGo || a.set.Kind == Drops {
		return ""
	}
	open := (plan{set: a.set}).shutterLead()
	return fmt.Sprintf("The shutter is open from %s to %s after Go, and a moment outside that is lost: wait for it to "+
		"open, and make sure that the edge comes by %s.", inMs(phys.Seconds(open)), inMs(light.OpenFor),
		inMs(phys.RoundDown(light.OpenFor-a.e.High, 3)))
}

// flashInDark says how much the camera's lag adds when it is led.
func (a advisor) flashInDark() string {
	lag := a.budget.term(termLag)
	if lag.Mistiming == 0 {
		return ""
	}
	set := a.set
	set.Light.Expose = FlashInDark
	b, err := Errors(set, a.e, a.spread, a.tick)
	if err != nil {
		return ""
	}
	if a.budget.Speed == 0 {
		return fmt.Sprintf("The camera's lag scatters the moment by %.1f ms, of %.1f ms in total; a flash in the dark would "+
			"leave %.1f ms.", lag.Mistiming/ms, a.budget.Total.Mistiming/ms, b.Total.Mistiming/ms)
	}
	return fmt.Sprintf("The camera's lag scatters the picture by %s, of %s in total; a flash in the dark would leave %s.",
		inWholeMm(lag.Displaced), inWholeMm(a.budget.Total.Displaced), inWholeMm(b.Total.Displaced))
}
