package contactsheet

import (
	"slices"
	"strings"
	"time"

	"stillwater/internal/frames"
	"stillwater/internal/match"
)

// FrameEntry is a frame and what is known of it.
type FrameEntry struct {
	Name     string
	Files    []frames.File
	Taken    time.Time // by the camera's clock, as if in UTC; zero: not known
	Shot     int       // its number; of one that is open the best guess; 0: none
	ShotID   int64
	Sure     match.Sureness
	Settled  bool // by a person; without a shot: that it is of none
	Pictured bool // its picture was looked at, and a small one is kept
	Width    int  // of that, pixels
	Height   int
	Number   int   // in its name; 0 none
	Look     *Look // nil: not looked at, or of no shot
}

// FrameEntries lists all frames, by name.
func (s *Sheet) FrameEntries() (list []FrameEntry) {
	byName := map[string]int{}
	add := func(f frames.Frame) {
		byName[f.Name] = len(list)
		one := FrameEntry{Name: f.Name, Number: f.Number, Files: f.Files, Taken: f.Taken, Sure: match.Open,
			Settled: s.noShot[f.Name]}
		if p := s.shown[f.Name]; p != nil {
			one.Pictured, one.Width, one.Height = true, p.Width, p.Height
		}
		list = append(list, one)
	}
	for _, f := range slices.Concat(s.Extra, s.Untimed) {
		add(f)
	}
	for i := range s.Rows {
		r := &s.Rows[i]
		if r.Frame == nil {
			continue
		}
		if _, listed := byName[r.Frame.Name]; !listed {
			add(*r.Frame)
		}
		e := &list[byName[r.Frame.Name]]
		if e.ShotID != 0 { // a guess of two boots of the machine: the first one stays
			continue
		}
		e.Shot, e.ShotID, e.Sure, e.Settled = r.Shot.Number, r.Shot.ID, r.Sure, r.Settled
		if r.Sure != match.Open {
			e.Look = s.lookOf(r)
		}
	}
	slices.SortFunc(list, func(a, b FrameEntry) int { return strings.Compare(a.Name, b.Name) })
	return list
}

// Measurement is what a frame says of its shot, for the record.
type Measurement struct {
	ShotID       int64
	PastUm, SDUm int64
}

// Measurements lists what is measured and not on record: of frames that are certain, where nobody measured before.
func (s *Sheet) Measurements() (list []Measurement) {
	for i := range s.Rows {
		if um, sd, ok := s.measurement(&s.Rows[i]); ok {
			list = append(list, Measurement{s.Rows[i].Shot.ID, um, sd})
		}
	}
	return list
}

// Recorded lists the measurements on record that are from frames: one is what its frame says now, or was accepted
// before.
func (s *Sheet) Recorded(accepted func(Measurement) bool) (list []Measurement) {
	for i := range s.Rows {
		made := s.Rows[i].Shot
		one := Measurement{made.ID, made.PastUm, made.PastSDUm}
		um, sd, ok := s.seenPast(&s.Rows[i])
		if one.SDUm > 0 && (ok && one == Measurement{made.ID, um, sd} || accepted(one)) {
			list = append(list, one)
		}
	}
	return list
}

// LessonFact is what the frames say of the delay; nil: nothing.
func (s *Sheet) LessonFact() *LessonFact { return s.Lesson.fact() }
