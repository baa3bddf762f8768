package page

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/control"
	"stillwater/internal/record"
)

// fakeCamera takes every file but some, by their names.
type fakeCamera struct {
	mu  sync.Mutex
	got []string
}

func (c *fakeCamera) Receive(_ context.Context, session int64, f CameraFile, at int64, part []byte) (
	ReceivedPart, error,
) {
	switch {
	case session == 99:
		return ReceivedPart{}, record.ErrNotFound
	case f.Name == "armed.jpg":
		return ReceivedPart{}, ErrArmed
	case f.Name == "bad.jpg":
		return ReceivedPart{}, &control.Refusal{Field: "file", Why: "bad.jpg is bad.", Remedy: "Choose another."}
	case f.Name == "busy.jpg":
		return ReceivedPart{}, ErrBusy
	case f.Name == "waits.jpg":
		return ReceivedPart{}, errors.Join(ErrBusy, &control.Refusal{Field: "file", Why: "Others are on their way.",
			Remedy: "Choose it again later."})
	case f.Name == "broken.jpg":
		return ReceivedPart{}, errors.New("a secret of the machine")
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	c.got = append(c.got, f.Name+":"+string(part))
	return ReceivedPart{Have: at + int64(len(part)), Key: "key " + f.Key}, nil
}

func (c *fakeCamera) Frames(_ context.Context, session int64) (CameraView, error) {
	return CameraView{Frames: []CameraFrame{}, Problems: []string{}, Open: int(session)}, nil
}

func (c *fakeCamera) Picture(_ context.Context, _ int64, name string) ([]byte, error) {
	if name != "PICT0471" {
		return nil, record.ErrNotFound
	}
	return []byte("picture"), nil
}

func (c *fakeCamera) Large(_ context.Context, _ int64, name string) ([]byte, error) {
	switch name {
	case "armed":
		return nil, ErrArmed
	case "slow":
		return nil, ErrBusy
	}
	return c.Picture(context.Background(), 0, name)
}

func cameraServer(t *testing.T) (c *fakeCamera, web *httptest.Server, phone *http.Cookie) {
	t.Helper()
	c = &fakeCamera{}
	s, err := New(t.Context(), Options{Control: &fakeController{}, Files: testFiles, Camera: c,
		Log: slog.New(slog.DiscardHandler)})
	require.NoError(t, err)
	web = httptest.NewServer(s.Handler())
	t.Cleanup(web.Close)
	return c, web, pairPhone(t, s, web)
}

const onePart = "/camera/4/file?name=PICT0471.JPG&size=9&modified=1764000000123&at=3"

func TestPartsAreReceived(t *testing.T) {
	c, web, phone := cameraServer(t)
	put := func(path, body string, change ...func(*http.Request)) (int, string) {
		usual := []func(*http.Request){header("Origin", web.URL), header("Content-Type", "application/octet-stream")}
		answer, text := ask(t, web, "PUT", path, body, append(usual, change...)...)
		return answer.StatusCode, text
	}
	status, text := put(onePart, "bytes", with(phone))
	assert.Equal(t, http.StatusOK, status, text)
	assert.JSONEq(t, `{"have":8,"key":"key ","gone":false,"waits":false,"refusal":null}`, text)
	assert.Equal(t, []string{"PICT0471.JPG:bytes"}, c.got)
	named := func(name string) string { return strings.Replace(onePart, "PICT0471.JPG", name, 1) }
	_, text = put(named("armed.jpg"), "bytes", with(phone))
	assert.JSONEq(t, `{"have":0,"key":"","gone":false,"waits":true,"refusal":null}`, text)
	_, text = put(named("bad.jpg"), "bytes", with(phone))
	assert.JSONEq(t, `{"have":0,"key":"","gone":false,"waits":false,
		"refusal":{"field":"file","why":"bad.jpg is bad.","remedy":"Choose another."}}`, text)
	type change = func(*http.Request)
	for name, r := range map[string]struct {
		path, body string
		change     []change
		status     int
		says       string
	}{
		"not paired": {onePart, "x", nil,
			http.StatusUnauthorized, "Pair it first"},
		"another page": {onePart, "x", []change{with(phone), header("Origin", "http://elsewhere.example")},
			http.StatusForbidden, "own page"},
		"a form": {onePart, "x", []change{with(phone), header("Content-Type", "text/plain")},
			http.StatusUnsupportedMediaType, "as bytes"},
		"too much": {onePart, strings.Repeat("x", MaxPartBytes+1), []change{with(phone)},
			http.StatusRequestEntityTooLarge, "in parts"},
		"no session": {strings.Replace(onePart, "/4/", "/99/", 1), "x", []change{with(phone)},
			http.StatusNotFound, "It is not in the record"},
		"a size below 0": {strings.Replace(onePart, "size=9", "size=-9", 1), "x", []change{with(phone)},
			http.StatusBadRequest, `"field":"size","why":"\"-9\" cannot be the size of a file's part."`},
		"a size beyond all files": {strings.Replace(onePart, "size=9", "size=1125899906842625", 1), "x",
			[]change{with(phone)}, http.StatusBadRequest,
			`"field":"size","why":"\"1125899906842625\" cannot be the size of a file's part."`},
		"no size": {strings.Replace(onePart, "size=9", "", 1), "x", []change{with(phone)},
			http.StatusBadRequest, "size"},
		"a huge place": {strings.Replace(onePart, "at=3", "at=9999999999999999", 1), "x", []change{with(phone)},
			http.StatusBadRequest, "at"},
		"busy": {named("busy.jpg"), "x", []change{with(phone)}, http.StatusTooManyRequests, "busy with other files"},
		"waits": {named("waits.jpg"), "x", []change{with(phone)}, http.StatusTooManyRequests,
			"Others are on their way."},
		"no check": {onePart + "&check=12", "x", []change{with(phone)}, http.StatusBadRequest, "check"},
		"broken, no words": {named("broken.jpg"), "x", []change{with(phone)},
			http.StatusServiceUnavailable, "log says why"},
	} {
		status, text := put(r.path, r.body, r.change...)
		assert.Equal(t, r.status, status, name)
		assert.Contains(t, text, r.says, name)
		assert.NotContains(t, text, "secret", name)
	}
	assert.Len(t, c.got, 1, "nothing else was taken")
}

// sending is a phone that sends a part over a connection of its own, in fake time.
type sending struct {
	net.Conn
	t *testing.T
}

func (b *bubble) sendPart(token, path string, size int) sending {
	b.t.Helper()
	return b.send(token, path, fmt.Sprintf("Content-Length: %d", size))
}

// sendChunks is sendPart in chunks.
func (b *bubble) sendChunks(token, path string) sending {
	b.t.Helper()
	return b.send(token, path, "Transfer-Encoding: chunked")
}

func (b *bubble) send(token, path, length string) sending {
	b.t.Helper()
	here, there := net.Pipe()
	b.wires.conns <- there
	b.t.Cleanup(func() { here.Close() })
	_, err := fmt.Fprintf(here, "PUT %s HTTP/1.1\r\nHost: 127.0.0.1\r\nOrigin: http://127.0.0.1\r\nCookie: %s=%s\r\n"+
		"Content-Type: application/octet-stream\r\n%s\r\n\r\n", path, cookieName, token, length)
	require.NoError(b.t, err)
	return sending{here, b.t}
}

func (s sending) bytes(n int) {
	s.t.Helper()
	_, err := s.Write(make([]byte, n))
	require.NoError(s.t, err)
}

func (s sending) answer() (status int, text string) {
	s.t.Helper()
	answer, err := http.ReadResponse(bufio.NewReader(s), nil)
	require.NoError(s.t, err)
	defer answer.Body.Close()
	body, err := io.ReadAll(answer.Body)
	require.NoError(s.t, err)
	return answer.StatusCode, string(body)
}

const wholePart = "/camera/4/file?name=PICT0471.JPG&size=600000&modified=0&at=0"

// A phone that sends 8 kB a second gets a whole part through, and what it sent counts as it comes.
func TestSlowPhonesGetThrough(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := &fakeCamera{}
		b := newBubble(t, &fakeController{}, func(o *Options) { o.Camera = c })
		phone := b.sendPart(b.pair(), wholePart, MaxPartBytes)
		for range MaxPartBytes / 8192 {
			time.Sleep(time.Second)
			phone.bytes(8192)
		}
		status, text := phone.answer()
		assert.Equal(t, http.StatusOK, status, text)
		assert.JSONEq(t, fmt.Sprintf(`{"have":%d,"key":%q,"gone":false,"waits":false,"refusal":null}`, MaxPartBytes,
			strings.Repeat("key ", MaxPartBytes/pieceBytes)), text)
		assert.Len(t, c.got, MaxPartBytes/pieceBytes)
	})
}

