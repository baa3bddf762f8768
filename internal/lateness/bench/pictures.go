package bench

import (
	"context"
	"runtime"

	"stillwater/internal/picture"
	"stillwater/internal/practice"
	"stillwater/internal/realtime"
	"stillwater/internal/shot"
)

// renderPictures makes the pictures of the simulated camera one after another until it is stopped, as the page's are
// made between shots: on one thread, with the least share of a processor.
func renderPictures(ctx context.Context) (load, error) {
	frames, err := practice.Frames(shot.DefaultSet(), 1, 0)
	if err != nil {
		return load{}, err
	}
	ctx, stop := context.WithCancel(ctx)
	stopped := make(chan struct{})
	go func() {
		defer close(stopped)
		runtime.LockOSThread() // and never unlocked: the thread ends with the goroutine
		realtime.Yield()
		for i := 0; ctx.Err() == nil; i++ {
			f := frames[i%len(frames)]
			_, _ = picture.Render(ctx, f.Water, f.Light, picture.Options{Width: 480, Height: 320})
		}
	}()
	return load{name: "pictures of the simulated camera, on one thread that yields", stop: func() {
		stop()
		<-stopped
	}}, nil
}
