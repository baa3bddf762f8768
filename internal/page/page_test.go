package page

import (
	"bufio"
	"compress/gzip"
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
	"testing/fstest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/control"
)

// fakeController is a Controller that the test pulls the strings of.
type fakeController struct {
	do func(ctx context.Context, client string, cmd control.Command) error

	mu    sync.Mutex
	boxes map[chan *control.Snapshot]string
	left  []string
	heard time.Time
}

func (p *fakeController) Join(client string) (<-chan *control.Snapshot, func(time.Time)) {
	box := make(chan *control.Snapshot, 1)
	box <- p.Snapshot()
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.boxes == nil {
		p.boxes = map[chan *control.Snapshot]string{}
	}
	p.boxes[box] = client
	return box, func(heard time.Time) {
		p.mu.Lock()
		defer p.mu.Unlock()
		delete(p.boxes, box)
		p.left, p.heard = append(p.left, client), heard
	}
}

func (p *fakeController) Do(ctx context.Context, client string, cmd control.Command) error {
	if p.do == nil {
		return nil
	}
	return p.do(ctx, client, cmd)
}

func (p *fakeController) Snapshot() *control.Snapshot {
	return &control.Snapshot{State: control.Armed, ShotCount: 7, Board: control.Board{Connected: true}}
}

func (p *fakeController) gone() []string {
	p.mu.Lock()
	defer p.mu.Unlock()
	return append([]string{}, p.left...)
}

var testFiles = fstest.MapFS{
	"index.html": {Data: []byte("<!doctype html><title>t</title>" + strings.Repeat("water ", 200))},
	"js/main.js": {Data: []byte("export {}")},
	"notes.txt":  {Data: []byte("not part of the page")},
}

func newServer(t *testing.T, p *fakeController) (*Server, *httptest.Server) {
	t.Helper()
	return keptServer(t, p, nil)
}

// keptServer is a server whose phones are on record.
func keptServer(t *testing.T, p *fakeController, kept Phones) (*Server, *httptest.Server) {
	t.Helper()
	s, err := New(t.Context(), Options{
		Control: p, Files: testFiles, Names: []string{"studio", "studio.local"}, Version: "test",
		Log: slog.New(slog.DiscardHandler), Phones: kept,
	})
	require.NoError(t, err)
	web := httptest.NewServer(s.Handler())
	t.Cleanup(func() {
		s.sockets.close()
		web.Close()
	})
	return s, web
}

// ask makes a request as the page itself would and returns the answer with its body.
func ask(
	t *testing.T, web *httptest.Server, method, path, body string, change ...func(*http.Request),
) (*http.Response, string) {
	t.Helper()
	r, err := http.NewRequestWithContext(t.Context(), method, web.URL+path, strings.NewReader(body))
	require.NoError(t, err)
	if method == http.MethodPost {
		r.Header.Set("Origin", web.URL)
		r.Header.Set("Content-Type", "application/json")
	}
	for _, c := range change {
		c(r)
	}
	answer, err := http.DefaultTransport.RoundTrip(r)
	require.NoError(t, err)
	defer answer.Body.Close()
	data, err := io.ReadAll(answer.Body)
	require.NoError(t, err)
	return answer, string(data)
}

func codeBody(code string) string { return `{"code":"` + code + `"}` }

// pairPhone pairs and returns the cookie.
func pairPhone(t *testing.T, s *Server, web *httptest.Server) *http.Cookie {
	t.Helper()
	answer, body := ask(t, web, "POST", "/pair", codeBody(s.Code()))
	require.Equal(t, http.StatusNoContent, answer.StatusCode, body)
	require.Len(t, answer.Cookies(), 1)
	return answer.Cookies()[0]
}

func with(cookie *http.Cookie) func(*http.Request) {
	return func(r *http.Request) { r.AddCookie(cookie) }
}

func header(name, value string) func(*http.Request) {
	return func(r *http.Request) { r.Header.Set(name, value) }
}

