package practice

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"image/jpeg"
	"runtime"
	"sync"
	"time"

	"stillwater/internal/background"
	"stillwater/internal/picture"
	"stillwater/internal/record"
	"stillwater/internal/scene"
	"stillwater/internal/unarmed"
)

// ErrArmed means that no picture was made, so that nothing takes the processor while a board is armed.
var ErrArmed = errors.New("something is armed: the picture is made afterwards")

// ErrUnfinished means that the machine is slow or busy: the picture is still being made, and kept when it is there. It
// also means that the gallery is closed.
var ErrUnfinished = errors.New("the picture is still being made: ask again in a moment")

// Pictures of the page, and how many are kept.
const (
	pageWidth, pageHeight = 480, 320
	pageQuality           = 88 // of the JPEG
	maxKept               = 64
	maxKeptBytes          = 6 << 20
	maxMaking             = time.Minute // of one picture; on a slow machine that is busy
)

// Gallery makes the pictures of practice shots when somebody looks at them, one at a time, and keeps the latest. It is
// safe for concurrent use.
type Gallery struct {
	pictured func(boot uint32, clockAt time.Duration) (scene.Pictured, bool)
	armed    func() bool
	yield    func()                // makes the thread that calls it yield to all others
	begun    func(context.Context) // for tests: a picture is begun
	turn     chan struct{}
	making   sync.WaitGroup

	mu     sync.Mutex
	kept   map[frameKey][]byte
	order  []frameKey // oldest first
	bytes  int
	stop   func() // ends the picture that is being made
	closed bool
}

type frameKey struct {
	boot    uint32
	clockAt time.Duration
	preview bool
}

// NewGallery shows what pictured knows of, never while armed says so. yield is called on a thread of its own before it
// renders; nil does nothing.
func NewGallery(pictured func(boot uint32, clockAt time.Duration) (scene.Pictured, bool), armed func() bool,
	yield func()) *Gallery {
	return &Gallery{pictured: pictured, armed: armed, yield: yield, turn: make(chan struct{}, 1),
		kept: map[frameKey][]byte{}}
}

// Frame is the picture of a shot as a JPEG, as the camera's sensor had it; or, sooner, a coarse preview of it. While
// something is armed it waits.
//
// Errors: record.ErrNotFound if nothing is known of it; ErrArmed or ErrUnfinished if that lasted until the context's
// end.
func (g *Gallery) Frame(ctx context.Context, boot uint32, clockAt time.Duration, preview bool) ([]byte, error) {
	key := frameKey{boot, clockAt, preview}
	if made := g.find(key); made != nil {
		return made, nil
	}
	p, ok := g.pictured(boot, clockAt)
	if !ok {
		return nil, fmt.Errorf("the picture of the shot at %v: %w", clockAt, record.ErrNotFound)
	}
	select { // one at a time waits until nothing is armed, and the others for it
	case g.turn <- struct{}{}:
	case <-ctx.Done():
		return nil, g.unfinished()
	}
	making, ok := g.begin(ctx)
	if !ok {
		<-g.turn
		return nil, ErrUnfinished
	}
	done := make(chan result, 1)
	go func() { // it goes on when nobody waits any longer: whoever asks again finds it
		defer g.making.Done()
		defer func() { <-g.turn }()
		done <- g.makeWhenSafe(ctx, making, key, p)
	}()
	select {
	case r := <-done:
		return r.jpeg, r.err
	case <-ctx.Done():
		return nil, g.unfinished()
	}
}

// begin returns the context of a picture about to be made, which outlives that of whoever asks for it; false: the
// gallery is closed. The caller has the turn, and calls making.Done.
func (g *Gallery) begin(asked context.Context) (context.Context, bool) {
	g.mu.Lock()
	defer g.mu.Unlock()
	if g.closed {
		return nil, false
	}
	ctx, stop := context.WithCancel(context.WithoutCancel(asked))
	g.stop = stop
	g.making.Add(1)
	return ctx, true
}

// Close ends the picture that is being made, and waits for its end. No picture is made after it.
func (g *Gallery) Close() {
	g.mu.Lock()
	g.closed = true
	if g.stop != nil {
		g.stop()
	}
	g.mu.Unlock()
	g.making.Wait()
}

// unfinished is why there is no picture yet.
func (g *Gallery) unfinished() error {
	if g.armed() {
		return ErrArmed
	}
	return ErrUnfinished
}

type result struct {
	jpeg []byte
	err  error
}

// makeWhenSafe makes a picture, or finds it made meanwhile. While something is armed it waits for as long as somebody
// asks for it.
func (g *Gallery) makeWhenSafe(asked, making context.Context, key frameKey, p scene.Pictured) result {
	for {
		if made := g.find(key); made != nil {
			return result{jpeg: made}
		}
		made, err := g.make(making, p, uint64(key.clockAt), key.preview)
		if err == nil {
			g.keep(key, made)
		}
		switch {
		case errors.Is(err, context.Canceled): // by Close
			return result{err: ErrUnfinished}
		case !errors.Is(err, ErrArmed):
			return result{made, err}
		}
		select {
		case <-time.After(unarmed.Check):
		case <-asked.Done():
			return result{err: ErrArmed}
		case <-making.Done():
			return result{err: ErrArmed}
		}
	}
}

// make renders unless something is armed, and stops when something is.
func (g *Gallery) make(ctx context.Context, p scene.Pictured, seed uint64, preview bool) (made []byte, err error) {
	ctx, cancel := context.WithTimeout(ctx, maxMaking)
	defer cancel()
	err = unarmed.Do(ctx, g.armed, func(ctx context.Context) (err error) {
		done := make(chan struct{})
		go func() {
			defer close(done)
			runtime.LockOSThread() // and never unlocked: the thread ends with the goroutine, and its priority with it
			if g.yield != nil {
				g.yield()
			}
			if g.begun != nil {
				g.begun(ctx)
			}
			background.HoldGC(func() { made, err = encoded(ctx, p, seed, preview) })
		}()
		<-done
		return err
	})
	if errors.Is(err, unarmed.ErrArmed) {
		err = ErrArmed
	}
	return made, err
}

func encoded(ctx context.Context, p scene.Pictured, seed uint64, preview bool) ([]byte, error) {
	o := picture.Options{Width: pageWidth, Height: pageHeight, Seed: seed}
	if preview {
		o.Quality = picture.Preview
	}
	img, err := picture.Render(ctx, p.Water, LightOf(p), o)
	if err != nil {
		return nil, err
	}
	var out bytes.Buffer
	err = jpeg.Encode(&out, img, &jpeg.Options{Quality: pageQuality})
	return out.Bytes(), err
}

func (g *Gallery) find(key frameKey) []byte {
	g.mu.Lock()
	defer g.mu.Unlock()
	return g.kept[key]
}

// keep adds a picture; the oldest make room.
func (g *Gallery) keep(key frameKey, made []byte) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.kept[key], g.order, g.bytes = made, append(g.order, key), g.bytes+len(made)
	for len(g.order) > maxKept || g.bytes > maxKeptBytes {
		g.bytes -= len(g.kept[g.order[0]])
		delete(g.kept, g.order[0])
		g.order = g.order[1:]
	}
}
