package journal

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"

	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"

	"stillwater/internal/record"
)

// Add stores a shot and returns it with its ID and its number in the session. It returns only once the shot is on the
// disk: from then on neither a crash nor a power cut loses it. At must be set and the session must exist. When ctx ends
// first the shot may or may not be there; pass one that outlives a shutdown.
func (j *Journal) Add(ctx context.Context, s record.Shot) (record.Shot, error) {
	if s.At.IsZero() {
		return record.Shot{}, fmt.Errorf("journal %s: add a shot: it has no time", j.path)
	}
	s.Cues, s.Damaged, s.Lost, s.File, s.Framed, s.Frame = append([]record.Cue{}, s.Cues...), "", false, 0, false, ""
	cues, err := json.Marshal(s.Cues)
	if err != nil {
		return record.Shot{}, fmt.Errorf("journal %s: add a shot: %w", j.path, err)
	}
	err = j.insert(ctx, s.When, func(tx *sql.Tx, boot sql.NullInt64) (err error) {
		row := shotRow{cues: string(cues), at: storedWhen{wall: s.At.UnixNano(), boot: boot, since: sinceBootColumn(s.When)}}
		err = tx.QueryRowContext(ctx, `SELECT (SELECT coalesce(max(id), 0) + 1 FROM shots),
			(SELECT coalesce(max(number), 0) + 1 FROM shots WHERE session = ?)`, s.Session).Scan(&s.ID, &s.Number)
		if err != nil {
			return err
		}
		row.shot = s
		_, err = tx.ExecContext(ctx, `INSERT INTO shots (`+shotColumns+`)
			VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`,
			s.ID, s.Session, s.Number, row.at.wall, s.Status, s.Simulated, s.BootID, s.GateNs, s.ClockNs, s.IntervalNs,
			s.DelayNs, s.Set, s.Program, row.cues, s.Seen, s.Verdict, s.Note, s.Star, s.Picture, s.PastUm, s.PastSDUm,
			row.at.boot, row.at.since, row.checksum())
		if err == nil {
			err = noteKind(ctx, tx, s.ID)
		}
		if err == nil {
			s.At, s.When, err = resolveDate(ctx, tx, row.at)
		}
		if err == nil {
			s.File, err = fileOf(ctx, tx, s.Session, s.Number)
		}
		return err
	})
	if isForeignKeyError(err) {
		return record.Shot{}, fmt.Errorf("journal %s: add a shot: session %d is %w", j.path, s.Session, record.ErrNotFound)
	}
	if err != nil {
		return record.Shot{}, j.explain("add a shot", err)
	}
	return s, j.noting(s.Session, nil)
}

// SetVerdict stores a person's verdict on a shot; "" takes it back. It returns once that is on the disk.
func (j *Journal) SetVerdict(ctx context.Context, id int64, verdict record.Verdict) error {
	return j.amend(ctx, "save a verdict", id, func(s *record.Shot) { s.Verdict = verdict })
}

// SetNote stores a person's note on a shot. It returns once it is on the disk.
func (j *Journal) SetNote(ctx context.Context, id int64, note string) error {
	return j.amend(ctx, "save a note", id, func(s *record.Shot) { s.Note = note })
}

// SetStar marks a shot as one to be kept, or takes that back. It returns once that is on the disk.
func (j *Journal) SetStar(ctx context.Context, id int64, star bool) error {
	return j.amend(ctx, "save a star", id, func(s *record.Shot) { s.Star = star })
}

// SetPicture stores what is wrong with the picture; "" is nothing. It returns once that is on the disk.
func (j *Journal) SetPicture(ctx context.Context, id int64, wrong string) error {
	return j.amend(ctx, "save what is wrong with a picture", id, func(s *record.Shot) { s.Picture = wrong })
}

// SetPast stores how far past its place the liquid is in the picture, and the standard deviation of that, 0 taking it
// back. It returns once that is on the disk.
func (j *Journal) SetPast(ctx context.Context, id int64, um, sdUm int64) error {
	return j.amend(ctx, "save a picture's measurement", id,
		func(s *record.Shot) { s.PastUm, s.PastSDUm = um, sdUm })
}

// amend changes what a person says of a shot.
func (j *Journal) amend(ctx context.Context, doing string, id int64, change func(*record.Shot)) error {
	release, err := j.acquireForWrite(ctx)
	if err != nil {
		return err
	}
	session, err := j.amendRow(ctx, id, change)
	if err != nil {
		err = j.explain(doing, err)
	}
	release()
	return j.noting(session, err)
}

func (j *Journal) amendRow(ctx context.Context, id int64, change func(*record.Shot)) (session int64, _ error) {
	tx, err := j.db.BeginTx(ctx, nil)
	if err != nil {
		return 0, err
	}
	defer tx.Rollback()
	row, err := scanShot(tx.QueryRowContext(ctx, "SELECT "+shotColumns+" FROM shots WHERE id = ?", id))
	if errors.Is(err, sql.ErrNoRows) {
		return 0, fmt.Errorf("shot %d is %w", id, record.ErrNotFound)
	}
	if err != nil {
		return 0, err
	}
	intact := row.crc.Valid && row.checksumMatches() // a damaged row stays known as one
	change(&row.shot)
	if intact {
		row.crc.Int64 = row.checksum()
	}
	if _, err := tx.ExecContext(ctx, `UPDATE shots SET verdict = ?, note = ?, star = ?, picture = ?, past_um = ?,
		past_sd_um = ?, crc = ? WHERE id = ?`, row.shot.Verdict, row.shot.Note, row.shot.Star, row.shot.Picture,
		row.shot.PastUm, row.shot.PastSDUm, row.crc, id); err != nil {
		return 0, err
	}
	return row.shot.Session, tx.Commit()
}

func isForeignKeyError(err error) bool {
	var e *sqlite.Error
	return errors.As(err, &e) && e.Code() == sqlite3.SQLITE_CONSTRAINT_FOREIGNKEY
}

// Count says how many shots a session has; 0 counts those of every session. It reads no shot.
func (j *Journal) Count(ctx context.Context, session int64) (int, error) {
	defer j.acquire()()
	which := ""
	if session != 0 {
		which = " WHERE session = ?1"
	}
	var n int
	err := j.db.QueryRowContext(ctx, "SELECT coalesce(sum(shots), 0) FROM counts"+which, session).Scan(&n)
	if err != nil {
		return 0, j.explain("count shots", err)
	}
	return n, nil
}
