// Package control arms, disarms, keeps sessions and joins the ports (board, journal, room) to the pure code. It is the
// only place that does. The page and the command line talk to it in Commands and read Snapshots.
package control

import (
	"time"

	"stillwater/internal/record"
	"stillwater/internal/shot"
	"stillwater/internal/tuning"
)

// State is what the whole machine is doing, in one word.
type State string

const (
	Safe    State = "safe"
	Arming  State = "arming" // the board was asked to arm and has not confirmed it
	Armed   State = "armed"
	Firing  State = "firing"
	Resting State = "resting"
	Fault   State = "fault"
)

// States lists every State.
func States() []State { return []State{Safe, Arming, Armed, Firing, Resting, Fault} }

// Snapshot is everything a phone shows. A phone that connects gets it whole, so that a reload or a lost connection
// needs no other message, and then each of its fields that changes. Lengths and times a person typed are strings with
// their units; measured times are numbers in the unit their key names.
type Snapshot struct {
	Epoch     int64        `json:"epoch"` // begins anew with each disarm: see Command
	State     State        `json:"state"`
	Reason    string       `json:"reason"`     // why it is in this state, in words
	ArmedLeft int          `json:"armed_left"` // shots still to come
	ArmedEnds int64        `json:"armed_ends"` // Unix ms when arming ends by itself; 0: not armed
	ArmsAt    int64        `json:"arms_at"`    // Unix ms when it will be armed; 0: it is not being armed
	DryRun    bool         `json:"dry_run"`    // armed or being armed, and no output will be switched
	ArmForS   float64      `json:"arm_for_s"`  // how long an arming lasts at most
	NeedsGo   bool         `json:"needs_go"`   // armed, and Go opens shutter or valves, or starts the delay
	Repeat    *RepeatView  `json:"repeat"`     // armed, and Go is given again by itself; nil: it is not
	Board     Board        `json:"board"`
	Inputs    []InputView  `json:"inputs"`
	Holder    string       `json:"holder"`    // client id that holds the controls, "" nobody
	Asking    []string     `json:"asking"`    // client ids that asked for them
	Onlookers int          `json:"onlookers"` // phones connected without the controls
	Away      bool         `json:"away"`      // the holder is disconnected, or its page is hidden
	GraceS    float64      `json:"grace_s"`   // how long the holder may be away before what it armed is disarmed
	Care      []Care       `json:"care"`
	CareDone  bool         `json:"care_done"`
	CareAgain string       `json:"care_again"` // why the cautions are to be ticked again, in words; "" for the first time
	Session   SessionView  `json:"session"`
	Set       shot.Set     `json:"set"`
	Preview   *Preview     `json:"preview"`   // nil when the set cannot work
	Refusal   *Refusal     `json:"refusal"`   // why it cannot
	Evening   []Care       `json:"evening"`   // what an evening needs; it blocks nothing
	Lighting  *Lighting    `json:"lighting"`  // nil: the set cannot be worked out
	Elevation string       `json:"elevation"` // the set seen from the side, as SVG; see package elevation
	Room      *Room        `json:"room"`      // simulated rig only
	Shots     []ShotView   `json:"shots"`     // newest first, at most 20
	ShotCount int          `json:"shot_count"`
	DryEdge   DryEdge      `json:"dry_edge"`  // of its throws
	DryShots  []DryShot    `json:"dry_shots"` // of the latest dry run, newest first, at most 20; on no record
	Tuning    *Tuning      `json:"tuning"`    // what the session's tries say of the delay; nil: the set cannot work
	Sweep     *SweepView   `json:"sweep"`     // a sweep of the trim under way; nil: there is none
	NextFile  int          `json:"next_file"` // the camera's number of the next picture; 0: not known
	Lag       Lag          `json:"lag"`       // of the camera, as measured
	Camera    CameraStatus `json:"camera"`    // its frames
	Phases    []Choice     `json:"phases"`
	Liquids   []Choice     `json:"liquids"`
	Notice    string       `json:"notice"` // a message: an edge rejected, edges lost, the record full; "" none
	Record    RecordStatus `json:"record"`
	Sent      time.Time    `json:"sent"`
}

// RecordStatus says how the journal keeps up.
type RecordStatus struct {
	Waiting int    `json:"waiting"` // shots made and not yet in the journal, so not yet in Shots
	Problem string `json:"problem"` // why it cannot be written, in words; "" none
}

