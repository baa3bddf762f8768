package journal

import (
	"context"
	"database/sql"
	"errors"
	"time"

	"stillwater/internal/record"
)

// clockRightWithin is how far a machine's clock may be from what is right and still count as right: a phone's answer
// takes its time on the air.
const clockRightWithin = 2 * time.Second

// SetOrigin stores when a boot began, by ByPhone or BySystem, and with it the dates of all that was made in that boot.
// A phone's date never replaces that of a system clock that was right.
func (j *Journal) SetOrigin(ctx context.Context, boot string, origin time.Time, by record.Dating) error {
	release, err := j.acquireForWrite(ctx)
	if err != nil {
		return err
	}
	_, err = j.db.ExecContext(ctx, `INSERT INTO boots (name, origin_ns, dated_by) VALUES (?1, ?2, ?3)
		ON CONFLICT (name) DO UPDATE SET origin_ns = ?2, dated_by = ?3 WHERE dated_by <> 'system' OR ?3 = 'system'`,
		boot, origin.UnixNano(), string(by))
	if err != nil {
		err = j.explain("save the date of a boot", err)
	}
	release()
	return j.noting(0, err)
}

// Origin says when a boot began and by which clock; the zero time when that is not known.
func (j *Journal) Origin(ctx context.Context, boot string) (time.Time, record.Dating, error) {
	defer j.acquire()()
	var origin sql.NullInt64
	var by string
	err := j.db.QueryRowContext(ctx, "SELECT origin_ns, dated_by FROM boots WHERE name = ?", boot).Scan(&origin, &by)
	if errors.Is(err, sql.ErrNoRows) || err == nil && !origin.Valid {
		return time.Time{}, record.Undated, nil
	}
	if err != nil {
		return time.Time{}, record.Undated, j.explain("read the date of a boot", err)
	}
	return time.Unix(0, origin.Int64), record.Dating(by), nil
}

// bootNumber finds a boot's number, and gives it the next one when it is new. NULL when it has no name.
func bootNumber(ctx context.Context, tx *sql.Tx, name string) (number sql.NullInt64, err error) {
	if name == "" {
		return number, nil
	}
	if _, err := tx.ExecContext(ctx, "INSERT INTO boots (name) VALUES (?) ON CONFLICT DO NOTHING", name); err != nil {
		return number, err
	}
	return number, tx.QueryRowContext(ctx, "SELECT id FROM boots WHERE name = ?", name).Scan(&number)
}

// sinceBootColumn is the column's value for an instant.
func sinceBootColumn(w record.When) sql.NullInt64 {
	return sql.NullInt64{Int64: int64(w.SinceBoot), Valid: w.Boot != ""}
}

// querier is a connection or a transaction.
type querier interface {
	QueryContext(ctx context.Context, text string, args ...any) (*sql.Rows, error)
	QueryRowContext(ctx context.Context, text string, args ...any) *sql.Row
}

// resolveDate works out the date of a row, whose boot it looks up.
func resolveDate(ctx context.Context, q querier, at storedWhen) (time.Time, record.When, error) {
	boots := map[int64]boot{}
	if at.boot.Valid {
		var b boot
		row := q.QueryRowContext(ctx, "SELECT name, origin_ns, dated_by FROM boots WHERE id = ?", at.boot)
		if err := row.Scan(&b.name, &b.origin, &b.datedBy); err != nil {
			return time.Time{}, record.When{}, err
		}
		boots[at.boot.Int64] = b
	}
	date, when, _ := at.date(boots)
	return date, when, nil
}