func TestFilesAndNothingElseAreServed(t *testing.T) {
	_, web := newServer(t, &fakeController{})
	for path, want := range map[string]int{
		"/": 200, "/index.html": 200, "/js/main.js": 200, "/js/": 404, "/js": 404, "/notes.txt": 404, "/nothing": 404,
		"/..%2findex.html": 404, "/js/..%2f..%2fetc%2fpasswd": 404, "/ws": 403,
	} {
		answer, _ := ask(t, web, "GET", path, "")
		assert.Equal(t, want, answer.StatusCode, path)
	}
	answer, body := ask(t, web, "GET", "/js/main.js", "")
	assert.Equal(t, "text/javascript; charset=utf-8", answer.Header.Get("Content-Type"))
	assert.Equal(t, "export {}", body)
	answer, _ = ask(t, web, "POST", "/", "")
	assert.Equal(t, http.StatusMethodNotAllowed, answer.StatusCode)
	answer, body = ask(t, web, "HEAD", "/", "")
	assert.Equal(t, 200, answer.StatusCode)
	assert.Empty(t, body)
}

func TestFilesAreZippedAndNotSentTwice(t *testing.T) {
	_, web := newServer(t, &fakeController{})
	answer, body := ask(t, web, "GET", "/", "", header("Accept-Encoding", "gzip"))
	require.Equal(t, "gzip", answer.Header.Get("Content-Encoding"))
	in, err := gzip.NewReader(strings.NewReader(body))
	require.NoError(t, err)
	plain, err := io.ReadAll(in)
	require.NoError(t, err)
	assert.Equal(t, testFiles["index.html"].Data, plain)
	answer, body = ask(t, web, "GET", "/", "", header("If-None-Match", answer.Header.Get("ETag")))
	assert.Equal(t, http.StatusNotModified, answer.StatusCode)
	assert.Empty(t, body)
}

func TestNoIndexIsAnError(t *testing.T) {
	_, err := New(t.Context(), Options{Control: &fakeController{}, Files: fstest.MapFS{}})
	assert.ErrorContains(t, err, "index.html")
}

func TestEveryAnswerHasTheSecurityHeaders(t *testing.T) {
	_, web := newServer(t, &fakeController{})
	for _, path := range []string{"/", "/paired", "/ws", "/nothing", "/metrics"} {
		answer, _ := ask(t, web, "GET", path, "")
		require.Len(t, answer.Header.Values("Content-Security-Policy"), 1, path)
		rules := map[string]string{}
		for rule := range strings.SplitSeq(answer.Header.Get("Content-Security-Policy"), "; ") {
			name, allows, _ := strings.Cut(rule, " ")
			assert.NotContains(t, rules, name, "the second of a name counts for nothing")
			rules[name] = allows
		}
		assert.Equal(t, map[string]string{"default-src": "'none'", "script-src": "'self'", "style-src": "'self'",
			"img-src": "'self'", "connect-src": "'self'", "manifest-src": "'self'", "base-uri": "'none'",
			"form-action": "'none'", "frame-ancestors": "'none'"}, rules, path)
		assert.Equal(t, "nosniff", answer.Header.Get("X-Content-Type-Options"), path)
		assert.Equal(t, "no-referrer", answer.Header.Get("Referrer-Policy"), path)
		assert.NotEmpty(t, answer.Header.Get("Permissions-Policy"), path)
		assert.NotEmpty(t, answer.Header.Get("Cache-Control"), path)
	}
}

// A script's answer is no larger than it must be, and is still taken for nothing else.
func TestAScriptNeedsNoPolicyOfItsOwn(t *testing.T) {
	_, web := newServer(t, &fakeController{})
	answer, _ := ask(t, web, "GET", "/js/main.js", "")
	require.Equal(t, http.StatusOK, answer.StatusCode)
	for _, name := range documentHeaders {
		assert.Empty(t, answer.Header.Values(name), name)
	}
	assert.Equal(t, "nosniff", answer.Header.Get("X-Content-Type-Options"))
	assert.Equal(t, "same-origin", answer.Header.Get("Cross-Origin-Resource-Policy"))
}