// Choice is one entry of a list to choose from.
type Choice struct {
	Value string `json:"value"`
	Label string `json:"label"`
	Hint  string `json:"hint,omitempty"` // what it means, where the label does not say
}

// Board is the board as a person needs it.
type Board struct {
	Kind      string  `json:"kind"` // "simulated", "gpio", "serial"
	Name      string  `json:"name"`
	Connected bool    `json:"connected"`
	Problem   string  `json:"problem"` // why not, in words
	TickUs    float64 `json:"tick_us"`

	Outputs []OutputView `json:"outputs"` // of the board there is
}

// OutputView is an output as the page shows it, with what its last test showed.
type OutputView struct {
	Name   string  `json:"name"`
	TestMs float64 `json:"test_ms"` // how long a test switches it on
	Tested string  `json:"tested"`  // in words; "" not since the board was connected

	PrimeMs float64 `json:"prime_ms"` // how long priming opens it; 0: it is no valve
}

// InputView is an input as the page shows it: its level now and how often it changed.
type InputView struct {
	Name   string `json:"name"`
	Role   string `json:"role"` // "gate", "beam", "microphone", "sync", "kill", "button"
	Use    string `json:"use"`  // what it does besides the plan, in words; "" nothing
	Active bool   `json:"active"`
	Edges  int    `json:"edges"` // seen since start

	Breaks  []Break    `json:"breaks"`          // the last whole ones, newest first, at most 5
	Chatter string     `json:"chatter"`         // that it chatters, why and what to do, in words; "" it does not
	Level   *LevelView `json:"level,omitempty"` // nil: the board does not measure it
}

// Care is one caution of the checklist.
type Care struct {
	ID     string `json:"id"`
	Text   string `json:"text"`
	Ticked bool   `json:"ticked"`
}

// SessionView is the session as the page shows it.
type SessionView struct {
	ID      int64     `json:"id"`
	Name    string    `json:"name"` // "" nobody named it
	Started time.Time `json:"started"`
	Dates   string    `json:"dates"` // where dates come from, in words; "" the machine's clock
}

// Refusal says what cannot be done and what to change. Field names the command's or the set's field, "" if none.
type Refusal struct {
	Field  string `json:"field"`
	Why    string `json:"why"`
	Remedy string `json:"remedy"`
	Fixes  []Fix  `json:"fixes,omitempty"`
}

func (r *Refusal) Error() string { return r.Why + " " + r.Remedy }

// Fix is one change of the set that makes it work, or several that only do together: each a "set" command's field and
// value, in order.
type Fix struct {
	Field string `json:"field"`
	Value string `json:"value"`
	Also  []Fix  `json:"also,omitempty"`
}

// FixOf is a fix as a phone is shown it.
func FixOf(f shot.Fix) Fix {
	fix := Fix{Field: f.Field, Value: f.Value}
	for _, also := range f.Also {
		fix.Also = append(fix.Also, FixOf(also))
	}
	return fix
}

// put makes the changes of a fix.
func (f Fix) put(set *shot.Set) error {
	fix := shot.Fix{Field: f.Field, Value: f.Value}
	for _, also := range f.Also {
		fix.Also = append(fix.Also, shot.Fix{Field: also.Field, Value: also.Value})
	}
	return fix.Put(set)
}

// Preview is the next shot drawn to scale. Times are ms from the clock edge.
type Preview struct {
	DelayMs     float64      `json:"delay_ms"`
	DelayLowMs  float64      `json:"delay_low_ms"`
	DelayHighMs float64      `json:"delay_high_ms"`
	FromGo      bool         `json:"from_go"` // there is no clock edge: times are from Go
	Within      float64      `json:"within"`  // probability of a first shot's moment in the band; 0: a range of throws
	SpeedMS     float64      `json:"speed_m_s"`
	Summary     string       `json:"summary"`
	Marks       []Mark       `json:"marks"`
	Bars        []BarView    `json:"bars"`
	Budget      []Term       `json:"budget"` // the last two are the sums: of all, and of those that are not steady
	Advice      []string     `json:"advice"`
	Places      string       `json:"places"` // where a throw's beams had better be, and what is gained; "" they are there
	Table       []TablePoint `json:"table"`  // gate interval to delay; empty without a gate
}

