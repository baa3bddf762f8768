package journal

import (
	"context"
	"database/sql"
	"errors"
	"fmt"

	"stillwater/internal/record"
)

// Frames returns the frames kept with a session, by name, without their pictures. A journal from before frames has
// none, and of a damaged one those that can be read.
func (j *Journal) Frames(ctx context.Context, session int64) (all []record.Frame, _ error) {
	defer j.acquire()()
	if j.beforeFrames {
		return nil, nil
	}
	err := forEachRow(ctx, j.db, func(row scanner) error {
		f := record.Frame{Session: session}
		err := row.Scan(&f.Name, &f.Files, &f.Facts, &f.Shot, &f.Sure, &f.Probability, &f.Settled)
		if err == nil {
			all = append(all, f)
		}
		return err
	}, `SELECT name, files_json, facts_json, coalesce(shot, 0), sure, probability, settled FROM frames
		WHERE session = ? ORDER BY name`, session)
	if err != nil && !isRowError(err) {
		return nil, j.explain("read frames", err)
	}
	return all, nil
}

// frameOf is the frame of a shot: its name, and whether its picture is kept.
type frameOf struct {
	name     string
	pictured bool
}

// framed has the frames of a session's shots, or of all when it is 0. It is none of what cannot be read.
func (j *Journal) framed(ctx context.Context, session int64) (map[place]frameOf, error) {
	all := map[place]frameOf{}
	if j.beforeFrames {
		return all, nil
	}
	err := forEachRow(ctx, j.db, func(row scanner) error {
		var p place
		var f frameOf
		err := row.Scan(&p.session, &p.number, &f.name, &f.pictured)
		if err == nil && (f.pictured || !all[p].pictured) {
			all[p] = f
		}
		return err
	}, `SELECT session, shot, name, length (picture) > 0 FROM frames WHERE shot IS NOT NULL
		AND (?1 = 0 OR session = ?1)`, session)
	if isRowError(err) {
		err = nil
	}
	return all, err
}

// FramePicture returns the small picture, a JPEG, of a frame kept with a session. The error wraps record.ErrNotFound
// when there is none.
func (j *Journal) FramePicture(ctx context.Context, session int64, name string) ([]byte, error) {
	return j.framePicture(ctx, "SELECT frames.picture FROM frames WHERE session = ? AND name = ?", session, name)
}

// ShotPicture is FramePicture of the frame that belongs to a shot, by the shot's ID.
func (j *Journal) ShotPicture(ctx context.Context, shot int64) ([]byte, error) {
	return j.framePicture(ctx, `SELECT frames.picture FROM frames JOIN shots ON shots.session = frames.session
		AND shots.number = frames.shot WHERE shots.id = ?`, shot)
}

func (j *Journal) framePicture(ctx context.Context, text string, args ...any) (picture []byte, _ error) {
	defer j.acquire()()
	err := error(sql.ErrNoRows)
	if !j.beforeFrames {
		err = j.db.QueryRowContext(ctx, text, args...).Scan(&picture)
	}
	switch {
	case errors.Is(err, sql.ErrNoRows) || err == nil && len(picture) == 0:
		return nil, fmt.Errorf("journal %s: the picture of a frame is %w", j.path, record.ErrNotFound)
	case err != nil:
		return nil, j.explain("read a frame's picture", err)
	}
	return picture, nil
}

// KeepFrame stores what is known of a frame, in place of the earlier entry of that name. It returns once that is on the
// disk. Which shot it belongs to is not changed.
func (j *Journal) KeepFrame(ctx context.Context, f record.Frame) error {
	return j.changeFrames(ctx, "save a frame", func(tx *sql.Tx) error { return keepFrame(ctx, tx, f) })
}

func keepFrame(ctx context.Context, tx *sql.Tx, f record.Frame) error {
	if f.Picture == nil {
		f.Picture = []byte{}
	}
	_, err := tx.ExecContext(ctx, `INSERT INTO frames VALUES (?, ?, ?, ?, ?, NULL, '', 0, 0) ON CONFLICT DO UPDATE SET
		files_json = excluded.files_json, facts_json = excluded.facts_json, picture = excluded.picture`,
		f.Session, f.Name, f.Files, f.Facts, f.Picture)
	return err
}

// KeepMatches stores which shot each of these frames belongs to, in place of the session's earlier matches: of frames
// that are kept, their Shot, Sure, Probability and Settled. Those not named belong to none from then on, and with drop
// they are forgotten. It returns once all of it is on the disk.
func (j *Journal) KeepMatches(ctx context.Context, session int64, frames []record.Frame, drop bool) error {
	return j.changeFrames(ctx, "save which frame belongs to which shot", func(tx *sql.Tx) error {
		if drop {
			if err := dropOthers(ctx, tx, session, frames); err != nil {
				return err
			}
		}
		if _, err := tx.ExecContext(ctx, `UPDATE frames SET shot = NULL, sure = '', probability = 0, settled = 0
			WHERE session = ?`, session); err != nil {
			return err
		}
		taken := map[int]string{}
		for _, f := range frames {
			if other, twice := taken[f.Shot]; twice && f.Shot != 0 {
				return fmt.Errorf("%s and %s cannot both be shot %d", other, f.Name, f.Shot)
			}
			taken[f.Shot] = f.Name
			if _, err := tx.ExecContext(ctx, `UPDATE frames SET shot = nullif(?, 0), sure = ?, probability = ?, settled = ?
				WHERE session = ? AND name = ?`, f.Shot, f.Sure, f.Probability, f.Settled, session, f.Name); err != nil {
				return err
			}
		}
		return nil
	})
}

// dropOthers forgets the session's frames that are not among these.
func dropOthers(ctx context.Context, tx *sql.Tx, session int64, frames []record.Frame) error {
	named := map[string]bool{}
	for _, f := range frames {
		named[f.Name] = true
	}
	var others []string
	err := forEachRow(ctx, tx, func(row scanner) error {
		var name string
		err := row.Scan(&name)
		if err == nil && !named[name] {
			others = append(others, name)
		}
		return err
	}, "SELECT name FROM frames WHERE session = ?", session)
	if err != nil {
		return err
	}
	for _, name := range others {
		_, err := tx.ExecContext(ctx, "DELETE FROM frames WHERE session = ? AND name = ?", session, name)
		if err != nil {
			return err
		}
	}
	return nil
}

func (j *Journal) changeFrames(ctx context.Context, doing string, change func(*sql.Tx) error) error {
	release, err := j.acquireForWrite(ctx)
	if err != nil {
		return err
	}
	defer release()
	err = func() error {
		tx, err := j.db.BeginTx(ctx, nil)
		if err != nil {
			return err
		}
		defer tx.Rollback()
		if err := change(tx); err != nil {
			return err
		}
		return tx.Commit()
	}()
	if isForeignKeyError(err) {
		return fmt.Errorf("journal %s: %s: the session is %w", j.path, doing, record.ErrNotFound)
	}
	if err != nil {
		return j.explain(doing, err)
	}
	return nil
}
