// Package export writes the record for other programs and for people: tables and JSON, shot by shot, so that a long
// record takes no more memory than a short one.
package export

import (
	"encoding/json"
	"time"
	"unicode/utf8"

	"stillwater/internal/history"
	"stillwater/internal/phys"
	"stillwater/internal/record"
	"stillwater/internal/shot"
)

// SessionEntry is a session as it is written in JSON.
type SessionEntry struct {
	Session int64  `json:"session"`
	Name    string `json:"name"`
	Started string `json:"started"` // RFC 3339, the best date known
	when
	Board    string                 `json:"board"`
	Kinds    []string               `json:"kinds"` // of its shots, or else of its set; none: not known
	Shots    int                    `json:"shots"`
	Verdicts map[record.Verdict]int `json:"verdicts"` // the key "unjudged" is for those without one
	Set      json.RawMessage        `json:"set"`
	Damaged  string                 `json:"damaged,omitempty"` // what of it cannot be read, in words
}

// ShotEntry is a shot as it is written in JSON. Cue times are from the sensor's edge; gate and clock are the edges'
// stamps in the board's own time.
type ShotEntry struct {
	Session     int64  `json:"session"`
	SessionName string `json:"session_name"`
	Board       string `json:"board"`
	Shot        int    `json:"shot"`
	ID          int64  `json:"id"`
	At          string `json:"at"` // RFC 3339, the best date known
	when
	Status     string   `json:"status"`
	Problem    string   `json:"problem"` // why its picture says nothing of the delay, in words; "" it does
	LateMs     *float64 `json:"late_ms"` // by the machine, more than the plan's own scatter; null: not
	Simulated  bool     `json:"simulated"`
	BootID     uint32   `json:"boot_id"`
	GateNs     *int64   `json:"gate_ns"` // null without a gate
	ClockNs    int64    `json:"clock_ns"`
	IntervalMs *float64 `json:"interval_ms"` // null without a gate
	DelayMs    float64  `json:"delay_ms"`
	planEntry
	Cues     []CueEntry      `json:"cues"`
	CuesText string          `json:"cues_text,omitempty"` // of damaged ones: all of them as the record has them
	Seen     string          `json:"seen"`
	Verdict  record.Verdict  `json:"verdict"`
	Note     string          `json:"note"`
	Star     bool            `json:"star"`              // to be kept
	Picture  string          `json:"picture"`           // "blurred", "black"; "" nothing is wrong with it
	PastMm   *float64        `json:"past_mm"`           // measured: how far past its place the liquid is; null: not
	PastSDMm *float64        `json:"past_sd_mm"`        // standard deviation of that
	File     *int            `json:"file"`              // the camera's number of it; null: not known
	Damaged  string          `json:"damaged,omitempty"` // what of it cannot be read or relied on, in words
	Set      json.RawMessage `json:"set"`
	Program  json.RawMessage `json:"program"`
}

// planEntry is what a shot's set says of it that people look for; of a set that cannot be read, nothing.
type planEntry struct {
	Kind    string   `json:"kind"`
	Phase   string   `json:"phase"`     // "collision" or a phase; "" unless it is a drop
	TrimMs  *float64 `json:"trim_ms"`   // of its kind
	SpeedMS *float64 `json:"speed_m_s"` // of the throw at the second beam; null for another kind
}

func planOf(outcomes *shot.Outcomes, made record.Shot) (p planEntry) {
	set, err := outcomes.ParseSet(made.Set)
	if err != nil {
		return p
	}
	p.Kind = string(set.Kind)
	switch {
	case set.Kind == shot.Drop:
		p.Phase = string(set.Drop.Phase)
	case set.Kind == shot.Drops && set.Drops.Want == shot.WantPhase:
		p.Phase = string(set.Drops.Phase)
	case set.Kind == shot.Drops:
		p.Phase = string(shot.WantCollision)
	}
	trim := float64(set.OwnTrim().Duration()) / 1e6
	p.TrimMs = &trim
	if v, known := set.ThrowSpeed(phys.Seconds(time.Duration(made.IntervalNs))); known {
		speed := float64(v)
		p.SpeedMS = &speed
	}
	return p
}

