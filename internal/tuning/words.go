package tuning

import (
	"fmt"
	"math"
	"time"

	"stillwater/internal/phys"
)

// say puts the advice in words.
func (a *Advice) say(plan Plan) {
	switch a.Step {
	case Judge:
		a.Line = "Judge a shot, and the next delay is worked out."
		a.Words = a.Line
	case Trim:
		a.Line = fmt.Sprintf("Try %s, %s sure", signed(a.Trim), percent(a.Sure))
		a.Words = fmt.Sprintf("Try a trim of %s%s. It is %s sure that no other gets clearly more good shots. %s",
			signed(a.Trim), a.delayWords(plan), percent(a.Sure), a.intervalWords())
	case Leave:
		a.Line = a.leaveLine(plan)
		a.Words = a.leaveWords(plan)
	case Reset:
		a.Line = fmt.Sprintf("No delay gets more than about %s: change the set", tenths(a.Limit))
		a.Words = a.resetWords(plan)
	}
	if a.empty >= minEmpty {
		a.Line = fmt.Sprintf("Nothing there %d times: what to check", a.empty)
		a.Words = fmt.Sprintf("Nothing was there %d times in a row. Before another delay, check: is the frame black? Then "+
			"the flash failed, or the shutter was shut. Does the lens point at the spot, in focus? Does the sensor's meter "+
			"stay clear with nothing flying? Do distances, kind of shot and phase match the room? ", a.empty) + a.Words
	}
	if a.drift != "" {
		a.Words += " The tries drift: " + a.drift + "."
	}
	if a.crossed {
		a.Words = "What was called late was fired sooner than what was called early: check whether the two were mixed up " +
			"or something was moved. " + a.Words
	}
}

// leaveLine has what was counted at this delay, where that is something.
func (a *Advice) leaveLine(plan Plan) string {
	switch {
	case !a.Settled:
		return fmt.Sprintf("Keep %s for now: not sure yet", a.place(plan))
	case a.Here < 3:
		return fmt.Sprintf("Leave the trim, %s sure", percent(a.Sure))
	case a.Good == 0:
		return fmt.Sprintf("Leave it: no other than %s is likely to be better", a.place(plan))
	}
	return fmt.Sprintf("Leave it: good %d of %d at %s", a.Good, a.Here, a.place(plan))
}

func (a *Advice) leaveWords(plan Plan) string {
	count := ""
	if a.Here > 0 {
		count = fmt.Sprintf("Good %d of %d at %s. ", a.Good, a.Here, a.place(plan))
	}
	if !a.Settled {
		return fmt.Sprintf("%s%sShoot some more with this trim: that tells most. It is %s sure that no other gets clearly "+
			"more good ones. %s", count, a.bothSides(), percent(a.Sure), a.intervalWords())
	}
	if a.Limit > 0.9 {
		return fmt.Sprintf("%sLeave the trim as it is: it is %s sure.", count, percent(a.Sure))
	}
	return fmt.Sprintf("%s%sThe scatter, %s (SD), is %s: more trimming will not help. About %s are good at best.%s", count,
		a.bothSides(), ms(a.Scatter), plan.Whose, tenths(a.Limit), after(plan.Remedy))
}

// bothSides says that shots with one trim came early and late, "" where that is not so.
func (a *Advice) bothSides() string {
	if a.early == 0 || a.late == 0 {
		return ""
	}
	return fmt.Sprintf("Of the others %d came early and %d late: shots differ by that much, or a verdict was a slip. ",
		a.early, a.late)
}

func (a *Advice) resetWords(plan Plan) string {
	words := fmt.Sprintf("No delay gets more than about %s: shots differ by %s (SD).", tenths(a.Limit), ms(a.Scatter))
	if len(plan.Limits) > 0 {
		l := plan.Limits[0]
		words += fmt.Sprintf(" Most of it is by the plan: %s, %s.", l.Name, ms(l.SD))
	}
	return words + after(plan.Remedy)
}

