// Package journal keeps sessions and shots in an SQLite database. A shot is acknowledged once it is committed; nothing
// acknowledged is lost to a crash.
package journal

import (
	"database/sql"
	"errors"
	"os"
	"path/filepath"
	"sync"
	"time"
)

// Session is one evening's tries. Set and Care are JSON, opaque here. Started is the best date known; given to
// NewSession it is what the machine's clock says.
type Session struct {
	ID      int64
	Name    string // "": nobody gave it one, see Title
	Started time.Time
	When    When
	Board   string // what fired: "simulated", "gpio"
	Set     string // the set as last changed
	Care    string // the ticked cautions
	Damaged string // "", or what of it cannot be read, in words; then the rest is what can
}

// Title is the session's name, or the date for one that nobody named: a date that may become known later.
func (s Session) Title() string {
	if s.Name == "" {
		return s.Started.Format("2 January 2006, 15:04")
	}
	return s.Name
}

// Summary is a session and what came of it.
type Summary struct {
	Session
	Shots    int
	Verdicts map[string]int // how many shots have each verdict; "" is unjudged
}

// Shot is one try: when and how it ended, the board's stamps, what was planned and what was done. Set and Program are
// JSON, opaque here: the set it was made with and the program that ran. ID and Number are given by Add. At is the best
// date known; given to Add it is what the machine's clock says.
type Shot struct {
	ID         int64
	Session    int64
	Number     int // in the session, from 1, without gaps
	At         time.Time
	When       When
	Status     string
	Simulated  bool
	BootID     uint32
	GateNs     int64 // board time, widened
	ClockNs    int64
	IntervalNs int64 // 0: no gate
	DelayNs    int64 // planned, edge to moment
	Set        string
	Program    string
	Cues       []Cue
	Seen       string // simulated rig: what the camera saw
	Verdict    string
	Note       string
	Damaged    string // "", or what of it cannot be read or relied on, in words
	Lost       bool   // nothing of it can be read but its ID, and perhaps its Session and Number
}

// Cue is one pulse of a shot, in board time from the clock edge.
type Cue struct {
	Name      string `json:"name"`
	Opening   bool   `json:"opening"`
	PlannedNs int64  `json:"planned_ns"`
	OnNs      int64  `json:"on_ns"`
	OffNs     int64  `json:"off_ns"`
}

// LateNs is how far behind its plan the pulse began, negative when early.
func (c Cue) LateNs() int64 { return c.OnNs - c.PlannedNs }

// What can be wrong with a journal; errors.Is tells them apart. The error that wraps one of these names the file and
// says what to do.
var (
	ErrNewer    = errors.New("the journal was written by a newer Stillwater")
	ErrOlder    = errors.New("the journal was written by an older Stillwater")
	ErrForeign  = errors.New("the file is not a Stillwater journal")
	ErrDamaged  = errors.New("the journal is damaged")
	ErrReadOnly = errors.New("the journal cannot be written")
	ErrBusy     = errors.New("another process holds the journal")
	ErrFull     = errors.New("there is no room left for the journal")
	ErrNone     = errors.New("there is no journal yet")
	ErrNotFound = errors.New("not in the journal")
)

// Journal is an open journal. Its methods may be called from several goroutines; they take turns.
type Journal struct {
	mu        sync.Mutex
	path      string
	db        *sql.DB
	file      *os.File               // the database; nil when reading only
	fileLock  *os.File               // file, or one beside it
	openFiles map[string]os.FileInfo // those that are open, by what follows the path in their names
	verified  bool                   // the whole file was read and is undamaged
	damaged   error                  // nothing more is written
	onRescue  func(words string)

	onMigration func(version, last int)

	closeOnce sync.Once
	closeErr  error
}

// Path is the database file.
func (j *Journal) Path() string {
	defer j.acquire()()
	return j.path
}

// PathOr is the path given, or if that is empty DefaultPath.
func PathOr(path string, getenv func(string) string) (string, error) {
	if path != "" {
		return path, nil
	}
	return DefaultPath(getenv)
}

// DefaultPath is where the journal of this user is: $XDG_STATE_HOME/stillwater/journal.db, or under ~/.local/state, as
// the XDG Base Directory Specification has it (0.8, from memory). A relative XDG_STATE_HOME is ignored, as it demands.
func DefaultPath(getenv func(string) string) (string, error) {
	state := getenv("XDG_STATE_HOME")
	if !filepath.IsAbs(state) {
		home := getenv("HOME")
		if !filepath.IsAbs(home) {
			return "", errors.New("no place for the journal: neither XDG_STATE_HOME nor HOME is an absolute path; " +
				"set one of them, or name the file")
		}
		state = filepath.Join(home, ".local", "state")
	}
	return filepath.Join(state, "stillwater", "journal.db"), nil
}
