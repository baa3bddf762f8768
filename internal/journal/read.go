package journal

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"iter"

	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"

	"stillwater/internal/record"
)

// batchSize is how many rows are read at once, which bounds the memory for them.
const batchSize = 100

// errScan marks a value of the wrong kind.
var errScan = errors.New("a value cannot be read")

// isRowError reports whether a row could not be read, while others may be: damage that SQLite noticed, a row that
// claims to be larger than can be, a disk that cannot read a part of the file, or a value of the wrong kind.
func isRowError(err error) bool {
	var e *sqlite.Error
	if errors.As(err, &e) {
		switch e.Code() & 0xff {
		case sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_IOERR, sqlite3.SQLITE_NOMEM, sqlite3.SQLITE_TOOBIG:
			return true
		}
		return false
	}
	return errors.Is(err, errScan)
}

// readByID reads the rows that have these ids, in any order. Where that fails the ids are halved, and halved again, so
// that what cannot be read costs nothing but itself. The query gets the ids as one argument, a JSON array.
func readByID[T any](
	ctx context.Context, q querier, query string, scan func(scanner) (int64, T, error), ids []int64,
) (found map[int64]T, lost map[int64]error, err error) {
	found, lost = map[int64]T{}, map[int64]error{}
	var read func(ids []int64) error
	read = func(ids []int64) error {
		err := forEachRow(ctx, q, func(row scanner) error {
			id, one, err := scan(row)
			if err == nil {
				found[id] = one
			}
			return err
		}, query, idList(ids))
		switch {
		case !isRowError(err):
			return err
		case len(ids) == 1:
			delete(found, ids[0])
			lost[ids[0]] = err
			return nil
		}
		if err := read(ids[:len(ids)/2]); err != nil {
			return err
		}
		return read(ids[len(ids)/2:])
	}
	return found, lost, read(ids)
}

func idList(ids []int64) string {
	text, _ := json.Marshal(ids) // numbers always encode
	return string(text)
}

// forEachRow calls do for every row of a query, until one fails.
func forEachRow(ctx context.Context, q querier, do func(scanner) error, text string, args ...any) error {
	rows, err := q.QueryContext(ctx, text, args...)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		if err := do(rows); err != nil {
			return fmt.Errorf("%w: %w", errScan, err)
		}
	}
	return rows.Err()
}

// boots reads what can be read of the boots, by their numbers.
func (j *Journal) boots(ctx context.Context) (map[int64]boot, error) {
	all := map[int64]boot{}
	for _, order := range []string{"ASC", "DESC"} { // from both ends to what cannot be read
		err := forEachRow(ctx, j.db, func(row scanner) error {
			var id int64
			var b boot
			err := row.Scan(&id, &b.name, &b.origin, &b.datedBy)
			if err == nil {
				all[id] = b
			}
			return err
		}, "SELECT id, name, origin_ns, dated_by FROM boots ORDER BY id "+order)
		if err == nil || !isRowError(err) {
			return all, err
		}
	}
	return all, nil
}

// Shots returns the newest shots of a session, the newest first, at most limit. One that cannot be read is Lost.
func (j *Journal) Shots(ctx context.Context, session int64, limit int) ([]record.Shot, error) {
	defer j.acquire()()
	index, err := j.shotIndex(ctx, session, descending, limit)
	if err != nil {
		return nil, j.explain("read shots", err)
	}
	shots, err := j.readShots(ctx, index, index.ids)
	if err != nil {
		return nil, j.explain("read shots", err)
	}
	return shots, nil
}

// AllShots yields the shots of a session, or of every session when it is 0, in the order in which they were made. It
// reads them in parts, with little memory, and others can use the journal in between. One that cannot be read is Lost.
// An error ends it.
func (j *Journal) AllShots(ctx context.Context, session int64) iter.Seq2[record.Shot, error] {
	return j.eachShot(ctx, session, ascending)
}

