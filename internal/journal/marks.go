package journal

import (
	"context"
	"database/sql"
	"errors"
	"fmt"

	"stillwater/internal/record"
)

// Marks returns what people marked in a session's frames, as it was kept. The error wraps record.ErrNotFound when that
// is nothing, or there is no such session.
func (j *Journal) Marks(ctx context.Context, session int64) (json []byte, _ error) {
	defer j.acquire()()
	err := error(sql.ErrNoRows)
	if !j.beforeMarks {
		err = j.db.QueryRowContext(ctx, "SELECT marks FROM sessions WHERE id = ? AND marks IS NOT NULL", session).Scan(&json)
	}
	switch {
	case errors.Is(err, sql.ErrNoRows):
		return nil, fmt.Errorf("journal %s: what was marked in the frames of session %d is %w", j.path, session,
			record.ErrNotFound)
	case err != nil:
		return nil, j.explain("read what was marked in frames", err)
	}
	return json, nil
}

// KeepMarks stores what people marked in a session's frames, in place of what was there. It returns once that is on the
// disk.
func (j *Journal) KeepMarks(ctx context.Context, session int64, json []byte) error {
	return j.changeFrames(ctx, "save what was marked in frames", func(tx *sql.Tx) error {
		done, err := tx.ExecContext(ctx, "UPDATE sessions SET marks = ? WHERE id = ?", string(json), session)
		if err != nil {
			return err
		}
		if n, err := done.RowsAffected(); err != nil || n > 0 {
			return err
		}
		return fmt.Errorf("session %d is %w", session, record.ErrNotFound)
	})
}

// Marked lists the sessions in whose frames something is marked; of a damaged journal those that can be read.
func (j *Journal) Marked(ctx context.Context) (sessions []int64, _ error) {
	defer j.acquire()()
	if j.beforeMarks {
		return nil, nil
	}
	err := forEachRow(ctx, j.db, func(row scanner) error {
		var session int64
		err := row.Scan(&session)
		if err == nil {
			sessions = append(sessions, session)
		}
		return err
	}, "SELECT id FROM sessions WHERE marks IS NOT NULL ORDER BY id")
	if err != nil && !isRowError(err) {
		return nil, j.explain("read what was marked in frames", err)
	}
	return sessions, nil
}
