package intake

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"runtime"
	"slices"
	"sync"

	"stillwater/internal/background"
	"stillwater/internal/contactsheet"
	"stillwater/internal/frames"
	"stillwater/internal/page"
	"stillwater/internal/record"
	"stillwater/internal/unarmed"
)

const (
	largeSide = 1600 // pixels of the longer side
	maxLarge  = 6    // kept in memory, of some 400 kB each
)

// larger makes pictures that are looked at closely, one at a time, and keeps the newest ones.
type larger struct {
	turn   chan struct{} // has room for the one that makes one
	making sync.WaitGroup

	mu    sync.Mutex
	kept  []largePicture
	stop  func() // ends the one that is being made
	ended bool
}

type largePicture struct {
	of      string // session, name and files
	picture []byte
	err     error
}

func newLarger() *larger { return &larger{turn: make(chan struct{}, 1)} }

// begin is the context of a picture that is about to be made, whoever asks for it; false: none is made any more. The
// caller has the turn, and calls making.Done.
func (l *larger) begin() (context.Context, bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.ended {
		return nil, false
	}
	ctx, stop := context.WithCancel(context.Background())
	l.stop = stop
	l.making.Add(1)
	return ctx, true
}

// end ends the picture that is being made, for good, and waits for it.
func (l *larger) end() {
	l.mu.Lock()
	l.ended = true
	if l.stop != nil {
		l.stop()
	}
	l.mu.Unlock()
	l.making.Wait()
}

func (l *larger) find(of string) (largePicture, bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	at := slices.IndexFunc(l.kept, func(p largePicture) bool { return p.of == of })
	if at < 0 {
		return largePicture{}, false
	}
	return l.kept[at], true
}

func (l *larger) keep(p largePicture) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.kept = append(l.kept, p)
	if len(l.kept) > maxLarge {
		l.kept = slices.Delete(l.kept, 0, 1)
	}
}

// Picture implements page.Camera.
func (i *Intake) Picture(ctx context.Context, session int64, name string) ([]byte, error) {
	return i.o.Journal.FramePicture(ctx, session, name)
}

// Large implements page.Camera. What takes longer than the caller may wait is made anyway, for when it asks again.
func (i *Intake) Large(ctx context.Context, session int64, name string) ([]byte, error) {
	folder, err := frames.Open(i.store.session(session))
	if err != nil {
		return nil, fmt.Errorf("the file of %s is %w: %w", name, record.ErrNotFound, err)
	}
	folder.MaxDecoded = maxDecoded
	list, _, err := folder.List(ctx)
	at := slices.IndexFunc(list, func(f frames.Frame) bool { return f.Name == name })
	if err != nil || at < 0 {
		folder.Close()
		return nil, errors.Join(err, fmt.Errorf("the file of %s is %w", name, record.ErrNotFound))
	}
	of := fmt.Sprint(session, name, list[at].Files)
	if made, known := i.larger.find(of); known {
		folder.Close()
		return made.picture, made.err
	}
	select {
	case i.larger.turn <- struct{}{}:
	case <-ctx.Done():
		folder.Close()
		return nil, page.ErrBusy
	}
	making, ok := i.larger.begin()
	if !ok {
		folder.Close()
		<-i.larger.turn
		return nil, page.ErrBusy
	}
	done := make(chan largePicture, 1)
	go func() {
		defer i.larger.making.Done()
		runtime.LockOSThread() // and never unlocked: it yields for good
		i.o.Yield()
		defer func() { folder.Close(); <-i.larger.turn }()
		background.HoldGC(func() { done <- i.makeLarge(making, session, folder, list[at], of) })
	}()
	select {
	case made := <-done:
		return made.picture, made.err
	case <-ctx.Done():
		return nil, page.ErrBusy
	}
}

// makeLarge makes a picture unless something is armed.
func (i *Intake) makeLarge(ctx context.Context, session int64, folder *frames.Folder, frame frames.Frame, of string,
) largePicture {
	made, known := i.larger.find(of)
	if known {
		return made
	}
	made.of = of
	err := unarmed.Do(ctx, i.armed, func(ctx context.Context) error {
		img, turned, err := i.decodeLarge(ctx, session, folder, frame)
		if err == nil {
			made.picture, err = contactsheet.Preview(img, turned, largeSide)
		}
		return err
	})
	switch {
	case errors.Is(err, unarmed.ErrArmed):
		made.err = page.ErrArmed
	case errors.Is(err, context.Canceled):
		made.err = page.ErrBusy
	case errors.Is(err, record.ErrNotFound):
		made.err = err
	case errors.Is(err, fs.ErrNotExist):
		made.err = fmt.Errorf("the file of %s is %w", frame.Name, record.ErrNotFound)
	case err != nil:
		i.o.Log.Info("cannot make a larger picture of a frame", "frame", frame.Name, "err", err)
		made.err = fmt.Errorf("%w: %w", record.ErrNotFound, err)
		i.larger.keep(made)
	default:
		i.larger.keep(made)
	}
	return made
}

// decodeLarge is a frame's picture, and its orientation.
func (i *Intake) decodeLarge(ctx context.Context, session int64, folder *frames.Folder, frame frames.Frame) (
	img frames.Small, turned int, err error,
) {
	i.leaveOut(session) // it may not have been looked at since the start
	if slices.Contains(i.leftOut(session), frame.Name) {
		return img, 0, fmt.Errorf("%w: %w", record.ErrNotFound, errLeftOut(frame.Name))
	}
	end, err := i.opened(session, frame.Name)
	if err != nil {
		return img, 0, err
	}
	defer end()
	read, err := folder.Read(ctx, frame)
	if err != nil {
		return img, 0, err
	}
	img, err = folder.Small(ctx, frame, largeSide)
	return img, read.Orientation, err
}
