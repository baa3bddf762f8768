package journal

import (
	"context"
	"database/sql"
	"errors"
	"fmt"

	"stillwater/internal/record"
)

// shotByID returns a shot by its ID.
func (j *Journal) shotByID(ctx context.Context, id int64) (record.Shot, error) {
	index, err := j.newIndex(ctx, 0)
	if err == nil {
		err = j.collectIDs(ctx, func(id int64, _ place) { index.ids = append(index.ids, id) },
			"SELECT id, 0, 0 FROM shots WHERE id = ?", id)
	}
	if isRowError(err) {
		index.ids, err = []int64{id}, nil // it is there, and cannot be read
	}
	return j.onlyShot(ctx, index, err, fmt.Sprintf("shot with id %d", id))
}

// The newest shots of a session below a number, or only its keepers. Numbers are in the order in which the shots were
// made. Neither query reads other shots.
const (
	allBefore = `SELECT id, 0, 0 FROM shots WHERE session = ?1 AND (?2 = 0 OR number < ?2)
		ORDER BY number DESC LIMIT ?3`
	keepersBefore = `SELECT id, 0, 0 FROM shots INDEXED BY shots_remarked
		WHERE session = ?1 AND (?2 = 0 OR number < ?2) AND star <> 0
		AND (verdict <> '' OR note <> '' OR star <> 0 OR picture <> '') ORDER BY number DESC LIMIT ?3`
)

// shotsBefore finds shots by their numbers. Where an index is damaged all are looked through.
func (j *Journal) shotsBefore(
	ctx context.Context, query string, session int64, before, limit int,
) ([]record.Shot, error) {
	index, err := j.newIndex(ctx, session)
	if err != nil {
		return nil, j.explain("read shots", err)
	}
	err = j.collectIDs(ctx, func(id int64, _ place) { index.ids = append(index.ids, id) }, query, session, before, limit)
	if isRowError(err) {
		return j.searchShotsBefore(ctx, query == keepersBefore, session, before, limit)
	}
	var shots []record.Shot
	if err == nil {
		shots, err = j.readShots(ctx, index, index.ids)
	}
	if err != nil {
		return nil, j.explain("read shots", err)
	}
	return shots, nil
}

func (j *Journal) searchShotsBefore(
	ctx context.Context, keepers bool, session int64, before, limit int,
) (shots []record.Shot, _ error) {
	for s, err := range j.eachShot(ctx, session, descending) {
		if err != nil {
			return nil, err
		}
		if (before == 0 || s.Number < before) && (s.Star || !keepers) {
			shots = append(shots, s)
		}
		if len(shots) == limit {
			break
		}
	}
	return shots, nil
}

// remarked reads what was said of shots from an index that has it.
func (j *Journal) remarked(ctx context.Context, visit func(record.Shot)) error {
	err := forEachRow(ctx, j.db, func(row scanner) error {
		var s record.Shot
		err := row.Scan(&s.ID, &s.Session, &s.Number, &s.Verdict, &s.Note, &s.Star, &s.Picture)
		if err == nil {
			visit(s)
		}
		return err
	}, `SELECT id, session, number, verdict, note, star, picture FROM shots INDEXED BY shots_remarked
		WHERE verdict <> '' OR note <> '' OR star <> 0 OR picture <> '' ORDER BY session, number`)
	if err != nil {
		return j.explain("read verdicts and notes", err)
	}
	return nil
}

// stretches reads the typed file numbers and up to where each counts.
func (j *Journal) stretches(ctx context.Context, visit func(first record.Shot, shots int)) error {
	err := forEachRow(ctx, j.db, func(row scanner) error {
		var first record.Shot
		var end int
		err := row.Scan(&first.Session, &first.Number, &first.File, &end)
		if err == nil && first.File != 0 && end > first.Number {
			visit(first, end-first.Number)
		}
		return err
	}, `SELECT session, shot, file, coalesce(lead (shot) OVER (PARTITION BY session ORDER BY shot),
		(SELECT coalesce(max(number), 0) + 1 FROM shots WHERE shots.session = file_numbers.session))
		FROM file_numbers ORDER BY session, shot`)
	if err != nil {
		return j.explain("read file numbers", err)
	}
	return nil
}

func (j *Journal) storedSet(ctx context.Context, session, shot int64) (set string, err error) {
	if shot == 0 {
		return j.sessionSet(ctx, session)
	}
	err = j.db.QueryRowContext(ctx, "SELECT set_json FROM shots WHERE id = ?", shot).Scan(&set)
	return set, j.explainSet("shot", shot, err)
}

func (j *Journal) sessionSet(ctx context.Context, id int64) (string, error) {
	row, err := scanSession(j.db.QueryRowContext(ctx, "SELECT "+j.sessionColumns()+" FROM sessions WHERE id = ?", id))
	if err != nil {
		return "", j.explainSet("session", id, err)
	}
	kinds, _, err := j.kinds(ctx, id, row)
	if err != nil {
		return "", j.explainSet("session", id, err)
	}
	set, err := j.setShot(ctx, id, row.session.Set, kinds)
	return set, j.explainSet("session", id, err)
}

func (j *Journal) explainSet(of string, id int64, err error) error {
	switch {
	case errors.Is(err, sql.ErrNoRows):
		return fmt.Errorf("journal %s: %s %d is %w", j.path, of, id, record.ErrNotFound)
	case err != nil:
		return j.explain("read a set", err)
	}
	return nil
}