func TestMetricsAreForThisMachineAndPairedPhones(t *testing.T) {
	s, _ := newServer(t, &fakeController{})
	get := func(from string, cookie *http.Cookie) *httptest.ResponseRecorder {
		r := httptest.NewRequest("GET", "http://127.0.0.1/metrics", nil)
		r.RemoteAddr = from
		if cookie != nil {
			r.AddCookie(cookie)
		}
		w := httptest.NewRecorder()
		s.Handler().ServeHTTP(w, r)
		return w
	}
	assert.Equal(t, http.StatusForbidden, get("192.168.1.9:1", nil).Code)
	token, err := s.pairing.pair(t.Context(), s.Code())
	require.NoError(t, err)
	assert.Equal(t, 200, get("192.168.1.9:1", &http.Cookie{Name: cookieName, Value: token}).Code)
	for _, from := range []string{"127.0.0.1:1", "[::1]:1"} {
		w := get(from, nil)
		require.Equal(t, 200, w.Code)
		for _, line := range []string{"stillwater_shots_in_session 7\n", "stillwater_state{state=\"armed\"} 1\n",
			"stillwater_state{state=\"safe\"} 0\n", "stillwater_phones_paired 1\n", "stillwater_board_connected 1\n"} {
			assert.Contains(t, w.Body.String(), line)
		}
	}
}

// anyState is a control in one state.
type anyState struct {
	*fakeController
	state control.State
}

func (a anyState) Snapshot() *control.Snapshot { return &control.Snapshot{State: a.state} }

func TestMetricsHaveOneStateAtATime(t *testing.T) {
	for _, state := range control.States() {
		s, err := New(t.Context(), Options{Control: anyState{&fakeController{}, state}, Files: testFiles})
		require.NoError(t, err)
		r := httptest.NewRequest("GET", "http://127.0.0.1/metrics", nil)
		r.RemoteAddr = "127.0.0.1:1"
		w := httptest.NewRecorder()
		s.Handler().ServeHTTP(w, r)
		assert.Contains(t, w.Body.String(), fmt.Sprintf("stillwater_state{state=%q} 1\n", state))
		assert.Equal(t, 1, strings.Count(w.Body.String(), "} 1\n")-1, "besides stillwater_info: one state")
	}
}

func TestServeStopsWithItsContext(t *testing.T) {
	p := &fakeController{}
	s, err := New(t.Context(), Options{Control: p, Files: testFiles, Log: slog.New(slog.DiscardHandler)})
	require.NoError(t, err)
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(t.Context())
	served := make(chan error, 1)
	go func() { served <- s.Serve(ctx, listener) }()
	web := &httptest.Server{URL: "http://" + listener.Addr().String()}
	phone := dial(t, web, pairPhone(t, s, web))
	phone.snapshot()
	raw, err := net.Dial("tcp", listener.Addr().String())
	require.NoError(t, err)
	fmt.Fprint(raw, "OPTIONS * HTTP/1.1\r\nHost: elsewhere.example\r\n\r\n")
	answer, err := http.ReadResponse(bufio.NewReader(raw), nil)
	require.NoError(t, err)
	assert.Equal(t, http.StatusMisdirectedRequest, answer.StatusCode, "nothing is answered before guard")
	raw.Close()
	cancel()
	require.NoError(t, <-served)
	assert.Equal(t, 1001, phone.closeCode())
	assert.Equal(t, []string{"phone 1"}, p.gone())
	_, err = net.Dial("tcp", listener.Addr().String())
	assert.Error(t, err)
}

func TestServeSaysWhyItCannot(t *testing.T) {
	s, err := New(t.Context(), Options{Control: &fakeController{}, Files: testFiles})
	require.NoError(t, err)
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	listener.Close()
	err = s.Serve(t.Context(), listener)
	assert.ErrorContains(t, err, listener.Addr().String())
	assert.True(t, errors.Is(err, net.ErrClosed))
}
