package shot

import (
	"fmt"
	"time"

	"stillwater/internal/record"
)

// minLateness is what a lateness must exceed to be worth a word: half of the page's smallest step of the trim, 1 ms.
// What is less turns no trim the wrong way. Common practice, no source.
const minLateness = 500 * time.Microsecond

// MaxLateness is how far from its plan a pulse that makes the picture may come before the picture says more of the
// machine than of the delay:
//
//	max(s, 0.5 ms), s the standard deviation of the budget's terms that differ from shot to shot, once trimmed
//
// Such a picture is off by what this throw or drop did, whose mean square is s², and by how late the machine was.
// Beyond s the machine has the larger share. For the usual sets s is 2.0 ms for a drop's column, 9.7 ms for a throw
// and 0.2 ms for a sound: there, the smallest step of the trim decides. The board's resolution, a microsecond or less,
// is left out, as a shot on record does not have it.
//
// Errors: *FieldError or *Refusal, as Estimate.
func MaxLateness(set Set) (time.Duration, error) {
	estimate, err := set.Estimate()
	if err != nil {
		return 0, err
	}
	budget, err := Errors(set, estimate, DefaultSpread(), 0)
	if err != nil {
		return 0, err
	}
	return max(budget.Repeat.Mistiming.Duration(), minLateness), nil
}

// Outcome is what the machine made of a shot, which is not what its picture shows.
type Outcome struct {
	Late    time.Duration // by how much the machine was late beyond MaxLateness; negative: early; 0: it was not
	Failed  bool          // it did not run to its end
	Problem string        // why its picture says nothing of the delay, and what to do, in sentences; "" it does
}

// Conclusive reports whether a verdict on the picture says something about the delay.
func (o Outcome) Conclusive() bool { return o.Problem == "" }

// Outcomes works out the outcomes of shots, one after the other. The zero value is ready for use.
type Outcomes struct {
	allowed map[Set]time.Duration
	text    string // of the set that was parsed last: shots that follow each other mostly have the same
	set     Set
	err     error
	parsed  bool
}

// ParseSet is the function ParseSet, and keeps its last result, as parsing takes long.
func (o *Outcomes) ParseSet(text string) (Set, error) {
	if !o.parsed || o.text != text {
		o.set, o.err = ParseSet(text)
		o.text, o.parsed = text, true
	}
	return o.set, o.err
}

// maxSets bounds what is kept.
const maxSets = 64

// Of is the outcome of a shot on record. The lateness of a shot whose set or cues cannot be read stays open.
func (o *Outcomes) Of(s record.Shot) Outcome {
	if why := failureWords(s.Status); why != "" {
		return Outcome{Failed: true, Problem: why}
	}
	if s.Damaged != "" {
		return Outcome{}
	}
	set, err := o.ParseSet(s.Set)
	if err != nil {
		return Outcome{}
	}
	cue, late := latest(set.Light.Expose, s.Cues)
	if late.Abs() <= minLateness {
		return Outcome{}
	}
	allowed, err := o.maxLateness(set)
	if err != nil || late.Abs() <= allowed {
		return Outcome{}
	}
	return Outcome{Late: late, Problem: latenessWords(cue, late, allowed)}
}

// maxLateness keeps what takes long to work out. The trim has no part in it.
func (o *Outcomes) maxLateness(set Set) (time.Duration, error) {
	set.Trim = TrimSet{}
	if allowed, known := o.allowed[set]; known {
		return allowed, nil
	}
	allowed, err := MaxLateness(set)
	if err != nil {
		return 0, err
	}
	if o.allowed == nil || len(o.allowed) >= maxSets {
		o.allowed = map[Set]time.Duration{}
	}
	o.allowed[set] = allowed
	return allowed, nil
}

// latest is the pulse that was furthest from its plan, of those that make the picture: the flashes, or the shutter
// whose camera fires them.
func latest(expose Exposure, cues []record.Cue) (name string, late time.Duration) {
	for _, c := range cues {
		if c.Opening || expose == FlashInDark && c.Name == shutterCue {
			continue
		}
		if by := time.Duration(c.LateNs()); by.Abs() > late.Abs() {
			name, late = c.Name, by
		}
	}
	return name, late
}

func latenessWords(cue string, late, allowed time.Duration) string {
	way := "late"
	if late < 0 {
		way = "early"
	}
	scatter := fmt.Sprintf("more than shots of this set differ by anyway, %s", inMilliseconds(allowed))
	if allowed == minLateness {
		scatter = fmt.Sprintf("more than the %s that matter to the trim", inMilliseconds(allowed))
	}
	return fmt.Sprintf("The machine, not the delay, was %s: the %s came %s %s, %s. Leave the trim as it is and "+
		"shoot again; this shot is not counted.", way, cue, inMilliseconds(late.Abs()), way, scatter)
}

// inMilliseconds rounds a time for people as the page does.
func inMilliseconds(d time.Duration) string { return fmt.Sprintf("%.1f ms", d.Seconds()*1e3) }

// failureWords say why a shot did not run to its end and what to do; "" it did.
func failureWords(status string) string {
	const again = " It says nothing about the delay: leave the trim as it is, and "
	switch status {
	case record.StatusDone:
		return ""
	case record.StatusLate:
		return "The machine could not switch in time and gave the shot up." + again +
			"shoot again. If it happens often, let the machine do less; \"stillwater lateness\" measures it."
	case record.StatusDisarmed:
		return "It was disarmed before the shot was over." + again + "arm again."
	case record.StatusKilled:
		return "The kill switch stopped the shot." + again + "release the switch, disarm to clear the fault, and arm again."
	case record.StatusUnlinked:
		return "The board heard nothing from the computer and made itself safe before the shot was over." + again +
			"check the cable between them, then arm again."
	case record.StatusBroken:
		return "The shot was cut short: the board was lost, or had a fault." + again +
			"check that it is connected and has no fault, then arm again."
	}
	return "How the shot ended cannot be read from the record." + again + "shoot again."
}