// NewestShots is AllShots of every session in reverse order.
func (j *Journal) NewestShots(ctx context.Context) iter.Seq2[record.Shot, error] {
	return j.eachShot(ctx, 0, descending)
}

// Shot returns the shot that has this number in a session. The error wraps record.ErrNotFound when there is none. One
// that cannot be read is Lost.
func (j *Journal) Shot(ctx context.Context, session int64, number int) (record.Shot, error) {
	defer j.acquire()()
	index, err := j.newIndex(ctx, session)
	if err != nil {
		return record.Shot{}, j.explain("read a shot", err)
	}
	err = j.collectIDs(ctx, func(id int64, _ place) { index.ids = append(index.ids, id) },
		"SELECT id, session, number FROM shots WHERE session = ?1 AND number = ?2", session, number)
	return j.onlyShot(ctx, index, err, fmt.Sprintf("shot %d of session %d", number, session))
}

// onlyShot returns the one shot of an index, unless there was an error already.
func (j *Journal) onlyShot(ctx context.Context, index *shotIndex, err error, which string) (record.Shot, error) {
	var shots []record.Shot
	if err == nil {
		shots, err = j.readShots(ctx, index, index.ids)
	}
	if err != nil {
		return record.Shot{}, j.explain("read a shot", err)
	}
	if len(shots) == 0 {
		return record.Shot{}, fmt.Errorf("journal %s: %s is %w", j.path, which, record.ErrNotFound)
	}
	return shots[0], nil
}

func (j *Journal) eachShot(ctx context.Context, session int64, order order) iter.Seq2[record.Shot, error] {
	return func(yield func(record.Shot, error) bool) {
		release := j.acquire()
		index, err := j.shotIndex(ctx, session, order, noLimit)
		release()
		if err != nil {
			yield(record.Shot{}, j.explain("read shots", err))
			return
		}
		for ids := range index.batches() {
			release := j.acquire()
			shots, err := j.readShots(ctx, index, ids)
			release()
			if err != nil {
				yield(record.Shot{}, j.explain("read shots", err))
				return
			}
			for _, s := range shots {
				if !yield(s, nil) {
					return
				}
			}
		}
	}
}

// readShots reads shots in the order of their ids.
func (j *Journal) readShots(ctx context.Context, index *shotIndex, ids []int64) ([]record.Shot, error) {
	found, lost, err := readByID(ctx, j.db,
		"SELECT "+j.shotColumns()+" FROM shots WHERE id IN (SELECT value FROM json_each (?))",
		func(row scanner) (int64, shotRow, error) {
			r, err := scanShot(row)
			return r.shot.ID, r, err
		}, ids)
	if err != nil {
		return nil, err
	}
	shots := make([]record.Shot, 0, len(ids))
	for _, id := range ids {
		row, ok := found[id]
		switch {
		case ok && row.shot.Session != index.session && index.session != 0:
			continue // asked for because no index could say whose it is
		case ok:
			if shots, err = j.appendShot(ctx, index, shots, row); err != nil {
				return nil, err
			}
		case lost[id] != nil || index.lists(id):
			place, err := j.placeOf(ctx, index, id)
			if err != nil {
				return nil, err
			}
			if index.session == 0 || place.session == 0 || place.session == index.session {
				shots = append(shots, record.Shot{ID: id, Session: place.session, Number: place.number, Lost: true,
					Cues: []record.Cue{}, Damaged: fmt.Sprintf("shot %d of the journal cannot be read", id)})
			}
		}
	}
	return shots, nil
}

// appendShot adds a row, with its date: the boots are read again for one that was made since.
func (j *Journal) appendShot(
	ctx context.Context, index *shotIndex, shots []record.Shot, row shotRow,
) ([]record.Shot, error) {
	if _, known := index.boots[row.at.boot.Int64]; row.at.boot.Valid && !known && !index.bootsReloaded {
		var err error
		if index.boots, err = j.boots(ctx); err != nil {
			return nil, err
		}
		index.bootsReloaded = true
	}
	return append(shots, row.toShot(index)), nil
}
