package journal

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
)

var sessionRows = "SELECT sessions.id, sessions.name, board, set_json, care_json, " +
	whenColumns("sessions", "started_ns") + " FROM sessions LEFT JOIN boots ON boots.id = sessions.boot" +
	byTime("sessions")

type scanner interface{ Scan(dest ...any) error }

func scanSession(row scanner) (Session, error) {
	var s Session
	var when keptWhen
	err := row.Scan(append([]any{&s.ID, &s.Name, &s.Board, &s.Set, &s.Care}, when.into()...)...)
	s.Started, s.When = when.date()
	return s, err
}

// NewSession keeps s and returns it as it will be read. Started must be set.
func (j *Journal) NewSession(ctx context.Context, s Session) (Session, error) {
	if s.Started.IsZero() {
		return Session{}, fmt.Errorf("journal %s: new session: it has no starting time", j.path)
	}
	err := j.insert(ctx, s.When, func(tx *sql.Tx, boot sql.NullInt64) (err error) {
		err = tx.QueryRowContext(ctx, `INSERT INTO sessions (name, started_ns, board, set_json, care_json, boot,
			since_boot_ns) VALUES (?, ?, ?, ?, ?, ?, ?) RETURNING id`, s.Name, s.Started.UnixNano(), s.Board, s.Set, s.Care,
			boot, since(s.When)).Scan(&s.ID)
		if err == nil {
			s.Started, s.When, err = dated(ctx, tx, "sessions", "started_ns", s.ID)
		}
		return err
	})
	if err != nil {
		return Session{}, j.explain("new session", err)
	}
	return s, nil
}

// LatestSession returns the session made last; false when there is none yet.
func (j *Journal) LatestSession(ctx context.Context) (Session, bool, error) {
	defer j.turn()()
	s, err := scanSession(j.db.QueryRowContext(ctx, sessionRows+" LIMIT 1"))
	if errors.Is(err, sql.ErrNoRows) {
		return Session{}, false, nil
	}
	if err != nil {
		return Session{}, false, j.explain("read the latest session", err)
	}
	return s, true, nil
}

// SaveSet keeps the set of a session as it is now.
func (j *Journal) SaveSet(ctx context.Context, id int64, setJSON string) error {
	return j.update(ctx, "save the set", "session", id, "UPDATE sessions SET set_json = ? WHERE id = ?", setJSON, id)
}

// SaveCare keeps the ticked cautions of a session.
func (j *Journal) SaveCare(ctx context.Context, id int64, careJSON string) error {
	return j.update(ctx, "save the checklist", "session", id,
		"UPDATE sessions SET care_json = ? WHERE id = ?", careJSON, id)
}

// Sessions returns every session, newest first, with how its shots were judged.
func (j *Journal) Sessions(ctx context.Context) ([]Summary, error) {
	defer j.turn()()
	tx, err := j.snapshot(ctx)
	if err != nil {
		return nil, j.explain("list sessions", err)
	}
	defer tx.Rollback()
	all, err := query(ctx, tx, func(row scanner) (Summary, error) {
		s, err := scanSession(row)
		return Summary{Session: s, Verdicts: map[string]int{}}, err
	}, sessionRows)
	if err != nil {
		return nil, j.explain("list sessions", err)
	}
	place := map[int64]*Summary{}
	for i := range all {
		place[all[i].ID] = &all[i]
	}
	_, err = query(ctx, tx, func(row scanner) (struct{}, error) {
		var session int64
		var verdict string
		var n int
		err := row.Scan(&session, &verdict, &n)
		if s := place[session]; err == nil && s != nil {
			s.Verdicts[verdict] = n
			s.Shots += n
		}
		return struct{}{}, err
	}, "SELECT session, verdict, count(*) FROM shots GROUP BY session, verdict")
	if err != nil {
		return nil, j.explain("list sessions", err)
	}
	return all, nil
}

// snapshot starts a read that sees one state of the journal, whatever is written meanwhile.
func (j *Journal) snapshot(ctx context.Context) (*sql.Tx, error) {
	return j.db.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
}

// query reads all rows, so that the one connection is free again before anything else is asked.
func query[T any](
	ctx context.Context, tx *sql.Tx, scan func(scanner) (T, error), text string, args ...any,
) ([]T, error) {
	rows, err := tx.QueryContext(ctx, text, args...)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	all := []T{}
	for rows.Next() {
		one, err := scan(rows)
		if err != nil {
			return nil, err
		}
		all = append(all, one)
	}
	return all, rows.Err()
}

// insert adds one row, made in the boot that when names. The commit is explicit because a statement that returns rows
// would otherwise commit when its rows are closed, where an error is easily lost.
func (j *Journal) insert(ctx context.Context, when When, add func(tx *sql.Tx, boot sql.NullInt64) error) error {
	done, err := j.toWrite(ctx)
	if err != nil {
		return err
	}
	defer done()
	tx, err := j.db.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	defer tx.Rollback()
	boot, err := bootOf(ctx, tx, when.Boot)
	if err == nil {
		err = add(tx, boot)
	}
	if err != nil {
		return err
	}
	return tx.Commit()
}

// update changes exactly one row.
func (j *Journal) update(ctx context.Context, doing, kind string, id int64, text string, args ...any) error {
	done, err := j.toWrite(ctx)
	if err != nil {
		return err
	}
	defer done()
	res, err := j.db.ExecContext(ctx, text, args...)
	if err != nil {
		return j.explain(doing, err)
	}
	if n, err := res.RowsAffected(); err != nil || n != 1 {
		return errors.Join(err, fmt.Errorf("journal %s: %s: %s %d is %w", j.path, doing, kind, id, ErrNotFound))
	}
	return nil
}
