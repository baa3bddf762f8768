package page

import (
	"bytes"
	"compress/gzip"
	"context"
	"encoding/json"
	"errors"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"testing/fstest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/control"
	"stillwater/internal/journal"
)

// puppet is a Controller that the test pulls the strings of.
type puppet struct {
	do func(ctx context.Context, client string, cmd control.Command) error

	mu    sync.Mutex
	boxes map[chan *control.Snapshot]string
	left  []string
	heard time.Time
}

func (p *puppet) Join(client string) (<-chan *control.Snapshot, func(time.Time)) {
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

func (p *puppet) Do(ctx context.Context, client string, cmd control.Command) error {
	if p.do == nil {
		return nil
	}
	return p.do(ctx, client, cmd)
}

func (p *puppet) Snapshot() *control.Snapshot {
	return &control.Snapshot{State: control.Armed, ShotCount: 7, Board: control.Board{Connected: true}}
}

func (p *puppet) gone() []string {
	p.mu.Lock()
	defer p.mu.Unlock()
	return append([]string{}, p.left...)
}

var testFiles = fstest.MapFS{
	"index.html": {Data: []byte("<!doctype html><title>t</title>" + strings.Repeat("water ", 200))},
	"js/main.js": {Data: []byte("export {}")},
	"notes.txt":  {Data: []byte("not part of the page")},
}

func newServer(t *testing.T, p *puppet) (*Server, *httptest.Server) {
	t.Helper()
	s, err := New(t.Context(), Options{
		Control: p, Files: testFiles, Names: []string{"studio"}, Version: "test", Log: slog.New(slog.DiscardHandler),
	})
	require.NoError(t, err)
	web := httptest.NewServer(s.Handler())
	t.Cleanup(func() {
		s.closeSockets()
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
	_, web := newServer(t, &puppet{})
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
	_, web := newServer(t, &puppet{})
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
	_, err := New(t.Context(), Options{Control: &puppet{}, Files: fstest.MapFS{}})
	assert.ErrorContains(t, err, "index.html")
}

func TestEveryAnswerHasTheSecurityHeaders(t *testing.T) {
	_, web := newServer(t, &puppet{})
	for _, path := range []string{"/", "/session", "/ws", "/nothing", "/metrics"} {
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

func TestForeignHostNamesAreRefused(t *testing.T) {
	_, web := newServer(t, &puppet{})
	for host, allowed := range map[string]bool{
		"127.0.0.1:8737": true, "192.168.1.20": true, "[fe80::1]:8737": true, "[::1]": true, "localhost:8737": true,
		"LOCALHOST": true, "studio": true, "Studio:8737": true, "studio.local": true, "studio.local.:8737": true,
		"evil.example": false, "127.0.0.1.evil.example": false, "local": false, ".local": false,
		"studio.evil.example": false, "studio.local.evil.example:8737": false,
	} {
		answer, _ := ask(t, web, "GET", "/", "", func(r *http.Request) { r.Host = host })
		assert.Equal(t, allowed, answer.StatusCode == 200, "%s: %d", host, answer.StatusCode)
	}
}

func TestPairing(t *testing.T) {
	s, web := newServer(t, &puppet{})
	assert.Regexp(t, `^[0-9]{6}$`, s.Code())
	answer, _ := ask(t, web, "GET", "/session", "")
	assert.Equal(t, http.StatusUnauthorized, answer.StatusCode)

	cookie := pairPhone(t, s, web)
	assert.Equal(t, "stillwater", cookie.Name)
	assert.True(t, cookie.HttpOnly)
	assert.Equal(t, http.SameSiteStrictMode, cookie.SameSite)
	assert.Equal(t, "/", cookie.Path)
	assert.GreaterOrEqual(t, len(cookie.Value), 43, "256 bits in base64")
	answer, _ = ask(t, web, "GET", "/session", "", with(cookie))
	assert.Equal(t, http.StatusNoContent, answer.StatusCode)

	again, _ := ask(t, web, "POST", "/pair", codeBody(s.Code()), with(cookie))
	assert.Equal(t, http.StatusNoContent, again.StatusCode)
	assert.Empty(t, again.Cookies(), "a paired phone stays who it is")
	other := pairPhone(t, s, web)
	assert.NotEqual(t, cookie.Value, other.Value)

	forged := *cookie
	forged.Value = cookie.Value[:42] + "~"
	answer, _ = ask(t, web, "GET", "/session", "", with(&forged))
	assert.Equal(t, http.StatusUnauthorized, answer.StatusCode)
}

func TestCodesAreFresh(t *testing.T) {
	seen := map[string]bool{}
	for range 50 {
		seen[newCode()] = true
	}
	assert.Greater(t, len(seen), 45)
}

func TestMalformedPairingIsRefused(t *testing.T) {
	s, web := newServer(t, &puppet{})
	good := codeBody(s.Code())
	for name, c := range map[string]struct {
		body   string
		change func(*http.Request)
		want   int
	}{
		"not JSON":      {"code=123456", nil, 400},
		"unknown field": {`{"code":"` + s.Code() + `","x":1}`, nil, 400},
		"trailing":      {good + good, nil, 400},
		"number":        {`{"code":123456}`, nil, 400},
		"long":          {codeBody(s.Code() + strings.Repeat(" ", 300)), nil, 400},
		"form":          {good, header("Content-Type", "application/x-www-form-urlencoded"), 415},
		"plain":         {good, header("Content-Type", "text/plain"), 415},
		"no origin":     {good, func(r *http.Request) { r.Header.Del("Origin") }, 403},
		"other origin":  {good, header("Origin", "http://evil.example"), 403},
		"other port":    {good, header("Origin", "http://127.0.0.1:1"), 403},
		"null origin":   {good, header("Origin", "null"), 403},
	} {
		t.Run(name, func(t *testing.T) {
			change := c.change
			if change == nil {
				change = func(*http.Request) {}
			}
			answer, body := ask(t, web, "POST", "/pair", c.body, change)
			assert.Equal(t, c.want, answer.StatusCode)
			assert.Empty(t, answer.Cookies())
			var r control.Refusal
			require.NoError(t, json.Unmarshal([]byte(body), &r))
			assert.NotEmpty(t, r.Why)
			assert.NotEmpty(t, r.Remedy)
		})
	}
}

func wrong(code string) string {
	if code == "000000" {
		return "000001"
	}
	return "000000"
}

func TestEveryDigitOfTheCodeCounts(t *testing.T) {
	from := remoteAddr(&http.Request{RemoteAddr: "10.0.0.1:1"})
	near := []string{"", "1", "12345", "1234567", " 123456", "123456 ", "123456\x00", "654321"}
	for i := range 6 {
		near = append(near, "123456"[:i]+"0"+"123456"[i+1:])
	}
	for _, code := range near {
		p := unkept(t)
		p.code = "123456"
		token, wait, err := p.pair(t.Context(), code, from)
		require.NoError(t, err)
		assert.Zero(t, wait)
		assert.Empty(t, token, "%q", code)
		token, _, err = p.pair(t.Context(), "123456", from)
		require.NoError(t, err)
		assert.NotEmpty(t, token)
	}
}

func TestGuessingIsSlowedDown(t *testing.T) {
	s, web := newServer(t, &puppet{})
	now := time.Unix(1_800_000_000, 0)
	s.pairing.now = func() time.Time { return now }
	try := func(code string) *http.Response {
		answer, _ := ask(t, web, "POST", "/pair", codeBody(code))
		return answer
	}
	for range freeTries {
		require.Equal(t, http.StatusForbidden, try(wrong(s.Code())).StatusCode)
	}
	answer := try(s.Code())
	assert.Equal(t, http.StatusTooManyRequests, answer.StatusCode, "also the right code has to wait")
	assert.Equal(t, "1", answer.Header.Get("Retry-After"))
	assert.Empty(t, answer.Cookies())
	now = now.Add(time.Second)
	assert.Equal(t, http.StatusForbidden, try(wrong(s.Code())).StatusCode)
	assert.Equal(t, "2", try(wrong(s.Code())).Header.Get("Retry-After"), "the wait grows")
	now = now.Add(2 * time.Second)
	assert.Equal(t, http.StatusNoContent, try(s.Code()).StatusCode)
}

func TestGuessingFromManyAddressesIsSlowedDown(t *testing.T) {
	p := unkept(t)
	now := time.Unix(1_800_000_000, 0)
	p.now = func() time.Time { return now }
	r, err := http.NewRequest("GET", "/", nil)
	require.NoError(t, err)
	guesses := 0
	for end := now.Add(24 * time.Hour); now.Before(end); now = now.Add(100 * time.Millisecond) {
		r.RemoteAddr = net.JoinHostPort(net.IPv4(10, byte(guesses>>16), byte(guesses>>8), byte(guesses)).String(), "1")
		if _, wait, _ := p.pair(t.Context(), wrong(p.code), remoteAddr(r)); wait == 0 {
			guesses++
		}
	}
	assert.Less(t, guesses, 3000, "a day of guessing from any number of addresses finds one code in 300 such days")
	assert.LessOrEqual(t, len(p.byAddr), mostAddrs)
	assert.LessOrEqual(t, p.all.until.Sub(now), waitMostAll, "the owner is not kept out for long")
}

func TestOneNeighbourIsOneAddress(t *testing.T) {
	p := unkept(t)
	r, err := http.NewRequest("GET", "/", nil)
	require.NoError(t, err)
	for i := range 4 {
		r.RemoteAddr = net.JoinHostPort("2001:db8::"+string(rune('1'+i)), "1")
		p.pair(t.Context(), wrong(p.code), remoteAddr(r))
	}
	for _, a := range []string{"[::ffff:10.0.0.1]:1", "10.0.0.1:2"} {
		r.RemoteAddr = a
		p.pair(t.Context(), wrong(p.code), remoteAddr(r))
	}
	assert.Len(t, p.byAddr, 2)
}

func TestGuessesAtTheSameMomentAreAllCounted(t *testing.T) {
	p := unkept(t)
	var all sync.WaitGroup
	var mu sync.Mutex
	let := 0
	for range 50 {
		all.Go(func() {
			if _, wait, _ := p.pair(t.Context(), wrong(p.code), remoteAddr(&http.Request{RemoteAddr: "10.0.0.1:1"})); wait == 0 {
				mu.Lock()
				let++
				mu.Unlock()
			}
		})
	}
	all.Wait()
	assert.Equal(t, freeTries, let)
}

func unkept(t *testing.T) *pairing {
	t.Helper()
	p, err := newPairing(t.Context(), nil)
	require.NoError(t, err)
	return p
}

// known says which phone a token stands for.
func known(p *pairing, token string) (string, bool) {
	r := &http.Request{Header: http.Header{}}
	r.AddCookie(&http.Cookie{Name: cookieName, Value: token})
	return p.client(r)
}

func TestThePhonePairedFirstMakesRoom(t *testing.T) {
	j, err := journal.Open(t.Context(), filepath.Join(t.TempDir(), "journal.db"))
	require.NoError(t, err)
	defer j.Close()
	p, err := newPairing(t.Context(), j)
	require.NoError(t, err)
	now := time.Now()
	p.now = func() time.Time { now = now.Add(time.Second); return now }
	from := remoteAddr(&http.Request{RemoteAddr: "10.0.0.1:1"})
	tokens, names := []string{}, map[string]bool{}
	for range mostPhones + 1 {
		token, _, err := p.pair(t.Context(), p.code, from)
		require.NoError(t, err)
		name, ok := known(p, token)
		require.True(t, ok)
		tokens, names[name] = append(tokens, token), true
	}
	assert.Equal(t, mostPhones, p.count())
	_, ok := known(p, tokens[0])
	assert.False(t, ok, "the first pairs again")
	_, ok = known(p, tokens[1])
	assert.True(t, ok)
	assert.Len(t, names, mostPhones+1, "no two phones have one name")
	kept, err := j.Phones(t.Context())
	require.NoError(t, err)
	require.Len(t, kept, mostPhones)
	for i := range kept {
		assert.Equal(t, p.phones[i].Hash, kept[i].Hash, "the journal has the same phones")
	}
}

func TestPhonesStayPairedOverARestart(t *testing.T) {
	path := filepath.Join(t.TempDir(), "journal.db")
	j, err := journal.Open(t.Context(), path)
	require.NoError(t, err)
	first, err := newPairing(t.Context(), j)
	require.NoError(t, err)
	from := remoteAddr(&http.Request{RemoteAddr: "10.0.0.1:1"})
	token, _, err := first.pair(t.Context(), first.code, from)
	require.NoError(t, err)
	first.now = func() time.Time { return time.Now().AddDate(0, 0, -cookieDays-1) }
	stale, _, err := first.pair(t.Context(), first.code, from)
	require.NoError(t, err)
	first.now = func() time.Time { return time.Unix(100, 0) } // the machine's clock is not set
	early, _, err := first.pair(t.Context(), first.code, from)
	require.NoError(t, err)
	require.NoError(t, j.Close())
	raw, err := os.ReadFile(path)
	require.NoError(t, err)
	assert.NotContains(t, string(raw), token, "the token itself is on the phone only")

	j, err = journal.Open(t.Context(), path)
	require.NoError(t, err)
	defer j.Close()
	again, err := newPairing(t.Context(), j)
	require.NoError(t, err)
	name, ok := known(again, token)
	assert.True(t, ok)
	assert.Equal(t, "phone 1", name)
	_, ok = known(again, stale)
	assert.False(t, ok, "its cookie is over, so is its pairing")
	_, ok = known(again, early)
	assert.True(t, ok, "a date from before the clock was set says nothing of how long ago that was")
	kept, err := j.Phones(t.Context())
	require.NoError(t, err)
	assert.Len(t, kept, 2)
	_, ok = known(again, token+"x")
	assert.False(t, ok)
}

func TestTokensAreKeptAsHashesOnly(t *testing.T) {
	p := unkept(t)
	token, _, err := p.pair(t.Context(), p.code, remoteAddr(&http.Request{RemoteAddr: "10.0.0.1:1"}))
	require.NoError(t, err)
	require.Len(t, p.phones, 1)
	assert.False(t, bytes.Contains(p.phones[0].Hash[:], []byte(token)[:16]))
}

func TestMetricsAreForThisMachineAndPairedPhones(t *testing.T) {
	s, _ := newServer(t, &puppet{})
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
	token, _, err := s.pairing.pair(t.Context(), s.Code(), remoteAddr(&http.Request{RemoteAddr: "192.168.1.9:1"}))
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

func TestServeStopsWithItsContext(t *testing.T) {
	p := &puppet{}
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
	cancel()
	require.NoError(t, <-served)
	assert.Equal(t, 1001, phone.closeCode())
	assert.Equal(t, []string{"phone 1"}, p.gone())
	_, err = net.Dial("tcp", listener.Addr().String())
	assert.Error(t, err)
}

func TestServeSaysWhyItCannot(t *testing.T) {
	s, err := New(t.Context(), Options{Control: &puppet{}, Files: testFiles})
	require.NoError(t, err)
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	listener.Close()
	err = s.Serve(t.Context(), listener)
	assert.ErrorContains(t, err, listener.Addr().String())
	assert.True(t, errors.Is(err, net.ErrClosed))
}
