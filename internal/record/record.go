// Package record has the words for what is put on record: the phones that were paired, the evenings' sessions, their
// shots, and how the date of each is known. Packages that store it, show it or write it out share these types.
package record

import (
	"crypto/sha256"
	"errors"
	"fmt"
	"time"
)

// Phone is a browser that was paired. The record has the hash of its token, never the token.
type Phone struct {
	Hash   [sha256.Size]byte
	Name   string
	Paired time.Time
}

// Session is one evening's tries. Set and Care are JSON, opaque here. Started is the best date known; of a new session
// it is what the machine's clock says.
type Session struct {
	ID      int64
	Name    string // "": nobody gave it one, see Title
	Started time.Time
	When    When
	Board   string // what fired: "simulated", "gpio"
	Set     string // the set as last changed; in a Summary the last shot's, if another kind was chosen since
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
	Verdicts map[Verdict]int // how many shots have each verdict; "" is unjudged
	Kinds    []string        // what was shot, as the shots' sets call it, in the order of the first shot of each
}

// Shot is one try: when and how it ended, the board's stamps, what was planned and what was done. Set and Program are
// JSON, opaque here: the set it was made with and the program that ran. The record gives ID and Number. At is the best
// date known; of a new shot it is what the machine's clock says.
type Shot struct {
	ID         int64
	Session    int64
	Number     int // in the session, from 1, without gaps
	At         time.Time
	When       When
	Status     string // StatusDone, ...
	Simulated  bool
	BootID     uint32
	GateNs     int64 // board time, widened
	ClockNs    int64
	IntervalNs int64 // 0: no gate
	DelayNs    int64 // planned, edge to moment
	Set        string
	Program    string
	Cues       []Cue
	CuesText   string // of damaged ones: as the record has them; "" where all can be read
	Seen       string // simulated rig: what the camera saw
	Verdict    Verdict
	Note       string
	Star       bool   // to be kept
	Picture    string // what is wrong with the picture: PictureBlurred, ...; "" nothing
	PastUm     int64  // how far past its place along the path the liquid is in the picture, as measured, micrometres
	PastSDUm   int64  // standard deviation of that; 0: not measured
	Framed     bool   // a small picture of its frame is kept, see Frame
	Frame      string // the name of its frame; "" none is known
	File       int    // the camera's own number of the picture, see FileAfter; 0 not known
	Damaged    string // "", or what of it cannot be read or relied on, in words
	Lost       bool   // nothing of it can be read but its ID, and perhaps its Session and Number
}

// Frame is a frame of the camera, as it was looked at for a session: what its files were, what they say and what was
// measured, so that it is read and measured once, and which shot it belongs to. Files and Facts are JSON, opaque here.
type Frame struct {
	Session     int64
	Name        string
	Files       string
	Facts       string
	Picture     []byte // small, a JPEG; nil: none
	Shot        int    // its number in the session; 0 none
	Sure        string // how far that can be relied on
	Probability float64
	Settled     bool // by a person
}

// How a shot ended, as Shot.Status has it.
const (
	StatusDone     = "done"
	StatusLate     = "late" // a cue could not be met, and the board gave the shot up
	StatusDisarmed = "disarmed"
	StatusKilled   = "stopped by the kill switch"
	StatusUnlinked = "cut short: the board heard nothing from the computer"
	StatusBroken   = "broken"
)

// Verdict is what a person says of a shot's picture: of its time, or of its aim.
type Verdict string

const (
	Unjudged Verdict = ""
	Early    Verdict = "early"
	Good     Verdict = "good"
	Late     Verdict = "late"
	Nothing  Verdict = "nothing there"

	// Of a collision in time, at another height than was wanted.
	TooHigh Verdict = "too high"
	TooLow  Verdict = "too low"
)

// Verdicts lists every Verdict.
func Verdicts() []Verdict { return []Verdict{Unjudged, Early, Good, Late, Nothing, TooHigh, TooLow} }

// What can be wrong with a picture, as Shot.Picture has it.
const (
	PictureBlurred = "blurred"
	PictureBlack   = "black" // it shows nothing of the moment
)

// MaxFile is the highest number that a camera gives a picture; after it comes 1: DCF 2.0 (JEITA CP-3461B), file names,
// from memory.
const MaxFile = 9999

// FileAfter is the number of the picture that comes so many pictures after one; 0 if that has none.
func FileAfter(file, pictures int) int {
	if file == 0 {
		return 0
	}
	return (file-1+pictures)%MaxFile + 1
}

// FileName is a picture's number as cameras write it in the file's name; "" for none.
func FileName(file int) string {
	if file == 0 {
		return ""
	}
	return fmt.Sprintf("%04d", file)
}

// Cue is one pulse of a shot, in board time from the clock edge. Its JSON is how the record stores it.
type Cue struct {
	Name      string `json:"name"`
	Opening   bool   `json:"opening"`
	PlannedNs int64  `json:"planned_ns"`
	OnNs      int64  `json:"on_ns"`
	OffNs     int64  `json:"off_ns"`
}

// LateNs is how far behind its plan the pulse began, negative when early.
func (c Cue) LateNs() int64 { return c.OnNs - c.PlannedNs }

// What can keep the record from being written or found; errors.Is tells them apart. The error that wraps one of these
// names the file and says what to do.
var (
	ErrDamaged  = errors.New("the journal is damaged")
	ErrReadOnly = errors.New("the journal cannot be written")
	ErrBusy     = errors.New("another process holds the journal")
	ErrFull     = errors.New("there is no room left for the journal")
	ErrNotFound = errors.New("not in the journal")
)
