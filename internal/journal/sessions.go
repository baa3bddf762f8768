package journal

import (
	"cmp"
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"

	"stillwater/internal/record"
)

const sessionColumns = "id, name, board, set_json, care_json, started_ns, boot, since_boot_ns, kinds"

// sessionColumns are the columns of a session, as the journal that is open has them.
func (j *Journal) sessionColumns() string {
	if j.beforeKinds {
		return strings.Replace(sessionColumns, "kinds", "NULL", 1)
	}
	return sessionColumns
}

type scanner interface{ Scan(dest ...any) error }

type sessionRow struct {
	session record.Session
	at      storedWhen
	kinds   sql.NullString // JSON; see migration 8
}

func scanSession(row scanner) (sessionRow, error) {
	var r sessionRow
	s := &r.session
	err := row.Scan(&s.ID, &s.Name, &s.Board, &s.Set, &s.Care, &r.at.wall, &r.at.boot, &r.at.since,
		&r.kinds)
	return r, err
}

// NewSession stores s and returns it as it will be read back. Started must be set.
func (j *Journal) NewSession(ctx context.Context, s record.Session) (record.Session, error) {
	if s.Started.IsZero() {
		return record.Session{}, fmt.Errorf("journal %s: new session: it has no start time", j.path)
	}
	err := j.insert(ctx, s.When, func(tx *sql.Tx, boot sql.NullInt64) (err error) {
		err = tx.QueryRowContext(ctx, `INSERT INTO sessions (name, started_ns, board, set_json, care_json, boot,
			since_boot_ns) VALUES (?, ?, ?, ?, ?, ?, ?) RETURNING id`, s.Name, s.Started.UnixNano(), s.Board, s.Set, s.Care,
			boot, sinceBootColumn(s.When)).Scan(&s.ID)
		if err == nil {
			at := storedWhen{wall: s.Started.UnixNano(), boot: boot, since: sinceBootColumn(s.When)}
			s.Started, s.When, err = resolveDate(ctx, tx, at)
		}
		return err
	})
	if err != nil {
		return record.Session{}, j.explain("new session", err)
	}
	return s, nil
}

// LatestSession returns the session made last; false when there is none yet.
func (j *Journal) LatestSession(ctx context.Context) (record.Session, bool, error) {
	defer j.acquire()()
	row, err := scanSession(j.db.QueryRowContext(ctx,
		"SELECT "+j.sessionColumns()+" FROM sessions ORDER BY boot DESC, since_boot_ns DESC, id DESC LIMIT 1"))
	if errors.Is(err, sql.ErrNoRows) {
		return record.Session{}, false, nil
	}
	if err == nil {
		row.session.Started, row.session.When, err = resolveDate(ctx, j.db, row.at)
	}
	if err != nil {
		return record.Session{}, false, j.explain("read the latest session", err)
	}
	return row.session, true, nil
}

// SaveSet stores the set of a session as it is now.
func (j *Journal) SaveSet(ctx context.Context, id int64, setJSON string) error {
	return j.noting(id, j.update(ctx, "save the set", "session", id, "UPDATE sessions SET set_json = ? WHERE id = ?",
		setJSON, id))
}

// Rename gives a session a name, or with "" takes it away.
func (j *Journal) Rename(ctx context.Context, id int64, name string) error {
	return j.update(ctx, "rename a session", "session", id, "UPDATE sessions SET name = ? WHERE id = ?", name, id)
}

// SaveCare stores the ticked cautions of a session.
func (j *Journal) SaveCare(ctx context.Context, id int64, careJSON string) error {
	return j.update(ctx, "save the checklist", "session", id,
		"UPDATE sessions SET care_json = ? WHERE id = ?", careJSON, id)
}

// Sessions returns every session, newest first, with how its shots were judged and of which kinds they are. It reads no
// shot. A session that cannot be read has its ID only, and says so.
func (j *Journal) Sessions(ctx context.Context) ([]record.Summary, error) {
	defer j.acquire()()
	all, err := j.summaries(ctx)
	if err != nil {
		return nil, j.explain("list sessions", err)
	}
	return all, nil
}