// A part in chunks whose sizes are none is refused at once, and as what it is.
func TestPartsInBadChunks(t *testing.T) {
	for name, chunk := range map[string]string{"20 digits": strings.Repeat("f", 20) + "\r\n",
		"10,000 digits": strings.Repeat("1", 10_000) + "\r\n", "no end of the line": strings.Repeat("0", 10_000),
		"no number": "many\r\n", "negative": "-1\r\n"} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				b := newBubble(t, &fakeController{}, func(o *Options) { o.Camera = &fakeCamera{} })
				phone, start := b.sendChunks(b.pair(), wholePart), time.Now()
				go phone.Write([]byte(chunk)) // the machine need not read all of it
				status, text := phone.answer()
				assert.Equal(t, http.StatusBadRequest, status)
				assert.Contains(t, text, "did not arrive whole")
				assert.Zero(t, time.Since(start))
			})
		})
	}
}

// A phone that stops sending, or sends for too long, gets an answer that says so; what came counts, and it is no error
// of the record's.
func TestPhonesThatStopSending(t *testing.T) {
	for name, pause := range map[string]time.Duration{"silent": maxPartSilence + time.Second, "endless": 9 * time.Second} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				c, log := &fakeCamera{}, new(bytes.Buffer)
				b := newBubble(t, &fakeController{}, func(o *Options) {
					o.Camera, o.Log = c, slog.New(slog.NewTextHandler(log, nil))
				})
				phone := b.sendPart(b.pair(), wholePart, MaxPartBytes)
				phone.bytes(pieceBytes)
				start, ended := time.Now(), make(chan struct{})
				go func() {
					defer close(ended)
					for {
						time.Sleep(pause)
						if _, err := phone.Write([]byte("x")); err != nil {
							return
						}
					}
				}()
				status, text := phone.answer()
				assert.Equal(t, http.StatusRequestTimeout, status)
				assert.Contains(t, text, "did not arrive in time")
				assert.LessOrEqual(t, time.Since(start), maxPartTime)
				assert.True(t, strings.HasPrefix(c.got[0], "PICT0471.JPG:"), "what came is kept")
				assert.Empty(t, log.String())
				phone.Close()
				<-ended
			})
		})
	}
}