// Tuning is what the tries with the set as it is say of its trim.
type Tuning struct {
	Step   string        `json:"step"`    // "judge", "trim", "leave", "change set": what to do next
	TrimMs float64       `json:"trim_ms"` // to make the next try with
	Sure   float64       `json:"sure"`    // the probability that no other trim gets clearly more good shots
	Line   string        `json:"line"`    // in a few words
	Words  string        `json:"words"`   // in sentences
	Facts  []tuning.Fact `json:"facts"`   // what the tries show so far; empty: nothing is judged
	Strip  string        `json:"strip"`   // the tries drawn over their delay, as SVG; "" there is none; see package strip

	Gap *GapTuning `json:"gap"` // another trim of the gap is likely to be better; nil: none, or the set has no such trim
}

// GapTuning is the trim of the gap to make the next try with.
type GapTuning struct {
	TrimMs float64 `json:"trim_ms"`
	Sure   float64 `json:"sure"` // as of Tuning
}

// Mark is one instant on the timeline.
type Mark struct {
	Name string  `json:"name"` // "gate", "edge", "surface", "moment"; of drops on command also "Go", "column", "meeting"
	AtMs float64 `json:"at_ms"`
}

// BarView is one pulse on the timeline.
type BarView struct {
	Name    string  `json:"name"`
	FromMs  float64 `json:"from_ms"`
	ToMs    float64 `json:"to_ms"`
	Opening bool    `json:"opening"` // from Go, not from the edge: not on the same clock
	Light   bool    `json:"light"`   // how long a flash is lit, not how long its contact is closed
}

// Term is one contribution to the error budget.
type Term struct {
	Name string  `json:"name"`
	Ms   float64 `json:"ms"`
	Mm   float64 `json:"mm"`
	// Steady: the same in every shot of an evening, so that the trim takes it out.
	Steady bool `json:"steady"`
}

// TablePoint is one point of the delay table.
type TablePoint struct {
	IntervalMs float64 `json:"interval_ms"`
	DelayMs    float64 `json:"delay_ms"`
}

// Room is the simulated room as the page shows it: what happens in it, and what it can be asked for.
type Room struct {
	Busy bool   `json:"busy"` // something is falling or flying
	Seen string `json:"seen"` // what the camera saw last, in words

	In     string   `json:"in"`      // a value of Rooms
	Rooms  []Choice `json:"rooms"`   // rooms to practise in, from easy to hard
	NextAt int64    `json:"next_at"` // Unix ms when the next thing is let go by itself; 0: it is not

	Paces    []int  `json:"paces"`     // every so many seconds something can be let go by itself
	PaceSays string `json:"pace_says"` // why no sooner; "": as soon as usual
}

// Picture is what is wrong with a picture, whatever it shows.
type Picture string

// What can be wrong; Usable is nothing.
const (
	Usable  Picture = ""
	Blurred Picture = record.PictureBlurred
	Black   Picture = record.PictureBlack
)

// Pictures lists every Picture.
func Pictures() []Picture { return []Picture{Usable, Blurred, Black} }

// ShotView is one try as the page shows it. Actual times are the board's own stamps.
type ShotView struct {
	ID         int64          `json:"id"`
	Number     int            `json:"number"` // in the session, from 1
	At         time.Time      `json:"at"`
	Dated      string         `json:"dated"`  // how the date is known, in words; "" the machine's clock
	Status     string         `json:"status"` // "done", "late", ... in words
	OK         bool           `json:"ok"`
	Problem    string         `json:"problem"` // why it gets no verdict and what to do, in words; "" it may have one
	LateMs     float64        `json:"late_ms"` // by the machine, more than the plan's own scatter; negative: early; 0: not
	Simulated  bool           `json:"simulated"`
	IntervalMs *float64       `json:"interval_ms"` // null without a gate
	DelayMs    float64        `json:"delay_ms"`
	Kind       shot.Kind      `json:"kind"`      // "" its set cannot be read
	Aimed      bool           `json:"aimed"`     // what it shows may be too high or too low
	TrimMs     float64        `json:"trim_ms"`   // of its kind
	SpeedMS    *float64       `json:"speed_m_s"` // of the throw at the second beam; null for another kind
	Cues       []CueView      `json:"cues"`
	Seen       string         `json:"seen"`  // simulated rig: what the camera saw
	Frame      string         `json:"frame"` // simulated rig: the address of its picture below /frames/; "" there is none
	Verdict    record.Verdict `json:"verdict"`
	Note       string         `json:"note"`
	Star       bool           `json:"star"` // to be kept
	Picture    Picture        `json:"picture"`
	Framed     bool           `json:"framed"` // the camera's frame of it is below /record/frames/, by its ID
	File       int            `json:"file"`   // the camera's number of the picture; 0: not known

	CameraFrame *FrameView `json:"camera"` // the camera's frame; null: none, or not known yet

	Measurable bool     `json:"measurable"` // how far past its place the liquid is in its picture says how late that was
	PastMm     *float64 `json:"past_mm"`    // so far it was measured to be; null: not measured
	PastSDMm   *float64 `json:"past_sd_mm"` // standard deviation of that
	PathDeg    float64  `json:"path_deg"`   // of the path there, above level
	FieldMm    float64  `json:"field_mm"`   // width of a practice shot's picture; 0: not known
}

