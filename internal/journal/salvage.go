package journal

import (
	"context"
	"iter"
	"slices"
)

// shotIndex lists shots without reading them: 8 bytes each.
type shotIndex struct {
	session       int64   // 0: of every session
	ids           []int64 // in the order in which they are to be read
	boots         map[int64]boot
	bootsReloaded bool
	files         fileNumbers
	framed        map[place]frameOf // the frames of shots
	filesLost     bool              // not all of those can be read
	salvaged      bool              // an index was damaged: ids has what may be there, by number
	places        map[int64]place   // what can be known of shots that cannot be read; nil: not looked for yet
}

// place is where a shot belongs; 0 not known.
type place struct {
	session int64
	number  int
}

// lists reports whether the shot exists, even if it cannot be read.
func (i *shotIndex) lists(id int64) bool {
	_, placed := i.places[id]
	return !i.salvaged || placed
}

// batches are the ids, batchSize at a time.
func (i *shotIndex) batches() iter.Seq[[]int64] { return slices.Chunk(i.ids, batchSize) }

// order is the order in which shots are read.
type order int

const (
	ascending order = iota
	descending
)

// noLimit is SQLite's for a query that returns all its rows.
const noLimit = -1

// newIndex is an index without shots, with what is needed to read them.
func (j *Journal) newIndex(ctx context.Context, session int64) (*shotIndex, error) {
	index := &shotIndex{session: session}
	var err error
	if index.boots, err = j.boots(ctx); err != nil {
		return nil, err
	}
	if index.framed, err = j.framed(ctx, session); err != nil {
		return nil, err
	}
	index.files, index.filesLost, err = j.fileNumbers(ctx, session)
	return index, err
}

// shotIndex finds the shots of a session, or of every session when it is 0, the first ones up to a limit. It reads an
// index only.
func (j *Journal) shotIndex(ctx context.Context, session int64, order order, limit int) (*shotIndex, error) {
	index, err := j.newIndex(ctx, session)
	if err != nil {
		return nil, err
	}
	err = j.collectIDs(ctx, func(id int64, _ place) { index.ids = append(index.ids, id) }, indexQuery(session, order),
		session, limit)
	if err == nil || !isRowError(err) {
		return index, err
	}
	if err := j.salvage(ctx, index); err != nil {
		return nil, err
	}
	if order == descending {
		slices.Reverse(index.ids)
	}
	if limit != noLimit {
		j.keepNewest(ctx, index, limit)
	}
	return index, nil
}

// indexQuery lists the ids of shots in order: of the session ?1, or of every session when it is 0, the first ?2.
func indexQuery(session int64, order order) string {
	which, by := "", " ORDER BY boot, since_boot_ns, id"
	if session != 0 {
		which = " WHERE session = ?1"
	}
	if order == descending {
		by = " ORDER BY boot DESC, since_boot_ns DESC, id DESC"
	}
	return "SELECT id, 0, 0 FROM shots INDEXED BY shots_by_time" + which + by + " LIMIT ?2"
}

// keepNewest keeps the ids of the newest shots that can be read. Without an index a shot's number is the only order.
func (j *Journal) keepNewest(ctx context.Context, index *shotIndex, limit int) {
	var newest []int64
	for ids := range index.batches() {
		shots, err := j.readShots(ctx, index, ids)
		if err != nil {
			break
		}
		for _, s := range shots {
			newest = append(newest, s.ID)
		}
		if len(newest) >= limit {
			break
		}
	}
	index.ids = newest[:min(len(newest), limit)]
}

// collectIDs reads ids, and where they belong, until the first that cannot be read.
func (j *Journal) collectIDs(ctx context.Context, add func(id int64, p place), text string, args ...any) error {
	return forEachRow(ctx, j.db, func(row scanner) error {
		var id int64
		var p place
		err := row.Scan(&id, &p.session, &p.number)
		if err == nil {
			add(id, p)
		}
		return err
	}, text, args...)
}

// salvage lists every shot that may be there when an index is damaged. Shots are never deleted, so that ids up to the
// greatest one are all candidates: those that do not exist are not found.
func (j *Journal) salvage(ctx context.Context, index *shotIndex) error {
	index.salvaged = true
	if err := j.findPlaces(ctx, index); err != nil {
		return err
	}
	greatest := int64(0)
	for id := range index.places {
		greatest = max(greatest, id)
	}
	for _, text := range []string{"SELECT max(id), 0, 0 FROM shots NOT INDEXED", "SELECT sum(shots), 0, 0 FROM counts"} {
		err := j.collectIDs(ctx, func(id int64, _ place) { greatest = max(greatest, id) }, text)
		if err != nil && !isRowError(err) {
			return err
		}
	}
	greatest = min(greatest, j.maxRows(ctx))
	index.ids = index.ids[:0]
	for id := int64(1); id <= greatest; id++ {
		p, placed := index.places[id]
		if !placed || index.session == 0 || p.session == 0 || p.session == index.session {
			index.ids = append(index.ids, id)
		}
	}
	return nil
}

// maxRows is more than the file has room for: a damaged index may name any number.
func (j *Journal) maxRows(ctx context.Context) int64 {
	const minRowBytes = 20 // bytes; of its columns alone
	pages, size := int64(0), int64(0)
	err := j.db.QueryRowContext(ctx, `SELECT (SELECT page_count FROM pragma_page_count),
		(SELECT page_size FROM pragma_page_size)`).Scan(&pages, &size)
	if err != nil {
		return 0
	}
	return pages * size / minRowBytes
}

// findPlaces reads the indexes from both ends to what cannot be read.
func (j *Journal) findPlaces(ctx context.Context, index *shotIndex) error {
	index.places = map[int64]place{}
	add := func(id int64, p place) {
		if index.places[id].number == 0 {
			index.places[id] = p
		}
	}
	for _, text := range []string{
		"SELECT id, session, number FROM shots INDEXED BY sqlite_autoindex_shots_1 ORDER BY session, number",
		"SELECT id, session, number FROM shots INDEXED BY sqlite_autoindex_shots_1 ORDER BY session DESC, number DESC",
		"SELECT id, session, 0 FROM shots INDEXED BY shots_by_time ORDER BY session, boot, since_boot_ns",
		"SELECT id, session, 0 FROM shots INDEXED BY shots_by_time ORDER BY session DESC, boot DESC, since_boot_ns DESC",
	} {
		if err := j.collectIDs(ctx, add, text); err != nil && !isRowError(err) {
			return err
		}
	}
	return nil
}

// placeOf says where a shot that cannot be read belongs.
func (j *Journal) placeOf(ctx context.Context, index *shotIndex, id int64) (place, error) {
	if index.places == nil {
		if err := j.findPlaces(ctx, index); err != nil {
			return place{}, err
		}
	}
	return index.places[id], nil
}
