package control

import (
	"errors"
	"fmt"
	"time"

	"stillwater/internal/board"
	"stillwater/internal/phys"
	"stillwater/internal/record"
	"stillwater/internal/shot"
	"stillwater/internal/splash"
	"stillwater/internal/wire"
)

func refusal(field, why, remedy string) *Refusal {
	return &Refusal{Field: field, Why: why, Remedy: remedy}
}

// durationWords is a time for people: "10 min", "10 s".
func durationWords(d time.Duration) string {
	if d >= time.Minute && d%time.Minute == 0 {
		return fmt.Sprintf("%d min", d/time.Minute)
	}
	return phys.Seconds(d).String()
}

func lostEdgesWords(input string, count uint32) string {
	if count == 1 {
		return fmt.Sprintf("an edge at %s was lost: the sensor is faster than the board can follow", input)
	}
	return fmt.Sprintf("%d edges at %s were lost: the sensor is faster than the board can follow", count, input)
}

// lostBoardWords says that the board is disconnected and why, reconnectedWords that it is back.
func lostBoardWords(err error) string {
	why := ""
	if gone := new(board.GoneError); errors.As(err, &gone) {
		why = fmt.Sprintf(" (%v)", gone.Cause)
	} else if !errors.Is(err, board.ErrGone) {
		why = fmt.Sprintf(" (%v)", err)
	}
	return "the board is disconnected" + why + "; reconnecting"
}

const reconnectedWords = "the board was disconnected and is back; disarmed"

// armedWords says what an armed board waits for.
func armedWords(r *run) string {
	if r.dry() {
		return "dry run, nothing will fire: " + waitWords(r)
	}
	again := r.repeat.words()
	switch {
	case again == "":
		return "armed: " + waitWords(r) + r.pace.words()
	case r.waitsGo && r.repeat.begun(): // nobody is asked for anything
		return "armed: " + again
	case r.repeat.begun():
		return fmt.Sprintf("armed: %s; %d more to come", waitWords(r), r.repeat.left)
	}
	return "armed: " + waitWords(r) + "; " + again
}

func waitWords(r *run) string {
	switch {
	case r.waitsGo && r.set.Kind == shot.Drops:
		return "let the drops fall when you are ready"
	case r.waitsGo && r.program.Clock == nil:
		return "start the delay when you are ready"
	case r.waitsGo && r.program.HasWindow():
		return "press Go to let the drops fall"
	case r.waitsGo && r.pace == nil: // a pace gives Go itself
		return "open the shutter first"
	}
	switch r.set.Kind {
	case shot.Throw:
		return "waiting for the throw at the gate"
	case shot.Sound:
		return "waiting for the sound"
	case shot.Drops:
		if r.program.Clock == nil {
			return "the drops fall"
		}
	}
	if nth := r.program.Nth; nth > 1 {
		return fmt.Sprintf("waiting for drop %d at the beam", nth)
	}
	return "waiting for the drop at the beam"
}

// faultWords says why the board has a fault and how to clear it.
func faultWords(r wire.Reason) string {
	if r == wire.ReasonKill {
		return r.String() + ": release it, then disarm to clear the fault"
	}
	return r.String() + ": disarm to clear the fault"
}

func statusWords(s wire.Status) string {
	switch s {
	case wire.Done:
		return record.StatusDone
	case wire.Late:
		return record.StatusLate
	case wire.Disarmed:
		return record.StatusDisarmed
	case wire.Killed:
		return record.StatusKilled
	case wire.LinkTimeout:
		return record.StatusUnlinked
	}
	return record.StatusBroken
}

func phaseLabel(p splash.Phase) string {
	switch p {
	case splash.Contact:
		return "Contact with the surface"
	case splash.CrownHighest:
		return "Crown highest"
	case splash.CraterDeepest:
		return "Crater deepest"
	case splash.ColumnEmerges:
		return "Column emerges"
	case splash.ColumnHighest:
		return "Column highest"
	case splash.ColumnGone:
		return "Column gone"
	}
	return string(p)
}

func ms(d time.Duration) float64 { return float64(d) / float64(time.Millisecond) }