func (j *Journal) summaries(ctx context.Context) ([]record.Summary, error) {
	boots, err := j.boots(ctx)
	if err != nil {
		return nil, err
	}
	counts, whole, err := j.counts(ctx)
	if err != nil {
		return nil, err
	}
	found, lost, err := j.sessionRows(ctx, counts)
	if err != nil {
		return nil, err
	}
	all := make([]record.Summary, 0, len(found)+len(lost))
	for _, row := range found {
		s, known := row.session, false
		s.Started, s.When, known = row.at.date(boots)
		if !known {
			s.Damaged = "the date of its boot cannot be read"
		}
		all = append(all, record.Summary{Session: s})
	}
	for id := range lost {
		all = append(all, record.Summary{Session: record.Session{ID: id, Damaged: "the session itself cannot be read"}})
	}
	for i := range all {
		s := &all[i]
		s.Verdicts = map[record.Verdict]int{}
		for verdict, n := range counts[s.ID] {
			s.Verdicts[record.Verdict(verdict)] = n
			s.Shots += n
		}
		if !whole && s.Damaged == "" {
			s.Damaged = "its number of shots cannot be read"
		}
		var all bool
		if s.Kinds, all, err = j.kinds(ctx, s.ID, found[s.ID]); err != nil {
			return nil, err
		}
		if !all && s.Damaged == "" {
			s.Damaged = "the kinds of some of its shots cannot be read"
		}
		if s.Set, err = j.setShot(ctx, s.ID, s.Set, s.Kinds); err != nil {
			return nil, err
		}
	}
	slices.SortFunc(all, func(a, b record.Summary) int {
		return -cmp.Or(cmp.Compare(a.When.Number, b.When.Number), cmp.Compare(a.When.SinceBoot, b.When.SinceBoot),
			cmp.Compare(a.ID, b.ID))
	})
	return all, nil
}

// setShot is what a session's shots were made with: its set as last changed; that of its last shot if another kind was
// chosen since, of which there is no shot.
func (j *Journal) setShot(ctx context.Context, id int64, changed string, kinds []string) (string, error) {
	var set struct{ Kind string }
	err := json.Unmarshal([]byte(changed), &set)
	if err != nil || set.Kind == "" || len(kinds) == 0 || slices.Contains(kinds, set.Kind) {
		return changed, nil
	}
	var last string
	err = j.db.QueryRowContext(ctx, "SELECT set_json FROM shots WHERE session = ? ORDER BY number DESC LIMIT 1", id).
		Scan(&last)
	if errors.Is(err, sql.ErrNoRows) || isRowError(err) {
		return changed, nil
	}
	return last, err
}

const countsQuery = "SELECT session, verdict, shots FROM counts WHERE shots > 0"

// counts reads how the shots of each session were judged; whole is false when not all of it can be read.
func (j *Journal) counts(ctx context.Context) (counts map[int64]map[string]int, whole bool, err error) {
	counts = map[int64]map[string]int{}
	err = forEachRow(ctx, j.db, func(row scanner) error {
		var session int64
		var verdict string
		var n int
		err := row.Scan(&session, &verdict, &n)
		if err == nil && counts[session] == nil {
			counts[session] = map[string]int{}
		}
		if err == nil {
			counts[session][verdict] = n
		}
		return err
	}, countsQuery)
	if isRowError(err) {
		return counts, false, nil
	}
	return counts, true, err
}

// kindsOfShots lists the kinds of a session's shots in the order of the first of each, as the column of kinds has them.
// A set that cannot be read has none.
const kindsOfShots = `SELECT kind FROM (SELECT number,
	CASE WHEN json_valid (set_json) THEN json_extract (set_json, '$.kind') END AS kind FROM shots WHERE session = ?)
	WHERE typeof (kind) = 'text' GROUP BY kind ORDER BY min (number)`

// kinds lists the kinds of a session's shots. Where they were not kept yet, or cannot be read, the shots are read for
// them; whole is false when not all of them can be.
func (j *Journal) kinds(ctx context.Context, id int64, row sessionRow) (kinds []string, whole bool, err error) {
	if !row.kinds.Valid && !j.beforeKinds && row.session.ID == id {
		return nil, true, nil
	}
	if json.Unmarshal([]byte(row.kinds.String), &kinds) == nil && kinds != nil && !slices.Contains(kinds, "") {
		return kinds, true, nil
	}
	kinds = nil
	err = forEachRow(ctx, j.db, func(row scanner) error {
		var kind string
		err := row.Scan(&kind)
		kinds = append(kinds, kind)
		return err
	}, kindsOfShots, id)
	if isRowError(err) {
		return kinds, false, nil
	}
	return kinds, true, err
}