// CueView is one pulse, planned and actual, in ms from the clock edge.
type CueView struct {
	Name      string  `json:"name"`
	PlannedMs float64 `json:"planned_ms"`
	ActualMs  float64 `json:"actual_ms"`
	LateUs    float64 `json:"late_us"`
}

// Command is what a phone asks for. Any may have an Epoch, that of the newest snapshot the phone had; arm, go, room,
// touch, pulse and lag must, and are refused when it is over. Type says which of the other fields matter.
//
//	take                  ask for the controls (granted at once if nobody holds them)
//	give      To          the holder hands them over
//	release               the holder lets go of them
//	care      ID, Ticked  tick one caution; all are asked again at a start, on a new day, after hours without a shot
//	evening   ID, Ticked  tick one point of the evening's list, which blocks nothing; taken back in a new session
//	set       Field, Value  one field of the set ("drop.height", "40 cm"): names as in Set's JSON, joined by a dot; while
//	                        armed the trim alone, from the next shot on
//	session   Name        start a new session
//	arm       Shots, DelayS, Dry, RepeatS, PaceS  1..999; in so many seconds, 0..60; as a dry run: sensors real, no
//	                      output switched; Go given again by itself every so many seconds, 2..120, 0: by hand each time;
//	                      in the simulated room something let go by itself every so many, likewise
//	disarm                anyone may
//	go                    play the opening cues, or start the delay
//	room                  simulated rig: let the drop, throw or sound go
//	touch     Input       simulated rig: a finger in a beam, or on the button, for a moment
//	enter     Name        another simulated room, a value of Room.Rooms, only when nothing is armed
//	sweep     FromMs, ToMs, StepMs, Each, Shuffled  a plain sweep of the trim: each shot that is done takes the next;
//	                      Each tries of each trim; Each 0 ends it
//	verdict   Shot, Verdict  not of a shot that failed, or whose machine was late
//	note      Shot, Text
//	star      Shot, Star  one to be kept, or not any more
//	picture   Shot, Picture  what is wrong with it: "blurred", "black", "" nothing
//	measure   Shot, PastMm, PastSDMm  how far past its place the liquid is in its picture, and the standard deviation of
//	                      that; 0 takes it back
//	file      Shot, File  the camera's number of its picture, from which the next ones count, 0 none; without Shot of the
//	                      next shot
//	rename    Session, Name  "" takes the name away
//	match     Session, Number, Name  the camera's frame of that name is the session's shot of that number, -1 of none; 0
//	                      takes that back
//	unmatch   Session     takes back what was said last by match
//	reference Session, Name, Value, FromRight  what frames are measured against: the one without liquid, and how wide a
//	                      piece of the scene a frame shows; "" of either is none
//	spot      Session, X, Y  where in frames the liquid is to be, in shares of their width and height; 0, 0 in the middle
//	ruler     Session, Name, X, Y, X2, Y2, Value  two places in the frame of that name, likewise, and how far apart they
//	                      are; "" takes it back
//	accept    Session     puts on record what was measured in a session's frames
//	unaccept  Session     takes that back
//	again     Session or Shot  takes its set into the next shot: what of it is possible, only when nothing is armed
//	lag       Shots       measure the camera's lag by 3..50 releases, only when nothing is armed; a disarm ends it
//	uselag                take the measured lag and its scatter into the set
//	places                put a throw's beams where Preview.Places says, with the shutter as that needs it
//	threshold Input, Level  of a microphone whose level the board measures, only when nothing is armed
//	pulse     Output      switch one output on by itself for a moment, only when nothing is armed
//	prime     Output      open a valve by itself for nearly as long as it may be, so that its tip fills, only when
//	                      nothing is armed
//	page      Hidden      the phone is locked or shows something else: a holder that stays so counts as gone
//	clock     Now         the phone's clock, Unix ms: dates shots when the machine's own clock is not set
type Command struct {
	Type    string         `json:"type"`
	To      string         `json:"to,omitempty"`
	ID      string         `json:"id,omitempty"`
	Ticked  bool           `json:"ticked,omitempty"`
	Field   string         `json:"field,omitempty"`
	Value   string         `json:"value,omitempty"`
	Name    string         `json:"name,omitempty"`
	Shots   int            `json:"shots,omitempty"`
	DelayS  int            `json:"delay_s,omitempty"`
	RepeatS int            `json:"repeat_s,omitempty"`
	PaceS   int            `json:"pace_s,omitempty"`
	Dry     bool           `json:"dry,omitempty"`
	Shot    int64          `json:"shot,omitempty"`
	Verdict record.Verdict `json:"verdict,omitempty"`
	Text    string         `json:"text,omitempty"`
	Session int64          `json:"session,omitempty"`
	Number  int            `json:"number,omitempty"`
	Star    bool           `json:"star,omitempty"`
	Picture Picture        `json:"picture,omitempty"`
	File    int            `json:"file,omitempty"`
	Output  string         `json:"output,omitempty"`
	Input   string         `json:"input,omitempty"`
	Level   int            `json:"level,omitempty"`
	Hidden  bool           `json:"hidden,omitempty"`
	Now     int64          `json:"now,omitempty"`
	Epoch   int64          `json:"epoch,omitempty"`

	FromMs   float64 `json:"from_ms,omitempty"`
	ToMs     float64 `json:"to_ms,omitempty"`
	StepMs   float64 `json:"step_ms,omitempty"`
	Each     int     `json:"each,omitempty"`
	Shuffled bool    `json:"shuffled,omitempty"`

	PastMm   float64 `json:"past_mm,omitempty"`
	PastSDMm float64 `json:"past_sd_mm,omitempty"`

	FromRight bool    `json:"from_right,omitempty"`
	X         float64 `json:"x,omitempty"`
	Y         float64 `json:"y,omitempty"`
	X2        float64 `json:"x2,omitempty"`
	Y2        float64 `json:"y2,omitempty"`

	// Connection is the one that the command came by, as Join gave it; nil: any of the client's.
	Connection <-chan *Snapshot `json:"-"`
}

