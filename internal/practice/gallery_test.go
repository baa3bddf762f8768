package practice

import (
	"bytes"
	"context"
	"image/jpeg"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/record"
	"stillwater/internal/scene"
	"stillwater/internal/shot"
	"stillwater/internal/unarmed"
)

// evening is a gallery of shots that show nothing but the light, which is quick.
func evening(armed func() bool) (*Gallery, *atomic.Int32) {
	var yields atomic.Int32
	return NewGallery(func(boot uint32, clockAt time.Duration) (scene.Pictured, bool) {
		set := shot.DefaultSet()
		set.Kind = shot.Throw
		return scene.Pictured{Set: set, Opened: true, Exposed: true, Charge: 1,
			Water: scene.Water{Liquid: "water"}}, boot == 7
	}, armed, func() { yields.Add(1) }), &yields
}

func never() bool { return false }

func TestTheGalleryMakesAPictureOnce(t *testing.T) {
	g, made := evening(never)
	first, err := g.Frame(t.Context(), 7, 1, false)
	require.NoError(t, err)
	img, err := jpeg.Decode(bytes.NewReader(first))
	require.NoError(t, err)
	assert.Equal(t, 480, img.Bounds().Dx())
	again, err := g.Frame(t.Context(), 7, 1, false)
	require.NoError(t, err)
	assert.Equal(t, first, again)
	assert.EqualValues(t, 1, made.Load())
	_, err = g.Frame(t.Context(), 7, 1, true)
	require.NoError(t, err)
	assert.EqualValues(t, 2, made.Load(), "a preview is another picture")
}

func TestTheGalleryKeepsNoMoreThanItMay(t *testing.T) {
	g, _ := evening(never)
	for k := range maxKept + 10 {
		g.keep(frameKey{7, time.Duration(k), false}, make([]byte, 1000))
	}
	assert.Len(t, g.kept, maxKept)
	assert.Equal(t, maxKept*1000, g.bytes)
	assert.Nil(t, g.find(frameKey{7, 9, false}))
	assert.NotNil(t, g.find(frameKey{7, 10, false}))
	g.keep(frameKey{8, 0, false}, make([]byte, maxKeptBytes-500))
	assert.Len(t, g.kept, 1)
}

func TestWhatTheGalleryDoesNotKnow(t *testing.T) {
	g, _ := evening(never)
	_, err := g.Frame(t.Context(), 6, 1, false)
	assert.ErrorIs(t, err, record.ErrNotFound)
}

func TestNoPictureIsMadeWhileArmed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		g, made := evening(func() bool { return true })
		ctx, stop := context.WithTimeout(t.Context(), time.Minute)
		defer stop()
		_, err := g.Frame(ctx, 7, 1, false)
		assert.ErrorIs(t, err, ErrArmed)
		assert.Zero(t, made.Load())
	})
}

// However many wait while something is armed, whether it still is is asked fifty times a second.
func TestManyWaitingPicturesTakeNoMoreThanOne(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		const waiting, checks = 40, int(time.Second / unarmed.Check)
		var asked atomic.Int32
		g, made := evening(func() bool { asked.Add(1); return true })
		ctx, stop := context.WithTimeout(t.Context(), time.Second)
		defer stop()
		var all sync.WaitGroup
		for clock := range waiting {
			all.Go(func() {
				_, err := g.Frame(ctx, 7, time.Duration(clock), false)
				assert.ErrorIs(t, err, ErrArmed)
			})
		}
		all.Wait()
		assert.LessOrEqual(t, int(asked.Load()), checks+waiting+1)
		assert.Zero(t, made.Load())
	})
}

// Arming stops a picture that is being made; it is made afterwards.
func TestArmingStopsAPicture(t *testing.T) {
	var armed atomic.Bool
	g, made := evening(armed.Load)
	g.begun = func(ctx context.Context) {
		if made.Load() > 1 {
			return
		}
		armed.Store(true)
		<-ctx.Done()
		armed.Store(false)
	}
	picture, err := g.Frame(t.Context(), 7, 1, false)
	require.NoError(t, err)
	assert.NotEmpty(t, picture)
	assert.EqualValues(t, 2, made.Load())
}

// Whoever waits no longer gets an error; the picture is made all the same, and found by whoever asks again.
func TestASlowPictureIsFinished(t *testing.T) {
	g, made := evening(never)
	ctx, leave := context.WithCancel(t.Context())
	left := make(chan struct{})
	g.begun = func(context.Context) {
		leave()
		<-left
	}
	_, err := g.Frame(ctx, 7, 1, false)
	require.ErrorIs(t, err, ErrUnfinished)
	close(left)
	picture, err := g.Frame(t.Context(), 7, 1, false)
	require.NoError(t, err)
	assert.NotEmpty(t, picture)
	assert.EqualValues(t, 1, made.Load())
}

// Close ends the picture that is being made, though nobody waits for it any longer, and none is made afterwards.
func TestCloseEndsAPicture(t *testing.T) {
	g, made := evening(never)
	ctx, leave := context.WithCancel(t.Context())
	var ended atomic.Bool
	g.begun = func(ctx context.Context) {
		leave()
		<-ctx.Done()
		ended.Store(true)
	}
	_, err := g.Frame(ctx, 7, 1, false)
	require.ErrorIs(t, err, ErrUnfinished)
	g.Close()
	assert.True(t, ended.Load())
	_, err = g.Frame(t.Context(), 7, 1, false)
	require.ErrorIs(t, err, ErrUnfinished)
	assert.EqualValues(t, 1, made.Load())
	g.Close()
}

// Whoever waits for the picture then gets an error.
func TestCloseWhileSomebodyWaits(t *testing.T) {
	g, _ := evening(never)
	begun := make(chan struct{})
	g.begun = func(ctx context.Context) {
		close(begun)
		<-ctx.Done()
	}
	answered := make(chan error, 1)
	go func() {
		_, err := g.Frame(t.Context(), 7, 1, false)
		answered <- err
	}()
	<-begun
	g.Close()
	assert.ErrorIs(t, <-answered, ErrUnfinished)
}

// Nor does one that waits for something to be disarmed hold Close up.
func TestCloseWhileArmed(t *testing.T) {
	var asked atomic.Int32
	waits := make(chan struct{})
	g, _ := evening(func() bool {
		if asked.Add(1) == 2 {
			close(waits)
		}
		return true
	})
	answered := make(chan error, 1)
	go func() {
		_, err := g.Frame(t.Context(), 7, 1, false)
		answered <- err
	}()
	<-waits
	g.Close()
	assert.ErrorIs(t, <-answered, ErrArmed)
}
