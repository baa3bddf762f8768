package journal

import (
	"context"
	"errors"
	"fmt"
	"os"
	"sync"

	"stillwater/internal/record"
)

// errMoved means that the journal's files are not, or no longer, those that were opened.
var errMoved = errors.New("its files were replaced while it was read; try again")

// Reader reads a journal while a Journal writes it: neither waits for the other. Only one read runs at a time, so that
// looking back takes at most one processor and little memory.
type Reader struct{ j *Journal }

// Reader returns a Reader, for looking back while shots are made.
func (j *Journal) Reader() Reader { return Reader{j} }

// readers are the connections that read beside the one that writes. SQLite takes what is in a -wal file into the
// database when its last connection closes: before the writer does that, the others are interrupted and closed.
type readers struct {
	turn chan struct{} // has room for those of a Reader

	mu     sync.Mutex
	path   string
	files  map[string]os.FileInfo // as Journal.openFiles; nil: nothing can be read now
	cancel map[int]context.CancelCauseFunc
	last   int
	open   sync.WaitGroup
}

// admit lets connections be made to the files that are open.
func (r *readers) admit(path string, files map[string]os.FileInfo) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.turn == nil {
		r.turn = make(chan struct{}, 1)
	}
	r.path, r.files = path, files
}

// close ends the connections there are and lets none be made until admit.
func (r *readers) close() {
	r.mu.Lock()
	r.files = nil
	for _, cancel := range r.cancel {
		cancel(errMoved)
	}
	r.mu.Unlock()
	r.open.Wait()
}

// connect opens a connection of its own and calls use with it. The error wraps errMoved if it was closed meanwhile, or
// if there is something else where the journal should be.
func (r *readers) connect(ctx context.Context, use func(context.Context, *Journal) error) error {
	r.mu.Lock()
	side, err := r.sideJournal()
	if err != nil {
		r.mu.Unlock()
		return err
	}
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	r.last++
	n := r.last
	if r.cancel == nil {
		r.cancel = map[int]context.CancelCauseFunc{}
	}
	r.cancel[n] = cancel
	r.open.Add(1)
	r.mu.Unlock()
	defer func() {
		side.db.Close()
		r.mu.Lock()
		delete(r.cancel, n)
		r.mu.Unlock()
		r.open.Done()
	}()
	err = use(ctx, side)
	if err != nil && errors.Is(context.Cause(ctx), errMoved) {
		return fmt.Errorf("journal %s: %w", side.path, errMoved)
	}
	return err
}

// sideJournal is the journal by another connection. The mutex is held.
func (r *readers) sideJournal() (*Journal, error) {
	if r.files == nil {
		return nil, fmt.Errorf("journal %s: %w", r.path, errMoved)
	}
	for suffix, opened := range r.files {
		info, err := os.Stat(r.path + suffix)
		if err != nil && !isMissing(err) {
			return nil, fmt.Errorf("journal %s: %w", r.path, err)
		}
		if err != nil || !os.SameFile(info, opened) {
			return nil, fmt.Errorf("journal %s: %w", r.path, errMoved)
		}
	}
	return &Journal{path: r.path, db: connect(r.path, "ro")}, nil
}

// read is readers.connect in its turn.
func (r Reader) read(ctx context.Context, use func(context.Context, *Journal) error) error {
	side := &r.j.side
	select {
	case side.turn <- struct{}{}:
	case <-ctx.Done():
		return context.Cause(ctx)
	}
	defer func() { <-side.turn }()
	return side.connect(ctx, use)
}

// Sessions is Journal.Sessions.
func (r Reader) Sessions(ctx context.Context) (all []record.Summary, err error) {
	err = r.read(ctx, func(ctx context.Context, j *Journal) (err error) {
		all, err = j.Sessions(ctx)
		return err
	})
	return all, err
}

// Shot returns a shot by its ID. The error wraps record.ErrNotFound when there is none.
func (r Reader) Shot(ctx context.Context, id int64) (made record.Shot, err error) {
	err = r.read(ctx, func(ctx context.Context, j *Journal) (err error) {
		made, err = j.shotByID(ctx, id)
		return err
	})
	return made, err
}

// ShotsBefore returns the shots of a session whose numbers are below one, the newest first, at most limit; 0 is below
// none.
func (r Reader) ShotsBefore(ctx context.Context, session int64, before, limit int) (shots []record.Shot, err error) {
	err = r.read(ctx, func(ctx context.Context, j *Journal) (err error) {
		shots, err = j.shotsBefore(ctx, allBefore, session, before, limit)
		return err
	})
	return shots, err
}

// KeepersBefore is ShotsBefore for those with a star.
func (r Reader) KeepersBefore(ctx context.Context, session int64, before, limit int) (shots []record.Shot, err error) {
	err = r.read(ctx, func(ctx context.Context, j *Journal) (err error) {
		shots, err = j.shotsBefore(ctx, keepersBefore, session, before, limit)
		return err
	})
	return shots, err
}

// Remarked calls visit for each shot of which a person said something, session by session: with its ID, where it
// belongs and what was said, and nothing else. It reads no shot.
func (r Reader) Remarked(ctx context.Context, visit func(record.Shot)) error {
	return r.read(ctx, func(ctx context.Context, j *Journal) error { return j.remarked(ctx, visit) })
}

// FileNumbers calls visit for each stretch of shots whose pictures have numbers of the camera, one after the other: the
// first of them with its number, and how many they are.
func (r Reader) FileNumbers(ctx context.Context, visit func(first record.Shot, shots int)) error {
	return r.read(ctx, func(ctx context.Context, j *Journal) error { return j.stretches(ctx, visit) })
}

// FrameNames calls visit for each frame of a shot.
func (r Reader) FrameNames(ctx context.Context, visit func(session int64, shot int, name string)) error {
	return r.read(ctx, func(ctx context.Context, j *Journal) error {
		all, err := j.framed(ctx, 0)
		for place, frame := range all {
			visit(place.session, place.number, frame.name)
		}
		return err
	})
}

// ShotPicture is Journal.ShotPicture.
func (r Reader) ShotPicture(ctx context.Context, shot int64) (picture []byte, err error) {
	err = r.read(ctx, func(ctx context.Context, j *Journal) error {
		picture, err = j.ShotPicture(ctx, shot)
		return err
	})
	return picture, err
}

// StoredSet is the set of a session, see record.Session, or of a shot when that is not 0, as it is stored.
func (r Reader) StoredSet(ctx context.Context, session, shot int64) (set string, err error) {
	err = r.read(ctx, func(ctx context.Context, j *Journal) error {
		set, err = j.storedSet(ctx, session, shot)
		return err
	})
	return set, err
}

// StoredSet is Reader.StoredSet.
func (j *Journal) StoredSet(ctx context.Context, session, shot int64) (string, error) {
	return j.Reader().StoredSet(ctx, session, shot)
}