// Fields lists the fields of Command, by their JSON names, that a command of that type takes besides type and epoch;
// false: no such command.
func Fields(commandType string) ([]string, bool) {
	switch commandType {
	case "take", "release", "disarm", "go", "room", "uselag", "places":
		return nil, true
	case "give":
		return []string{"to"}, true
	case "care", "evening":
		return []string{"id", "ticked"}, true
	case "set":
		return []string{"field", "value"}, true
	case "session":
		return []string{"name"}, true
	case "arm":
		return []string{"shots", "delay_s", "dry", "repeat_s", "pace_s"}, true
	case "enter":
		return []string{"name"}, true
	case "sweep":
		return []string{"from_ms", "to_ms", "step_ms", "each", "shuffled"}, true
	case "measure":
		return []string{"shot", "past_mm", "past_sd_mm"}, true
	case "lag":
		return []string{"shots"}, true
	case "touch":
		return []string{"input"}, true
	case "threshold":
		return []string{"input", "level"}, true
	case "verdict":
		return []string{"shot", "verdict"}, true
	case "note":
		return []string{"shot", "text"}, true
	case "star":
		return []string{"shot", "star"}, true
	case "picture":
		return []string{"shot", "picture"}, true
	case "file":
		return []string{"shot", "file"}, true
	case "rename":
		return []string{"session", "name"}, true
	case "again":
		return []string{"session", "shot"}, true
	case "match":
		return []string{"session", "number", "name"}, true
	case "reference":
		return []string{"session", "name", "value", "from_right"}, true
	case "black":
		return []string{"session", "name"}, true
	case "spot":
		return []string{"session", "x", "y"}, true
	case "ruler":
		return []string{"session", "name", "value", "x", "y", "x2", "y2"}, true
	case "accept", "unaccept", "unmatch":
		return []string{"session"}, true
	case "pulse", "prime":
		return []string{"output"}, true
	case "page":
		return []string{"hidden"}, true
	case "clock":
		return []string{"now"}, true
	}
	return nil, false
}
