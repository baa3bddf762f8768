package journal

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"

	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"
)

var shotRows = `SELECT shots.id, session, number, status, simulated, boot_id, gate_ns, clock_ns, interval_ns, delay_ns,
	set_json, program_json, cues_json, seen, verdict, note, ` + whenColumns("shots", "at_ns") +
	" FROM shots LEFT JOIN boots ON boots.id = shots.boot"

// Add keeps a shot and returns it with its ID and its number in the session. It returns only once the shot is on the
// disk: from then on neither a crash nor a power cut loses it. At must be set and the session must exist. When ctx ends
// first the shot may or may not be there; pass one that outlives a shutdown.
func (j *Journal) Add(ctx context.Context, s Shot) (Shot, error) {
	if s.At.IsZero() {
		return Shot{}, fmt.Errorf("journal %s: add a shot: it has no time", j.path)
	}
	s.Cues = append([]Cue{}, s.Cues...)
	cues, err := json.Marshal(s.Cues)
	if err != nil {
		return Shot{}, fmt.Errorf("journal %s: add a shot: %w", j.path, err)
	}
	err = j.insert(ctx, s.When, func(tx *sql.Tx, boot sql.NullInt64) (err error) {
		err = tx.QueryRowContext(ctx, `INSERT INTO shots (session, number, at_ns, status, simulated, boot_id, gate_ns,
			clock_ns, interval_ns, delay_ns, set_json, program_json, cues_json, seen, verdict, note, boot, since_boot_ns)
			VALUES (?1, (SELECT coalesce(max(number), 0) + 1 FROM shots WHERE session = ?1),
			?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15, ?16, ?17) RETURNING id, number`,
			s.Session, s.At.UnixNano(), s.Status, s.Simulated, s.BootID, s.GateNs, s.ClockNs, s.IntervalNs, s.DelayNs,
			s.Set, s.Program, string(cues), s.Seen, s.Verdict, s.Note, boot, since(s.When)).Scan(&s.ID, &s.Number)
		if err == nil {
			s.At, s.When, err = dated(ctx, tx, "shots", "at_ns", s.ID)
		}
		return err
	})
	var e *sqlite.Error
	if errors.As(err, &e) && e.Code() == sqlite3.SQLITE_CONSTRAINT_FOREIGNKEY {
		return Shot{}, fmt.Errorf("journal %s: add a shot: session %d is %w", j.path, s.Session, ErrNotFound)
	}
	if err != nil {
		return Shot{}, j.explain("add a shot", err)
	}
	return s, nil
}

// SetVerdict keeps what a person says of a shot; "" takes it back.
func (j *Journal) SetVerdict(ctx context.Context, id int64, verdict string) error {
	return j.update(ctx, "keep a verdict", "shot", id, "UPDATE shots SET verdict = ? WHERE id = ?", verdict, id)
}

// SetNote keeps a person's words on a shot.
func (j *Journal) SetNote(ctx context.Context, id int64, note string) error {
	return j.update(ctx, "keep a note", "shot", id, "UPDATE shots SET note = ? WHERE id = ?", note, id)
}

// SetSeen keeps what the simulated camera saw.
func (j *Journal) SetSeen(ctx context.Context, id int64, seen string) error {
	return j.update(ctx, "keep what was seen", "shot", id, "UPDATE shots SET seen = ? WHERE id = ?", seen, id)
}

// Shots returns shots newest first: those of a session, or of every session when it is 0; at most limit, or all of them
// when it is 0.
func (j *Journal) Shots(ctx context.Context, session int64, limit int) ([]Shot, error) {
	defer j.turn()()
	tx, err := j.snapshot(ctx)
	if err != nil {
		return nil, j.explain("read shots", err)
	}
	defer tx.Rollback()
	if limit <= 0 {
		limit = -1 // SQLite's "no limit"
	}
	which := ""
	if session != 0 {
		which = " WHERE session = ?2"
	}
	shots, err := query(ctx, tx, scanShot, shotRows+which+byTime("shots")+" LIMIT ?1", limit, session)
	if err != nil {
		return nil, j.explain("read shots", err)
	}
	return shots, nil
}

func scanShot(row scanner) (Shot, error) {
	var s Shot
	var when keptWhen
	var cues []byte
	err := row.Scan(append([]any{&s.ID, &s.Session, &s.Number, &s.Status, &s.Simulated, &s.BootID, &s.GateNs, &s.ClockNs,
		&s.IntervalNs, &s.DelayNs, &s.Set, &s.Program, &cues, &s.Seen, &s.Verdict, &s.Note}, when.into()...)...)
	if err != nil {
		return Shot{}, err
	}
	s.At, s.When = when.date()
	if err := json.Unmarshal(cues, &s.Cues); err != nil {
		return Shot{}, fmt.Errorf("cues of shot %d: %w", s.ID, err)
	}
	return s, nil
}

// Count says how many shots a session has; 0 counts those of every session.
func (j *Journal) Count(ctx context.Context, session int64) (int, error) {
	defer j.turn()()
	which := ""
	if session != 0 {
		which = " WHERE session = ?1"
	}
	var n int
	err := j.db.QueryRowContext(ctx, "SELECT count(*) FROM shots"+which, session).Scan(&n)
	if err != nil {
		return 0, j.explain("count shots", err)
	}
	return n, nil
}
