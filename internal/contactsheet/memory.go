package contactsheet

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"stillwater/internal/record"
)

// memory keeps what is found for as long as the program runs, over what another store has, which is only read: for a
// journal that another process writes. Without one below it is all there is.
type memory struct {
	FrameStore
	frames   map[string]record.Frame
	pictures map[string][]byte
	bytes    int
}

// maxMemory is how much of pictures is kept; what is beyond is looked at again. Some 1000 pictures.
const maxMemory = 64 << 20

func newMemory(under FrameStore) *memory {
	return &memory{FrameStore: under, frames: map[string]record.Frame{}, pictures: map[string][]byte{}}
}

func (m *memory) Frames(ctx context.Context, session int64) ([]record.Frame, error) {
	var all []record.Frame
	var err error
	if m.FrameStore != nil {
		all, err = m.FrameStore.Frames(ctx, session)
	}
	all = slices.DeleteFunc(all, func(f record.Frame) bool { _, newer := m.frames[f.Name]; return newer })
	for _, f := range m.frames {
		all = append(all, f)
	}
	return all, err
}

func (m *memory) FramePicture(ctx context.Context, session int64, name string) ([]byte, error) {
	if picture := m.pictures[name]; picture != nil {
		return picture, nil
	}
	if _, newer := m.frames[name]; newer || m.FrameStore == nil {
		return nil, fmt.Errorf("the picture of %s: %w", name, record.ErrNotFound)
	}
	return m.FrameStore.FramePicture(ctx, session, name)
}

func (m *memory) KeepFrame(_ context.Context, f record.Frame) error {
	m.bytes -= len(m.pictures[f.Name])
	delete(m.pictures, f.Name)
	if m.bytes+len(f.Picture) <= maxMemory {
		m.pictures[f.Name] = f.Picture
		m.bytes += len(f.Picture)
	}
	f.Picture = nil
	m.frames[f.Name] = f
	return nil
}

func (m *memory) KeepMatches(_ context.Context, _ int64, frames []record.Frame, _ bool) error {
	for _, f := range frames {
		if _, known := m.frames[f.Name]; known {
			m.frames[f.Name] = f
		}
	}
	return nil
}

func (m *memory) SetPast(context.Context, int64, int64, int64) error {
	return errors.New("the record cannot be written now (see above), so nothing was recorded: run this again when it can")
}
