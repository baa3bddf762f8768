package journal

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"sort"

	"stillwater/internal/record"
)

// fileNumber is a camera's number as typed: that of the shot, from which the next ones count.
type fileNumber struct{ shot, file int }

// fileUncertain is what is wrong with a shot when not all that was typed can be read.
const fileUncertain = "the camera's file number of its picture is unreliable"

// fileNumbers are the numbers typed in each session, in the order of the shots.
type fileNumbers map[int64][]fileNumber

// of is the camera's number of a shot's picture, 0 when it is not known.
func (f fileNumbers) of(session int64, shot int) int {
	typed := f[session]
	i := sort.Search(len(typed), func(i int) bool { return typed[i].shot > shot }) - 1
	if i < 0 {
		return 0
	}
	return record.FileAfter(typed[i].file, shot-typed[i].shot)
}

// fileNumbers reads what was typed in a session, or in every session when it is 0. lost says that not all of it can be
// read.
func (j *Journal) fileNumbers(ctx context.Context, session int64) (all fileNumbers, lost bool, err error) {
	if j.beforeRemarks {
		return nil, false, nil
	}
	which := ""
	if session != 0 {
		which = " WHERE session = ?1"
	}
	all = fileNumbers{}
	err = forEachRow(ctx, j.db, func(row scanner) error {
		var session int64
		var n fileNumber
		err := row.Scan(&session, &n.shot, &n.file)
		if err == nil {
			all[session] = append(all[session], n)
		}
		return err
	}, "SELECT session, shot, file FROM file_numbers"+which+" ORDER BY session, shot", session)
	if isRowError(err) {
		return all, true, nil
	}
	return all, false, err
}

// fileOf is the camera's number of a shot's picture; 0 too when it cannot be read, as a shot is kept all the same.
func fileOf(ctx context.Context, q querier, session int64, shot int) (int, error) {
	var n fileNumber
	err := q.QueryRowContext(ctx, `SELECT shot, file FROM file_numbers WHERE session = ? AND shot <= ?
		ORDER BY shot DESC LIMIT 1`, session, shot).Scan(&n.shot, &n.file)
	switch {
	case errors.Is(err, sql.ErrNoRows) || isRowError(err):
		return 0, nil
	case err != nil:
		return 0, err
	}
	return record.FileAfter(n.file, shot-n.shot), nil
}

// SetFile keeps the camera's number of a shot's picture, from which those of the shots after it count, up to one that
// has a number typed itself; 0: from here on none is known.
func (j *Journal) SetFile(ctx context.Context, id int64, file int) error {
	return j.noting(0, j.update(ctx, "save a file number", "shot", id, `INSERT INTO file_numbers
		SELECT session, number, ?2 FROM shots WHERE id = ?1 ON CONFLICT DO UPDATE SET file = ?2`, id, file))
}

// SetFileFrom is SetFile for the shot that has or will have this number in a session.
func (j *Journal) SetFileFrom(ctx context.Context, session int64, number, file int) error {
	err := j.update(ctx, "save a file number", "session", session,
		"INSERT INTO file_numbers VALUES (?1, ?2, ?3) ON CONFLICT DO UPDATE SET file = ?3", session, number, file)
	if isForeignKeyError(err) {
		return fmt.Errorf("journal %s: save a file number: session %d is %w", j.Path(), session, record.ErrNotFound)
	}
	return j.noting(session, err)
}

// NextFile is the camera's number of the next shot's picture; 0 when it is not known.
func (j *Journal) NextFile(ctx context.Context, session int64) (int, error) {
	defer j.acquire()()
	var next int
	err := j.db.QueryRowContext(ctx, "SELECT coalesce(max(number), 0) + 1 FROM shots WHERE session = ?", session).
		Scan(&next)
	if err == nil {
		next, err = fileOf(ctx, j.db, session, next)
	}
	if isRowError(err) {
		return 0, nil
	}
	if err != nil {
		return 0, j.explain("read a file number", err)
	}
	return next, nil
}
