// Package journal keeps sessions and shots in an SQLite database. A shot is acknowledged once it is committed; nothing
// acknowledged is lost to a crash.
package journal

import "time"

// Session is one evening's tries. Set is JSON, opaque here.
type Session struct {
	ID      int64
	Name    string
	Started time.Time
	Board   string // what fired: "simulated", "gpio"
	Set     string // the set as last changed
	Care    string // the ticked cautions, JSON
}

// Shot is one try. Set, Program and Report are JSON, opaque here: the set it was made with, the program that ran, the
// board's report.
type Shot struct {
	ID         int64
	Session    int64
	Number     int // in the session, from 1, given by Add
	At         time.Time
	Status     string
	Simulated  bool
	BootID     uint32
	GateNs     int64 // board time, widened
	ClockNs    int64
	IntervalNs int64
	DelayNs    int64 // planned, edge to moment
	Set        string
	Program    string
	Cues       []Cue
	Seen       string
	Verdict    string
	Note       string
}

// Cue is one pulse of a shot, in board time from the clock edge.
type Cue struct {
	Name      string
	Opening   bool
	PlannedNs int64
	OnNs      int64
	OffNs     int64
}