// facts are how many were good, the delay that was found, the scatter, what limits it, and whether the tries drift.
func (a *Advice) facts(plan Plan, tries []Try) []Fact {
	if a.Counted == 0 {
		return []Fact{}
	}
	what, found := "Trim found", signed(a.Trim)
	if plan.Delay != 0 {
		what, found = "Delay found", fmt.Sprintf("%s, a trim of %s", ms(plan.Delay+a.Trim), found)
	}
	if !a.Settled {
		found = "not yet; so far " + found
	}
	limits := fmt.Sprintf("little: about %s are good at best", tenths(a.Limit))
	if a.Limit < nearBest {
		limits = fmt.Sprintf("%s scatter: about %s are good at best", plan.Whose, tenths(a.Limit))
		if len(plan.Limits) > 0 {
			limits += fmt.Sprintf("; the largest part by the plan is %s, %s", plan.Limits[0].Name, ms(plan.Limits[0].SD))
		}
	}
	facts := []Fact{
		{"Good", fmt.Sprintf("%d of %s%s", a.Hits, a.counted(), halves(plan, tries, a.Counted))},
		{what, fmt.Sprintf("%s; 8 times in 10 the best trim is between %s and %s", found, signed(a.Low), signed(a.High))},
		{"Spread", ms(a.Scatter) + " (SD) from shot to shot"},
		{"What limits it", limits},
	}
	if a.drift != "" {
		facts = append(facts, Fact{"Drift", a.drift})
	}
	return facts
}

// counted is how many tries say something, and by what.
func (a *Advice) counted() string {
	switch a.Measured {
	case 0:
		return fmt.Sprintf("%d judged", a.Counted)
	case a.Counted:
		return fmt.Sprintf("%d measured", a.Counted)
	}
	return fmt.Sprintf("%d (%d judged, %d only measured)", a.Counted, a.Counted-a.Measured, a.Measured)
}

// minHalf is how many tries each half of an evening must have to be compared with the other.
const minHalf = 4

// halves says how the rate changed in the course of the evening.
func halves(plan Plan, tries []Try, counted int) string {
	half := counted / 2
	if half < minHalf {
		return ""
	}
	seen, first, last := 0, 0, 0
	for _, t := range tries { // the newest first
		if !t.says() {
			continue
		}
		switch good := t.good(plan); {
		case good && seen < half:
			last++
		case good && seen >= counted-half:
			first++
		}
		seen++
	}
	return fmt.Sprintf(": %d of the first %d, %d of the last %d", first, half, last, half)
}

func after(sentence string) string {
	if sentence == "" {
		return ""
	}
	return " " + sentence
}

func (a *Advice) intervalWords() string {
	return fmt.Sprintf("The best trim is between %s and %s, 8 times in 10.", signed(a.Low), signed(a.High))
}

// place is where on the axis the trim is: a delay, where all shots have the same.
func (a *Advice) place(plan Plan) string {
	if plan.Delay == 0 {
		return "a trim of " + signed(a.Trim)
	}
	return ms(plan.Delay + a.Trim)
}

func (a *Advice) delayWords(plan Plan) string {
	if plan.Delay == 0 {
		return ""
	}
	return fmt.Sprintf(", a delay of %s", ms(plan.Delay+a.Trim))
}

// percent never says certain.
func percent(p float64) string { return fmt.Sprintf("%.0f %%", min(math.Round(p*100), 99)) }

func tenths(rate float64) string { return fmt.Sprintf("%.0f in 10", math.Max(math.Round(rate*10), 0)) }

// ms has a decimal only where it says something.
func ms(d time.Duration) string {
	v := phys.Milliseconds(d)
	if math.Abs(v) < 20 && math.Abs(v-math.Round(v)) > 0.05 {
		return fmt.Sprintf("%.1f ms", v)
	}
	return fmt.Sprintf("%.0f ms", v)
}

func signed(d time.Duration) string {
	if d > 0 {
		return "+" + ms(d)
	}
	if d < 0 {
		return "−" + ms(-d)
	}
	return "0 ms"
}
