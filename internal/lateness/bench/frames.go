package bench

import (
	"cmp"
	"context"
	"errors"
	"image"
	"image/jpeg"
	"os"
	"path/filepath"
	"runtime"

	"stillwater/internal/frames"
	"stillwater/internal/look"
	"stillwater/internal/realtime"
)

// lookAtFrames reads a frame of 24 megapixels again and again until it is stopped, and looks at its picture, as the
// camera's frames are: on one thread, with the least share of a processor.
func (o *Options) lookAtFrames(ctx context.Context) (load, error) {
	dir, err := os.MkdirTemp("", "stillwater-lateness-")
	if err != nil {
		return load{}, err
	}
	folder, frame, err := largeFrame(ctx, dir, cmp.Or(o.frame, image.Pt(6000, 4000)))
	if err != nil {
		return load{}, errors.Join(err, os.RemoveAll(dir))
	}
	ctx, stop := context.WithCancel(ctx)
	stopped := make(chan struct{})
	go func() {
		defer close(stopped)
		runtime.LockOSThread() // and never unlocked: the thread ends with the goroutine
		realtime.Yield()
		for ctx.Err() == nil {
			if picture, err := folder.Small(ctx, frame, looked); err == nil {
				light := look.NewImage(picture, looked)
				look.TonesOf(&light)
			}
		}
	}()
	return load{name: "a camera's frames of 24 megapixels, looked at on one thread that yields", stop: func() {
		stop()
		<-stopped
		folder.Close()
		os.RemoveAll(dir)
	}}, nil
}

// looked is the longer side of what is looked at, pixels.
const looked = 480

// largeFrame is the frame in a folder, which is made: a grey picture with an even grain.
func largeFrame(ctx context.Context, dir string, size image.Point) (*frames.Folder, frames.Frame, error) {
	picture := image.NewGray(image.Rectangle{Max: size})
	for i := range picture.Pix {
		picture.Pix[i] = 100 + uint8(i*7919>>5)%32
	}
	file, err := os.Create(filepath.Join(dir, "PICT0001.JPG"))
	if err != nil {
		return nil, frames.Frame{}, err
	}
	err = errors.Join(jpeg.Encode(file, picture, nil), file.Close())
	if err != nil {
		return nil, frames.Frame{}, err
	}
	folder, err := frames.Open(dir)
	if err != nil {
		return nil, frames.Frame{}, err
	}
	list, _, err := folder.List(ctx)
	if err == nil && len(list) != 1 {
		err = errors.New("the frame that was made is not there")
	}
	if err != nil {
		return nil, frames.Frame{}, errors.Join(err, folder.Close())
	}
	return folder, list[0], nil
}
