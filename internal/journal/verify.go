package journal

import (
	"context"
	"errors"
	"fmt"
	"runtime"

	"stillwater/internal/record"
)

// Verify reads the whole file and looks for damage, while the journal is in use. It takes about 5 ms for each thousand
// shots on a desktop machine and, from a memory card, as long as that takes to read.
//
// What is written before Verify is done stays in the -wal file, and the database as it was: SQLite could mistake pages
// in use for free ones by a damaged list of them. When the file is found damaged, that remains so, nothing more is
// written, and the error wraps ErrDamaged. What was acknowledged by then can be read as anything else.
func (j *Journal) Verify(ctx context.Context) error {
	path := j.Path()
	var first string
	check := func(ctx context.Context, side *Journal) error { // by a connection of its own, so that shots do not wait
		return side.db.QueryRowContext(ctx, "PRAGMA quick_check(1)").Scan(&first)
	}
	err := j.side.connect(ctx, check)
	for errors.Is(err, errMoved) && ctx.Err() == nil && j.fileLock != nil && j.repairFiles(ctx) == nil {
		err = j.side.connect(ctx, check)
	}
	switch {
	case err != nil && !isRowError(err):
		return j.explain("look for damage", err)
	case err != nil:
		first = err.Error()
	}
	defer j.acquire()()
	if j.path != path {
		return nil // it was written anew meanwhile
	}
	if first != "ok" {
		j.damaged = fmt.Errorf("journal %s: %w: %s; %s", j.path, record.ErrDamaged, first, damageRemedy)
		return j.damaged
	}
	j.verified = true
	return j.setCheckpoints(ctx)
}

// VerifyAside verifies while the caller goes on, on a thread of its own that yield makes wait for the others, and
// reports damage. Call what it returns to end it.
func (j *Journal) VerifyAside(ctx context.Context, yield func(), report func(error)) (end func()) {
	ctx, stop := context.WithCancel(ctx)
	done := make(chan struct{})
	go func() {
		defer close(done)
		runtime.LockOSThread() // never unlocked: the thread ends with the goroutine
		yield()
		if err := j.Verify(ctx); err != nil && ctx.Err() == nil {
			report(err)
		}
	}()
	return func() { stop(); <-done }
}

// repairFiles puts right what was deleted while in use.
func (j *Journal) repairFiles(ctx context.Context) error {
	release, err := j.acquireForWrite(ctx)
	if err == nil {
		release()
	}
	return err
}

// setCheckpoints has SQLite move what was written into the database now and then, once that is known to be undamaged.
func (j *Journal) setCheckpoints(ctx context.Context) error {
	pages := 0 // never
	if j.verified {
		pages = 1000 // SQLite's usual
	}
	if _, err := j.db.ExecContext(ctx, fmt.Sprintf("PRAGMA wal_autocheckpoint = %d", pages)); err != nil {
		return j.explain("open", err)
	}
	return nil
}
