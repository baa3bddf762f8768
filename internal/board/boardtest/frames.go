package boardtest

import (
	"io"
	"testing"

	"stillwater/internal/wire"
)

// Frames is the host's end of a board's link, one frame at a time.
type Frames struct {
	t       testing.TB
	link    io.ReadWriter
	decoder wire.Decoder
	ready   []wire.Frame
}

// NewFrames reads and writes frames at a link.
func NewFrames(t testing.TB, link io.ReadWriter) *Frames { return &Frames{t: t, link: link} }

// Send sends a message as a host does, and fails the test if the link does not take it.
func (f *Frames) Send(m wire.Message) {
	f.t.Helper()
	if _, err := f.link.Write(wire.AppendFrame(nil, m.Frame(1))); err != nil {
		f.t.Fatal(err)
	}
}

// Frame waits for the next frame.
func (f *Frames) Frame() wire.Frame {
	f.t.Helper()
	for b := make([]byte, 256); len(f.ready) == 0; {
		n, err := f.link.Read(b)
		if err != nil {
			f.t.Fatal(err)
		}
		for _, c := range b[:n] {
			if frame, ok := f.decoder.Push(c); ok {
				f.ready = append(f.ready, frame)
			}
		}
	}
	frame := f.ready[0]
	f.ready = f.ready[1:]
	return frame
}

// Next waits for the next message of type M and drops those before it.
func Next[M wire.Message](f *Frames) M {
	f.t.Helper()
	for {
		m, err := wire.Parse(f.Frame())
		if err != nil {
			f.t.Fatal(err)
		}
		if m, ok := m.(M); ok {
			return m
		}
	}
}
