package shot

import (
	"fmt"
	"math"
	"time"

	"stillwater/internal/phys"
	"stillwater/internal/splash"
)

// worthwhile is how much a change must shrink the scatter to be advised.
const worthwhile = 0.9

// Advice says what would make the shot that e describes more exact, with the numbers, worked out by the budgets of
// changed sets. Scatter is one standard deviation.
//
// Errors: as Errors.
func Advice(set Set, e Estimate, spread Spread, tick time.Duration) ([]string, error) {
	b, err := Errors(set, e, spread, tick)
	if err != nil {
		return nil, err
	}
	a := adviser{set, e, spread, tick, b}
	var says []string
	switch set.Kind {
	case Throw:
		says = []string{a.oneBeam(), a.gateNearer(), a.gateWider(), a.across()}
	case Sound:
		says = []string{a.microphone()}
	default:
		says = []string{a.beamLower(), a.published(), a.pool()}
	}
	advice := []string{}
	for _, s := range append(says, a.inTheDark(), a.afterGo()) {
		if s != "" {
			advice = append(advice, s)
		}
	}
	return advice, nil
}

// adviser is a shot, its spread and its budget.
type adviser struct {
	set    Set
	e      Estimate
	spread Spread
	tick   time.Duration
	budget Budget
}

// scatter is a length for people.
func scatter(l phys.Length) string { return fmt.Sprintf("%.0f mm", float64(l/mm)) }

// along is how far the throw moves in t at the focus spot.
func (a adviser) along(t float64) phys.Length { return phys.Length(float64(a.budget.Speed) * t) }

// oneBeam compares the gate with a fixed delay from the second beam alone.
func (a adviser) oneBeam() string {
	speed := float64(a.budget.term(termSpeed).Without)
	if speed == 0 {
		return ""
	}
	var rest float64 // what a fixed delay has besides the speed
	for _, t := range a.budget.Terms {
		switch t.Name {
		case termSpeed, termGate:
		case termSecond:
			rest = math.Hypot(rest, float64(a.spread.ThrowEdge)/float64(a.e.Speed))
		default:
			rest = math.Hypot(rest, float64(t.Mistiming))
		}
	}
	total := float64(a.budget.Total.Mistiming)
	fixed := func(times float64) phys.Length { return a.along(math.Hypot(rest, speed*times)) }
	even := math.Sqrt(max(total*total-rest*rest, 0)) / speed * a.spread.ThrowSpeed
	lead := "One beam is not enough"
	if worthwhile*math.Hypot(rest, speed) < total {
		lead = "One beam is enough only for very even throws"
	}
	return fmt.Sprintf("%s: with a fixed delay, throws that differ by %.0f %% in speed (SD) scatter %s at the focus "+
		"spot, by %.0f %% %s; this gate leaves %s whatever their speed, and pays from %.1f %% up.", lead,
		a.spread.ThrowSpeed*100, scatter(fixed(1)), a.spread.ThrowSpeed*400, scatter(fixed(4)),
		scatter(a.budget.Total.Displaced), even*100)
}

// changed is the budget of a throw as fast as this one in a changed set.
func (a adviser) changed(set Set) (Budget, Estimate, bool) {
	interval, err := set.Throw.interval(a.e.Speed)
	if err != nil {
		return Budget{}, Estimate{}, false
	}
	e, err := set.thrown(interval)
	if err != nil {
		return Budget{}, Estimate{}, false
	}
	b, err := Errors(set, e, a.spread, a.tick)
	return b, e, err == nil && float64(b.Total.Displaced) < worthwhile*float64(a.budget.Total.Displaced)
}

func (a adviser) gateNearer() string {
	set := a.set
	set.Throw.ToFocus /= 2
	b, e, better := a.changed(set)
	if !better {
		return ""
	}
	say := fmt.Sprintf("Moving the gate nearer the focus spot, from %v to %v, brings the scatter from %s to %s",
		a.set.Throw.ToFocus, set.Throw.ToFocus, scatter(a.budget.Total.Displaced), scatter(b.Total.Displaced))
	return say + a.timeLeft(e.Delay)
}

// timeLeft ends a sentence that shortens the delay.
func (a adviser) timeLeft(delay phys.Time) string {
	light := a.set.Light
	needs := light.Lag + 3*light.LagScatter + phys.Seconds(shutterEarly)
	waits := light.Expose == LagLed || light.Shutter == ByEdge
	switch {
	case waits && delay < needs && light.Expose == FlashInDark:
		return fmt.Sprintf("; the %s then left are too few for the camera's %s: open the shutter beforehand.", inMs(delay),
			inMs(needs))
	case waits && delay < needs:
		return fmt.Sprintf("; the %s then left are too few for the camera's %s: let the flash fire in the dark.", inMs(delay),
			inMs(needs))
	}
	return fmt.Sprintf("; %s are left after the edge.", inMs(delay))
}

