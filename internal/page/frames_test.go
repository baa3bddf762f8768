package page

import (
	"context"
	"errors"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/practice"
	"stillwater/internal/record"
)

// madeFrames answers by the time of the shot.
type madeFrames map[time.Duration]error

func (m madeFrames) Frame(_ context.Context, boot uint32, clockAt time.Duration, preview bool) ([]byte, error) {
	if err, is := m[clockAt]; is {
		return nil, err
	}
	if preview {
		return []byte("preview"), nil
	}
	return []byte("picture"), nil
}

func TestFramesAreForPairedPhones(t *testing.T) {
	s, err := New(t.Context(), Options{Control: &fakeController{}, Files: testFiles, Log: slog.New(slog.DiscardHandler),
		Frames: madeFrames{404: record.ErrNotFound, 405: practice.ErrArmed, 406: practice.ErrUnfinished,
			503: errors.New("broken")}})
	require.NoError(t, err)
	web := httptest.NewServer(s.Handler())
	t.Cleanup(web.Close)
	got, _ := ask(t, web, "GET", "/frames/7/1", "")
	assert.Equal(t, http.StatusUnauthorized, got.StatusCode)

	phone := pairPhone(t, s, web)
	got, body := ask(t, web, "GET", "/frames/7/1", "", with(phone))
	assert.Equal(t, http.StatusOK, got.StatusCode)
	assert.Equal(t, "picture", body)
	assert.Equal(t, "image/jpeg", got.Header.Get("Content-Type"))
	assert.Contains(t, got.Header.Get("Cache-Control"), "private")
	assert.Equal(t, "nosniff", got.Header.Get("X-Content-Type-Options"))
	_, body = ask(t, web, "GET", "/frames/7/1?preview", "", with(phone))
	assert.Equal(t, "preview", body)
	got, _ = ask(t, web, "GET", "/frames/7/1", "", with(phone),
		func(r *http.Request) { r.Header.Set("Origin", "http://elsewhere") })
	assert.Equal(t, http.StatusForbidden, got.StatusCode)

	for path, want := range map[string]int{"/frames/7/404": 204, "/frames/7/405": 202,
		"/frames/7/406": 202, "/frames/7/503": 503,
		"/frames/x/1": 404, "/frames/7/1e3": 404, "/frames/4294967296/1": 404, "/frames/7/99999999999999999999": 404} {
		got, _ := ask(t, web, "GET", path, "", with(phone))
		assert.Equal(t, want, got.StatusCode, path)
		assert.Equal(t, "no-store", got.Header.Get("Cache-Control"), path)
	}
}

func TestARealRoomHasNoFrames(t *testing.T) {
	s, err := New(t.Context(), Options{Control: &fakeController{}, Files: testFiles, Log: slog.New(slog.DiscardHandler)})
	require.NoError(t, err)
	web := httptest.NewServer(s.Handler())
	t.Cleanup(web.Close)
	got, _ := ask(t, web, "GET", "/frames/7/1", "", with(pairPhone(t, s, web)))
	assert.Equal(t, http.StatusNotFound, got.StatusCode)
}
