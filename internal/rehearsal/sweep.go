package rehearsal

import (
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"slices"
	"strconv"
	"strings"
	"time"

	"stillwater/internal/phys"
	"stillwater/internal/record"
	"stillwater/internal/render"
	"stillwater/internal/shot"
	"stillwater/internal/tuning"
)

// ParseSweep reads a plain sweep of the trim, like "-20ms,20ms,5ms,4": from, to, step and tries of each trim.
func ParseSweep(text string) (tuning.Sweep, error) {
	parts := strings.Split(text, ",")
	if len(parts) != 4 {
		return tuning.Sweep{}, errors.New("write it as FROM,TO,STEP,TRIES, like -20ms,20ms,5ms,4")
	}
	var times [3]phys.Time
	for i := range times {
		if err := times[i].UnmarshalText([]byte(strings.TrimSpace(parts[i]))); err != nil {
			return tuning.Sweep{}, err
		}
	}
	each, err := strconv.Atoi(strings.TrimSpace(parts[3]))
	if err != nil {
		return tuning.Sweep{}, fmt.Errorf("%q is not a number of tries", parts[3])
	}
	s := tuning.Sweep{From: times[0].Duration(), To: times[1].Duration(), Step: times[2].Duration(), Each: each}
	_, err = s.Trims(nil)
	return s, err
}

// Swept is the outcome of a sweep.
type Swept struct {
	Set    shot.Kind   `json:"set"`
	Seed   uint64      `json:"seed"`
	Room   string      `json:"room"`
	Trims  []SweptTrim `json:"trims"` // from the least
	TrimMs float64     `json:"trim_ms"`
	Words  string      `json:"words"` // what the tries say of the best trim
}

// SweptTrim is one trim of a sweep, and how many tries came out how.
type SweptTrim struct {
	TrimMs  float64 `json:"trim_ms"`
	Early   int     `json:"early"`
	Good    int     `json:"good"`
	Late    int     `json:"late"`
	Nothing int     `json:"nothing_there"`
	None    int     `json:"no_picture"` // it was not accepted, not seen, or fell short
}

// RunSweep makes the tries of a sweep, in order or shuffled, and judges each as the room's person would.
func RunSweep(o Options, sweep tuning.Sweep, shuffled bool) (Swept, error) {
	e, err := begin(o)
	if err != nil {
		return Swept{}, err
	}
	var shuffle func(int, func(i, k int))
	if shuffled {
		shuffle = rand.New(rand.NewPCG(o.Seed, 8)).Shuffle
	}
	trims, err := sweep.Trims(shuffle)
	if err != nil {
		return Swept{}, err
	}
	plan, err := shot.TuningPlan(e.Set, shot.DefaultSpread(), tick)
	if err != nil {
		return Swept{}, err
	}
	var tries []tuning.Try
	counts := map[time.Duration]*SweptTrim{}
	for _, trim := range trims {
		if counts[trim] == nil {
			counts[trim] = &SweptTrim{TrimMs: phys.Milliseconds(trim)}
		}
		made, err := e.at(trim)
		if err != nil {
			return Swept{}, err
		}
		if counts[trim].count(made); made != nil {
			tries = append([]tuning.Try{*made}, tries...)
		}
	}
	best := tuning.Learn(plan, tries, 0)
	s := Swept{Set: o.Set.Kind, Seed: o.Seed, Room: e.Room.Name, TrimMs: phys.Milliseconds(best.Trim), Words: best.Words}
	for _, c := range counts {
		s.Trims = append(s.Trims, *c)
	}
	slices.SortFunc(s.Trims, func(a, b SweptTrim) int { return int(10 * (a.TrimMs - b.TrimMs)) })
	return s, nil
}

// at is one try with a trim, judged by eye; nil: there was no picture.
func (e *evening) at(trim time.Duration) (*tuning.Try, error) {
	if err := e.trim(trim); err != nil {
		return nil, err
	}
	t, ok, err := e.next()
	if err != nil || !ok {
		return nil, err
	}
	return &tuning.Try{At: trim, Verdict: t.frame.Verdict}, nil
}

func (s *SweptTrim) count(made *tuning.Try) {
	if made == nil {
		s.None++
		return
	}
	switch made.Verdict {
	case record.Early:
		s.Early++
	case record.Good:
		s.Good++
	case record.Late:
		s.Late++
	default:
		s.Nothing++
	}
}

// Write writes the sweep as a table, and what it says.
func (s Swept) Write(w io.Writer) error {
	var rows [][]string
	for _, t := range s.Trims {
		row := []string{fmt.Sprintf("%+.1f ms", t.TrimMs)}
		for _, n := range []int{t.Early, t.Good, t.Late, t.Nothing, t.None} {
			row = append(row, strconv.Itoa(n))
		}
		rows = append(rows, row)
	}
	err := render.Table(w, []string{"trim", "early", "good", "late", "nothing there", "no picture"}, rows)
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(w, "\n%s\nIn a simulated room (%s, seed %d), no real hardware.\n", s.Words, s.Room, s.Seed)
	return err
}