func (a adviser) gateWider() string {
	set := a.set
	set.Throw.Gate *= 2
	b, _, better := a.changed(set)
	if !better {
		return ""
	}
	return fmt.Sprintf("Widening the gate from %v to %v brings the scatter from %s to %s.", a.set.Throw.Gate,
		set.Throw.Gate, scatter(a.budget.Total.Displaced), scatter(b.Total.Displaced))
}

// across says what no timing mends: how far from the focus spot the path passes.
func (a adviser) across() string {
	rise := func(angle phys.Angle, speed phys.Speed) (phys.Length, bool) {
		t := a.set.Throw
		t.Angle += angle
		p, err := t.flight(speed)
		return p.Rise, err == nil
	}
	v := a.e.Speed
	up, ok1 := rise(a.spread.ThrowAngle, v)
	down, ok2 := rise(-a.spread.ThrowAngle, v)
	fast, ok3 := rise(0, v*phys.Speed(1+a.spread.ThrowSpeed))
	slow, ok4 := rise(0, v*phys.Speed(1-a.spread.ThrowSpeed))
	if !ok1 || !ok2 || !ok3 || !ok4 {
		return ""
	}
	off := math.Hypot(float64(up-down)/2, float64(fast-slow)/2)
	return fmt.Sprintf("Angle and speed also move the path up and down by %s (SD) at the focus spot, which no timing "+
		"mends: leave room for it in the frame.", scatter(phys.Length(off)))
}

func (a adviser) microphone() string {
	cmOff := phys.Time(float64(1*cm) / float64(a.e.Speed))
	return fmt.Sprintf("A centimetre of the microphone's distance is %.2f ms; measure it to the sensor, and the air's "+
		"temperature to a few degrees.", float64(cmOff/ms))
}

// beamLower says what the beam's place buys: the faster the drop passes it, the less its height matters.
func (a adviser) beamLower() string {
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
	if placed(b) > worthwhile*placed(a.budget) {
		return ""
	}
	return fmt.Sprintf("The drop passes the beam at %.2f m/s, where its place costs %.2f ms. %v below the nozzle it "+
		"would be %.2f m/s and %.2f ms%s", a.e.BeamSpeed, placed(a.budget), phys.Round(set.Drop.Beam, 3), e.BeamSpeed,
		placed(b), a.timeLeft(e.Delay))
}

// published says what to expect of the phase times and how the trim helps.
func (a adviser) published() string {
	t := a.budget.term(termSplash)
	if t.Mistiming == 0 {
		return ""
	}
	say := fmt.Sprintf("Published times of this moment lie between %s and %s after the beam. Expect that of the first "+
		"shots; once the trim is right, %s (SD) are left from shot to shot.", inMs(a.e.Low), inMs(a.e.High),
		inMs(a.budget.Again.Mistiming))
	if a.e.Extrapolated {
		say += " This drop is smaller, slower or faster than those they were measured on: the moment may come earlier."
	}
	return say
}

// pool passes on what a pool of that depth does to the splash.
func (a adviser) pool() string {
	if a.set.Drop.Phase == splash.Contact {
		return ""
	}
	pool, err := splash.PoolAdvice(a.set.Drop.PoolDeep, a.e.Diameter)
	if err != nil || pool.Deep {
		return ""
	}
	return pool.Advice + "."
}

// afterGo says when a shutter opened at Go is open: nothing but the person keeps the moment within it.
func (a adviser) afterGo() string {
	light := a.set.Light
	if light.Expose != FlashInDark || light.Shutter != ByGo {
		return ""
	}
	open := (plan{set: a.set}).openBefore()
	return fmt.Sprintf("The shutter is open from %s to %s after Go: a moment outside that is lost, so wait for it, and "+
		"see that the edge comes by %s.", inMs(phys.Seconds(open)), inMs(light.OpenFor), inMs(light.OpenFor-a.e.High))
}

// inTheDark says what the camera's lag costs when it leads.
func (a adviser) inTheDark() string {
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
		return fmt.Sprintf("The camera's lag scatters the moment by %.1f ms of %.1f ms in all; a flash in the dark would "+
			"leave %.1f ms.", lag.Mistiming/ms, a.budget.Total.Mistiming/ms, b.Total.Mistiming/ms)
	}
	return fmt.Sprintf("The camera's lag scatters the picture by %s of %s in all; a flash in the dark would leave %s.",
		scatter(lag.Displaced), scatter(a.budget.Total.Displaced), scatter(b.Total.Displaced))
}