// noteKind notes that a session has a shot of a kind. A list of kinds that cannot be read is made anew from the shots.
func noteKind(ctx context.Context, tx *sql.Tx, shot int64) error {
	_, err := tx.ExecContext(ctx, `WITH made AS (SELECT session, json_extract (set_json, '$.kind') AS kind FROM shots
			WHERE id = ? AND json_valid (set_json))
		UPDATE sessions SET kinds = CASE
			WHEN kinds IS NULL THEN json_array (made.kind)
			WHEN `+kindsWhole+` THEN json_insert (kinds, '$[#]', made.kind)
			ELSE (SELECT json_group_array (kind) FROM (`+strings.Replace(kindsOfShots, "?", "sessions.id", 1)+`)) END
		FROM made WHERE id = made.session AND typeof (made.kind) = 'text'
		AND NOT coalesce (`+kindsWhole+` AND made.kind IN (SELECT value FROM json_each (kinds)), false)`, shot)
	return err
}

// kindsWhole holds of a session whose kinds are a list of text.
const kindsWhole = `iif (json_valid (kinds), json_type (kinds) = 'array' AND NOT EXISTS (SELECT 1 FROM json_each (kinds)
	WHERE type <> 'text' OR value = ''), false)`

// sessionRows reads the sessions that can be read. Those that cannot are known by their shots, or by what is between.
func (j *Journal) sessionRows(ctx context.Context, counts map[int64]map[string]int) (
	found map[int64]sessionRow, lost map[int64]error, err error,
) {
	found = map[int64]sessionRow{}
	err = forEachRow(ctx, j.db, func(row scanner) error {
		r, err := scanSession(row)
		if err == nil {
			found[r.session.ID] = r
		}
		return err
	}, "SELECT "+j.sessionColumns()+" FROM sessions")
	if err == nil || !isRowError(err) {
		return found, nil, err
	}
	ids, err := j.sessionsNamed(ctx)
	if err != nil {
		return nil, nil, err
	}
	for id := range counts {
		ids[id] = true
	}
	greatest := int64(0)
	for id := range found {
		greatest = max(greatest, id)
	}
	greatest = min(greatest, j.maxRows(ctx))
	for id := int64(1); id <= greatest; id++ {
		ids[id] = true
	}
	return readByID(ctx, j.db, "SELECT "+j.sessionColumns()+" FROM sessions WHERE id IN (SELECT value FROM json_each (?))",
		func(row scanner) (int64, sessionRow, error) {
			r, err := scanSession(row)
			return r.session.ID, r, err
		}, slices.Sorted(maps.Keys(ids)))
}

// sessionsNamed are the ids of sessions in what can be read of the tables and indexes that name them.
func (j *Journal) sessionsNamed(ctx context.Context) (map[int64]bool, error) {
	ids := map[int64]bool{}
	for _, text := range []string{
		"SELECT id FROM sessions",
		"SELECT id FROM sessions ORDER BY id DESC",
		"SELECT session FROM shots INDEXED BY sqlite_autoindex_shots_1 ORDER BY session",
		"SELECT session FROM shots INDEXED BY sqlite_autoindex_shots_1 ORDER BY session DESC",
		"SELECT session FROM shots INDEXED BY shots_by_time ORDER BY session",
		"SELECT session FROM shots INDEXED BY shots_by_time ORDER BY session DESC",
		"SELECT session FROM shots NOT INDEXED",
	} {
		err := forEachRow(ctx, j.db, func(row scanner) error {
			var id int64
			err := row.Scan(&id)
			if err == nil {
				ids[id] = true
			}
			return err
		}, text)
		if err != nil && !isRowError(err) {
			return nil, err
		}
	}
	return ids, nil
}

// insert adds one row, made in the boot that when names. The commit is explicit because a statement that returns rows
// would otherwise commit when its rows are closed, where an error is easily lost.
func (j *Journal) insert(ctx context.Context, when record.When, add func(tx *sql.Tx, boot sql.NullInt64) error) error {
	release, err := j.acquireForWrite(ctx)
	if err != nil {
		return err
	}
	defer release()
	tx, err := j.db.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	defer tx.Rollback()
	boot, err := bootNumber(ctx, tx, when.Boot)
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
	release, err := j.acquireForWrite(ctx)
	if err != nil {
		return err
	}
	defer release()
	res, err := j.db.ExecContext(ctx, text, args...)
	if err != nil {
		return j.explain(doing, err)
	}
	if n, err := res.RowsAffected(); err != nil || n != 1 {
		return errors.Join(err, fmt.Errorf("journal %s: %s: %s %d is %w", j.path, doing, kind, id, record.ErrNotFound))
	}
	return nil
}
