package contactsheet

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/record"
)

// growing is an evening of which so many shots are made.
type growing struct {
	shots
}

func (g growing) Count(context.Context, int64) (int, error) { return len(g.shots), nil }

// page is what was written, read from another goroutine.
type page struct {
	mu   sync.Mutex
	text bytes.Buffer
}

func (p *page) Write(b []byte) (int, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.text.Write(b)
}

// next is what was written since it was called last.
func (p *page) next() string {
	p.mu.Lock()
	defer p.mu.Unlock()
	text := p.text.String()
	p.text.Reset()
	return text
}

// As files come into a folder, what they are is said once, and what cannot be read too; nothing is kept.
func TestWatch(t *testing.T) {
	source, folder := evening(t)
	in := func(name string) string { return filepath.Join(folder.Path(), name) }
	late, err := os.ReadFile(in("PICT0477.JPG"))
	require.NoError(t, err)
	require.NoError(t, os.Remove(in("PICT0477.JPG")))
	synctest.Test(t, func(t *testing.T) {
		ctx, stop := context.WithCancel(t.Context())
		var said page
		ended := make(chan error, 1)
		go func() {
			ended <- Watch(ctx, growing{source}, record.Summary{Session: record.Session{ID: 4}}, folder,
				Options{Measure: Measure{Look: true}}, &said)
		}()
		synctest.Wait()
		first := said.next()
		assert.Contains(t, first, "Session 4: watching")
		assert.Contains(t, first, "shot 1: PICT0471, certain")
		assert.Contains(t, first, "PICT0999.JPG: its content is not a readable JPEG")
		assert.NotContains(t, first, "shot 8")
		<-time.After(watchEvery * 3)
		synctest.Wait()
		assert.Empty(t, said.next(), "nothing is new")
		require.NoError(t, os.WriteFile(in("PICT0477.JPG"), late, 0o666))
		<-time.After(watchEvery)
		synctest.Wait()
		assert.Regexp(t, `shot 8: PICT0477, certain`, said.next())
		require.NoError(t, os.WriteFile(in("PICT0477 (1).JPG"), late, 0o666))
		<-time.After(watchEvery)
		synctest.Wait()
		assert.Equal(t, "PICT0477 (1): it has the content of PICT0477, and counts once\n", said.next())
		away := folder.Path() + " away"
		require.NoError(t, os.Rename(folder.Path(), away))
		<-time.After(watchEvery * 3)
		synctest.Wait()
		assert.Equal(t, "the folder: it is gone; waiting until it is back\n", said.next(), "once")
		require.NoError(t, os.Rename(away, folder.Path()))
		<-time.After(watchEvery)
		synctest.Wait()
		assert.Equal(t, "the folder: it is back\n", said.next())
		require.NoError(t, os.Remove(in("PICT0471.JPG")))
		<-time.After(watchEvery)
		synctest.Wait()
		stop()
		assert.NoError(t, <-ended)
	})
}

// With a frame to measure against that is not there yet, it waits for it.
func TestWatchWaitsForTheEmptyFrame(t *testing.T) {
	source, folder := evening(t)
	var said page
	v := watcher{sent: map[string]string{}}
	o := Options{FrameStore: newMemory(nil), Measure: Measure{Empty: "PICT0600"}}
	look := func() string {
		require.NoError(t, v.look(t.Context(), growing{source}, record.Summary{}, folder, o, &said))
		return said.next()
	}
	assert.Equal(t, "empty: the frame without liquid, PICT0600, is not there yet\n", look())
	assert.Empty(t, look())
	content, err := os.ReadFile(filepath.Join(folder.Path(), "PICT0478.JPG"))
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(filepath.Join(folder.Path(), "PICT0600.JPG"), content, 0o666))
	assert.Contains(t, look(), "nothing differs from the empty frame")
}

// A file that is being written is read again, though the folder looks the same.
func TestWatchReadsAgain(t *testing.T) {
	source, folder := evening(t)
	var said page
	v := watcher{sent: map[string]string{}}
	o := Options{FrameStore: newMemory(nil)}
	require.NoError(t, v.look(t.Context(), growing{source}, record.Summary{}, folder, o, &said))
	said.next()
	v.changing, v.sent = true, map[string]string{}
	require.NoError(t, v.look(t.Context(), growing{source}, record.Summary{}, folder, o, &said))
	assert.NotEmpty(t, said.next())
}

// What is found while the record cannot be written is known for as long as the program runs, within bounds.
func TestMemory(t *testing.T) {
	m, ctx := newMemory(nil), t.Context()
	big := make([]byte, maxMemory/2+1)
	for _, name := range []string{"a", "b"} {
		require.NoError(t, m.KeepFrame(ctx, record.Frame{Name: name, Picture: big}))
	}
	got, err := m.FramePicture(ctx, 1, "a")
	require.NoError(t, err)
	assert.Len(t, got, len(big))
	_, err = m.FramePicture(ctx, 1, "b")
	assert.ErrorIs(t, err, record.ErrNotFound, "there was no room for it")
	require.NoError(t, m.KeepFrame(ctx, record.Frame{Name: "a"}))
	require.NoError(t, m.KeepFrame(ctx, record.Frame{Name: "b", Picture: big}))
	_, err = m.FramePicture(ctx, 1, "b")
	assert.NoError(t, err)
	all, err := m.Frames(ctx, 1)
	require.NoError(t, err)
	assert.Len(t, all, 2)
	assert.Error(t, m.SetPast(ctx, 1, 2, 3))
}