// A beginning that comes too slowly is sent again, in smaller parts: it is no fault of the file's.
func TestBeginningsThatStop(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := &fakeCamera{}
		b := newBubble(t, &fakeController{}, func(o *Options) { o.Camera = c })
		phone := b.sendPart(b.pair(), wholePart, MaxPartBytes)
		phone.bytes(pieceBytes - 1)
		status, text := phone.answer()
		assert.Equal(t, http.StatusRequestTimeout, status)
		assert.Contains(t, text, "in smaller parts")
		assert.Empty(t, c.got)
		phone.Close()
	})
}

// Slow requests keep only their own phone waiting.
func TestSlowPhonesKeepOnlyThemselvesWaiting(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBubble(t, &fakeController{}, func(o *Options) { o.Camera = &fakeCamera{} })
		slow, quick := b.pair(), b.pair()
		var held []sending
		for range maxPartsOfPhone {
			held = append(held, b.sendPart(slow, wholePart, MaxPartBytes))
		}
		synctest.Wait()
		third := b.sendPart(slow, onePart, 0)
		status, text := third.answer()
		assert.Equal(t, http.StatusTooManyRequests, status)
		assert.Contains(t, text, "This phone is sending other files")
		start := time.Now()
		other := b.sendPart(quick, onePart, 0)
		status, _ = other.answer()
		assert.Equal(t, http.StatusOK, status)
		assert.Zero(t, time.Since(start))
		for _, one := range held {
			one.Close()
		}
		synctest.Wait()
		again := b.sendPart(slow, onePart, 0)
		status, _ = again.answer()
		assert.Equal(t, http.StatusOK, status, "as soon as those are gone")
	})
}

// Beyond its rate a phone is refused, in words, and another is not.
func TestPartsAreLimited(t *testing.T) {
	limits := newRequesters(partsPerSecond, partsBurst)
	now := time.Now()
	one, other := limits.limiter("phone 1"), limits.limiter("phone 2")
	assert.True(t, one.AllowN(now, partsBurst))
	assert.False(t, one.AllowN(now, 1))
	assert.True(t, other.AllowN(now, 1))
	assert.LessOrEqual(t, partsPerSecond*MaxPartBytes, 11_000_000, "bytes a second")
}

func TestFramesAreShownToPairedPhones(t *testing.T) {
	_, web, phone := cameraServer(t)
	assert.Equal(t, 7, get[CameraView](t, web, phone, "/camera/7").Open)
	for _, path := range []string{"/camera/7", "/camera/7/picture?name=PICT0471"} {
		got, _ := ask(t, web, "GET", path, "")
		assert.Equal(t, http.StatusUnauthorized, got.StatusCode, path)
	}
	got, body := ask(t, web, "GET", "/camera/7/picture?name=PICT0471", "", with(phone))
	assert.Equal(t, []any{http.StatusOK, "picture"}, []any{got.StatusCode, body})
	assert.Equal(t, "image/jpeg", got.Header.Get("Content-Type"))
	got, _ = ask(t, web, "GET", "/camera/7/picture?name=../x", "", with(phone))
	assert.Equal(t, http.StatusNoContent, got.StatusCode, "the record may have changed since the phone asked")
	for name, want := range map[string]int{"PICT0471": http.StatusOK, "armed": http.StatusAccepted,
		"slow": http.StatusAccepted, "../x": http.StatusNoContent} {
		got, _ = ask(t, web, "GET", "/camera/7/large?name="+name, "", with(phone))
		assert.Equal(t, want, got.StatusCode, name)
	}
	got, _ = ask(t, web, "GET", "/camera/7/large?name=PICT0471", "")
	assert.Equal(t, http.StatusUnauthorized, got.StatusCode)
	got, _ = ask(t, web, "GET", "/camera/x", "", with(phone))
	assert.Equal(t, http.StatusBadRequest, got.StatusCode)
}