// when is an instant as the machine had it, and how its date is known. Boots and the time since order what was made.
type when struct {
	Dated        string   `json:"dated"`         // "" the machine's clock, else in words
	MachineClock string   `json:"machine_clock"` // RFC 3339, what it said
	Boot         *int64   `json:"boot"`          // of the machine, numbered in their order; null: not known
	SinceBootS   *float64 `json:"since_boot_s"`
}

// CueEntry is one pulse of a shot as it is written in JSON.
type CueEntry struct {
	Name      string  `json:"name"`
	Opening   bool    `json:"opening"`
	PlannedMs float64 `json:"planned_ms"`
	ActualMs  float64 `json:"actual_ms"`
	WidthMs   float64 `json:"width_ms"`
	LateUs    float64 `json:"late_us"`
}

func whenOf(w record.When) when {
	out := when{Dated: w.Dated.String(), MachineClock: w.Wall.Format(time.RFC3339Nano)}
	if w.Number != 0 {
		since := w.SinceBoot.Seconds()
		out.Boot, out.SinceBootS = &w.Number, &since
	}
	return out
}

// SessionsOf are sessions of the journal as they are written.
func SessionsOf(all []record.Summary) []SessionEntry {
	sessions := make([]SessionEntry, len(all))
	for i, s := range all {
		sessions[i] = sessionOf(s)
	}
	return sessions
}

func sessionOf(s record.Summary) SessionEntry {
	counts := map[record.Verdict]int{}
	for verdict, n := range s.Verdicts {
		if verdict == record.Unjudged {
			verdict = "unjudged"
		}
		counts[verdict] += n
	}
	return SessionEntry{Session: s.ID, Name: s.Title(), when: whenOf(s.When),
		Started: s.Started.Format(time.RFC3339Nano), Board: s.Board, Kinds: append([]string{}, history.SessionKinds(s)...),
		Shots: s.Shots, Verdicts: counts, Set: jsonOrString(s.Set), Damaged: s.Damaged}
}

func shotOf(s record.Session, made record.Shot, outcome shot.Outcome, plan planEntry) ShotEntry {
	out := ShotEntry{Session: made.Session, SessionName: s.Title(), when: whenOf(made.When), Board: s.Board,
		Shot: made.Number, ID: made.ID,
		At: made.At.Format(time.RFC3339Nano), Status: made.Status, Simulated: made.Simulated, BootID: made.BootID,
		ClockNs: made.ClockNs, DelayMs: float64(made.DelayNs) / 1e6, planEntry: plan, Cues: []CueEntry{},
		Seen: made.Seen, Verdict: made.Verdict, Note: made.Note, Star: made.Star, Picture: made.Picture,
		CuesText: made.CuesText, Damaged: made.Damaged,
		Problem: outcome.Problem, Set: jsonOrString(made.Set), Program: jsonOrString(made.Program)}
	if outcome.Late != 0 {
		ms := float64(outcome.Late) / 1e6
		out.LateMs = &ms
	}
	if s.Damaged != "" {
		out.SessionName = ""
	}
	if made.File != 0 {
		out.File = &made.File
	}
	if made.PastSDUm != 0 {
		past, sd := float64(made.PastUm)/1e3, float64(made.PastSDUm)/1e3
		out.PastMm, out.PastSDMm = &past, &sd
	}
	if made.IntervalNs != 0 {
		ms := float64(made.IntervalNs) / 1e6
		out.IntervalMs, out.GateNs = &ms, &made.GateNs
	}
	for _, c := range made.Cues {
		out.Cues = append(out.Cues, CueEntry{Name: c.Name, Opening: c.Opening, PlannedMs: float64(c.PlannedNs) / 1e6,
			ActualMs: float64(c.OnNs) / 1e6, WidthMs: float64(c.OffNs-c.OnNs) / 1e6, LateUs: float64(c.LateNs()) / 1e3})
	}
	return out
}

// jsonOrString returns text from the journal as it is if it is JSON, else as a JSON string.
func jsonOrString(text string) json.RawMessage {
	if json.Valid([]byte(text)) && utf8.ValidString(text) {
		return json.RawMessage(text)
	}
	quoted, _ := json.Marshal(text) // a string always can be
	return quoted
}
