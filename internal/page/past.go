package page

import (
	"time"

	"stillwater/internal/control"
	"stillwater/internal/record"
	"stillwater/internal/shot"
	"stillwater/internal/tuning"
)

// What a phone is answered that looks back. web/protocol.d.ts has the same; a test holds the two together. Names, notes
// and whatever else a person wrote are as they were written, and for the page to show as text.

// PastSessions is a part of the sessions, newest first.
type PastSessions struct {
	Sessions []PastSession `json:"sessions"`
	Next     int64         `json:"next"`    // what to ask for after, for those that follow; 0: there are none
	Found    int           `json:"found"`   // in all
	Problem  string        `json:"problem"` // what could not be searched, in words
}

// PastSession is a session as a list shows it.
type PastSession struct {
	ID       int64          `json:"id"`
	Title    string         `json:"title"` // its name, or else its date
	Name     string         `json:"name"`
	Started  time.Time      `json:"started"`
	Dated    string         `json:"dated"` // how the date is known, in words; "" the machine's clock
	Board    string         `json:"board"`
	Kinds    []string       `json:"kinds"` // of its shots, or else of the set; none: not readable
	Shots    int            `json:"shots"`
	Verdicts []VerdictCount `json:"verdicts"` // those that were given, in their order
	Matches  []int          `json:"matches"`  // shots that have the words looked for, the newest first, at most 20
	Damaged  string         `json:"damaged"`  // what of it cannot be read, in words
}

// VerdictCount says how many shots have a verdict; "" is unjudged.
type VerdictCount struct {
	Verdict record.Verdict `json:"verdict"`
	Shots   int            `json:"shots"`
}

// Evening is one session with its set and the results of its tries.
type Evening struct {
	Session    PastSession `json:"session"`
	Set        []SetValue  `json:"set"`         // every field; empty if it cannot be read
	SetProblem string      `json:"set_problem"` // why not, in words
	Elevation  string      `json:"elevation"`   // the set seen from the side, as SVG; "" if it cannot be read
	Summed     int         `json:"summed"`      // the newest shots, of which the rest says something
	Uncounted  int         `json:"uncounted"`   // of those: left out, as the machine was late or failed, or damaged
	Keepers    int         `json:"keepers"`     // of those
	Kinds      []KindTries `json:"kinds"`       // the one with most tries first
}

// SetValue is one field of a set as text.
type SetValue struct {
	Field string `json:"field"`
	Text  string `json:"text"`
	Used  bool   `json:"used"` // by the set's kind
}

// KindTries are the tries of one kind, and where they were good most often.
type KindTries struct {
	Kind  shot.Kind     `json:"kind"`
	Axis  string        `json:"axis"`  // what differs between tries: "delay", "trim"
	Count int           `json:"count"` // of all those that are summed up
	Tries []TryView     `json:"tries"` // the newest of them, newest first
	Best  *BestView     `json:"best"`  // null: see Why
	Why   string        `json:"why"`   // in words
	Strip string        `json:"strip"` // the tries drawn, as SVG; see package strip
	Facts []tuning.Fact `json:"facts"` // what came of those with the newest one's set; empty: nothing is judged
}

// TryView is one mark over the delay or the trim.
type TryView struct {
	Number  int            `json:"number"`
	AtMs    float64        `json:"at_ms"`
	Verdict record.Verdict `json:"verdict"`
	Counted bool           `json:"counted"` // it says something of the time

	Measured bool `json:"measured"` // its picture was
}

// BestView is where the largest share of tries was good.
type BestView struct {
	AtMs  float64 `json:"at_ms"`
	Good  int     `json:"good"`
	Tries int     `json:"tries"`
}

// PastShots is a part of a session's shots, the newest first.
type PastShots struct {
	Shots []control.ShotView `json:"shots"`
	Next  int                `json:"next"` // what to ask for before, for those that follow; 0: there are none
	Lost  []int              `json:"lost"` // numbers of those that cannot be read; 0: not even that
}

// SetAgain says what would become of the next shot's set.
type SetAgain struct {
	Changes []SetChange       `json:"changes"`
	Refused []control.Refusal `json:"refused"` // values that are not possible: they stay as they are
	Missing []string          `json:"missing"` // fields that are not on record: they stay as they are
	Unknown []string          `json:"unknown"` // fields on record that there are not, at most 20
}

// SetChange is a field that differs from the next shot's.
type SetChange struct {
	Field string `json:"field"`
	From  string `json:"from"`
	To    string `json:"to"`
}
