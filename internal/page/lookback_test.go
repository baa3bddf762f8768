package page

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"net/url"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/control"
	"stillwater/internal/record"
	"stillwater/internal/shot"
)

// past is a record in memory.
type past struct {
	sessions []record.Summary
	shots    []record.Shot // in the order in which they were made
	frames   []record.Shot // by their session and number, with the frame's name
	files    []record.Shot // first of a stretch, which goes on to the session's end
	broken   error         // what reading ends with
	unsaid   error         // what reading remarks ends with
	asked    chan struct{} // reading says here that it has begun, and waits until the context ends
	mu       sync.Mutex
	limits   []int // that were asked for
}

func (p *past) wait(ctx context.Context) error {
	if p.asked != nil {
		p.asked <- struct{}{}
		<-ctx.Done()
		return ctx.Err()
	}
	return p.broken
}

func (p *past) Sessions(ctx context.Context) ([]record.Summary, error) {
	return p.sessions, p.wait(ctx)
}

func (p *past) ShotsBefore(ctx context.Context, session int64, before, limit int) (list []record.Shot, err error) {
	p.mu.Lock()
	p.limits = append(p.limits, limit)
	p.mu.Unlock()
	for _, s := range slices.Backward(p.shots) {
		if s.Session == session && (before == 0 || s.Number < before) && len(list) < limit {
			list = append(list, s)
		}
	}
	return list, p.broken
}

func (p *past) KeepersBefore(ctx context.Context, session int64, before, limit int) ([]record.Shot, error) {
	all, err := p.ShotsBefore(ctx, session, before, len(p.shots))
	keepers := slices.DeleteFunc(all, func(s record.Shot) bool { return !s.Star })
	return keepers[:min(len(keepers), limit)], err
}

func (p *past) Remarked(_ context.Context, visit func(record.Shot)) error {
	for _, s := range p.shots {
		if s.Verdict != "" || s.Note != "" || s.Star || s.Picture != "" {
			visit(record.Shot{ID: s.ID, Session: s.Session, Number: s.Number, Verdict: s.Verdict, Note: s.Note, Star: s.Star,
				Picture: s.Picture})
		}
	}
	return p.unsaid
}

func (p *past) FileNumbers(_ context.Context, visit func(record.Shot, int)) error {
	for _, first := range p.files {
		n := 0
		for _, s := range p.shots {
			if s.Session == first.Session && s.Number >= first.Number {
				n++
			}
		}
		visit(first, n)
	}
	return nil
}

func (p *past) FrameNames(_ context.Context, visit func(int64, int, string)) error {
	for _, s := range p.frames {
		visit(s.Session, s.Number, s.Frame)
	}
	return nil
}

func (p *past) ShotPicture(_ context.Context, id int64) ([]byte, error) {
	for _, s := range p.shots {
		if s.ID == id && s.Framed {
			return fmt.Appendf(nil, "picture %d", id), p.broken
		}
	}
	return nil, record.ErrNotFound
}

func (p *past) StoredSet(_ context.Context, session, made int64) (string, error) {
	for _, s := range p.sessions {
		if made == 0 && s.ID == session {
			return s.Set, p.broken
		}
	}
	for _, s := range p.shots {
		if s.ID == made {
			return s.Set, p.broken
		}
	}
	return "", record.ErrNotFound
}

func dropSet(t testing.TB, change func(*shot.Set)) string {
	set := shot.DefaultSet()
	change(&set)
	text, err := json.Marshal(set)
	require.NoError(t, err)
	return string(text)
}

// evenings are two of them: crowns with 120 drops and, later, throws with none judged.
func evenings(t testing.TB) *past {
	at := time.Date(2026, 11, 17, 20, 0, 0, 0, time.Local)
	set := dropSet(t, func(s *shot.Set) { s.Drop.Height = 0.33 })
	p := &past{sessions: []record.Summary{
		{Session: record.Session{ID: 2, Started: at.AddDate(0, 0, 7), Board: "gpio",
			Set: dropSet(t, func(s *shot.Set) { s.Kind = shot.Throw })}, Shots: 2, Verdicts: map[record.Verdict]int{"": 2},
			Kinds: []string{"throw", "sound"}},
		{Session: record.Session{ID: 1, Name: `Crowns <b onclick="x">`, Started: at, Board: "simulated", Set: set},
			Shots: 120, Kinds: []string{"drop"},
			Verdicts: map[record.Verdict]int{"good": 60, "late": 58, "": 2}},
	}, files: []record.Shot{{Session: 1, Number: 10, File: 471}}}
	for i := range 120 {
		s := record.Shot{ID: int64(i + 1), Session: 1, Number: i + 1, At: at, Status: record.StatusDone, Set: set,
			DelayNs: 96e6, Verdict: []record.Verdict{record.Good, record.Late}[i%2]}
		if i >= 118 {
			s.Verdict = ""
		}
		p.shots = append(p.shots, s)
	}
	p.shots[4].Note, p.shots[4].Star = "<img src=x> rim\x1b[2J", true
	for i := range 2 {
		p.shots = append(p.shots, record.Shot{ID: int64(200 + i), Session: 2, Number: i + 1, At: at.AddDate(0, 0, 7),
			Status: record.StatusDone, Set: p.sessions[0].Set, IntervalNs: 25e6})
	}
	return p
}

// safeSet is a control with the usual set in the next shot.
type safeSet struct{ *fakeController }

func (safeSet) Snapshot() *control.Snapshot { return &control.Snapshot{Set: shot.DefaultSet()} }

// recordServer is a server with a record, and the cookie of a phone.
func recordServer(t *testing.T, r RecordReader) (web *httptest.Server, phone *http.Cookie) {
	t.Helper()
	s, err := New(t.Context(), Options{Control: safeSet{&fakeController{}}, Files: testFiles,
		Names: []string{"studio"}, Record: r,
		Log: slog.New(slog.DiscardHandler)})
	require.NoError(t, err)
	web = httptest.NewServer(s.Handler())
	t.Cleanup(web.Close)
	return web, pairPhone(t, s, web)
}

// get reads an answer as the page does.
func get[T any](t *testing.T, web *httptest.Server, phone *http.Cookie, path string) (answer T) {
	t.Helper()
	got, body := ask(t, web, "GET", path, "", with(phone))
	require.Equal(t, http.StatusOK, got.StatusCode, "%s: %s", path, body)
	assert.Equal(t, "application/json", got.Header.Get("Content-Type"))
	assert.Equal(t, "no-store", got.Header.Get("Cache-Control"))
	require.NoError(t, json.Unmarshal([]byte(body), &answer), body)
	return answer
}

var recordPaths = []string{"/record/sessions", "/record/sessions/1", "/record/sessions/1/shots",
	"/record/again?session=1"}

// Whoever is not paired sees nothing of the record, and no other page or host does.
func TestRecordIsForPairedPhones(t *testing.T) {
	web, phone := recordServer(t, evenings(t))
	for _, path := range recordPaths {
		for what, c := range map[string]struct {
			change []func(*http.Request)
			want   int
		}{
			"nobody":         {nil, 401},
			"a wrong cookie": {[]func(*http.Request){with(&http.Cookie{Name: cookieName, Value: "guess"})}, 401},
			"another host":   {[]func(*http.Request){with(phone), func(r *http.Request) { r.Host = "evil.example" }}, 421},
			"another page":   {[]func(*http.Request){with(phone), header("Origin", "http://evil.example")}, 403},
			"no page":        {[]func(*http.Request){with(phone), header("Origin", "null")}, 403},
			"our page":       {[]func(*http.Request){with(phone), header("Origin", web.URL)}, 200},
			"a phone":        {[]func(*http.Request){with(phone)}, 200},
		} {
			got, body := ask(t, web, "GET", path, "", c.change...)
			assert.Equal(t, c.want, got.StatusCode, "%s: %s", what, path)
			if c.want != 200 {
				for _, secret := range []string{"Crowns", "rim", "33 cm", "late"} {
					assert.NotContains(t, body, secret)
				}
			}
		}
		got, _ := ask(t, web, "POST", path, "", with(phone))
		assert.Equal(t, http.StatusMethodNotAllowed, got.StatusCode, path)
	}
	_, without := newServer(t, &fakeController{})
	got, _ := ask(t, without, "GET", "/record/sessions", "")
	assert.Equal(t, http.StatusNotFound, got.StatusCode, "there is no record")
}

func TestPastSessions(t *testing.T) {
	p := evenings(t)
	p.frames = []record.Shot{{Session: 1, Number: 5, Frame: "PICT7001"}, {Session: 2, Number: 3, Frame: "PICT7002"}}
	web, phone := recordServer(t, p)
	all := get[PastSessions](t, web, phone, "/record/sessions")
	require.Len(t, all.Sessions, 2)
	assert.Equal(t, []any{int64(0), 2, ""}, []any{all.Next, all.Found, all.Problem})
	assert.Equal(t, "24 November 2026, 20:00", all.Sessions[0].Title)
	assert.Equal(t, []string{"throw", "sound"}, all.Sessions[0].Kinds)
	assert.Equal(t, `Crowns <b onclick="x">`, all.Sessions[1].Title, "as it was written; the page shows it as text")
	assert.Equal(t, []VerdictCount{{"", 2}, {"good", 60}, {"late", 58}}, all.Sessions[1].Verdicts)

	first := get[PastSessions](t, web, phone, "/record/sessions?limit=1")
	assert.Equal(t, []int64{2, 2}, []int64{first.Sessions[0].ID, first.Next})
	rest := get[PastSessions](t, web, phone, "/record/sessions?limit=1&after=2")
	assert.Equal(t, []any{1, int64(1), int64(0)}, []any{len(rest.Sessions), rest.Sessions[0].ID, rest.Next})

	for words, want := range map[string]string{"crowns": "1", "CROWNS good": "1", "2026-11-24": "2", "throw": "2",
		"sound": "2", "drop": "1",
		"tuesday": "2 1", "rim": "1", "keeper": "1", "too low": "", "0480": "1", "480 good": "1", "481 good": "",
		"good": "1", "7001 rim": "1", "pict7002": "2", "thrown sheet": "2", "falling": "1", "7003": "",
		"monday": "", "missing": "", "0480 unjudged": "", "0580 unjudged": "1", "  ": "2 1"} {
		got := get[PastSessions](t, web, phone, "/record/sessions?words="+url.QueryEscape(words))
		var ids []string
		for _, s := range got.Sessions {
			ids = append(ids, fmt.Sprint(s.ID))
		}
		assert.Equal(t, want, strings.Join(ids, " "), words)
		assert.Equal(t, len(ids), got.Found, words)
	}
	byNote := get[PastSessions](t, web, phone, "/record/sessions?words=rim")
	assert.Equal(t, []int{5}, byNote.Sessions[0].Matches)
	byFile := get[PastSessions](t, web, phone, "/record/sessions?words=0471")
	assert.Equal(t, []int{10}, byFile.Sessions[0].Matches)
	byFrame := get[PastSessions](t, web, phone, "/record/sessions?words=7002")
	assert.Equal(t, []int{3}, byFrame.Sessions[0].Matches)
	byVerdict := get[PastSessions](t, web, phone, "/record/sessions?words=good")
	assert.Len(t, byVerdict.Sessions[0].Matches, maxMatches)
	assert.Equal(t, 117, byVerdict.Sessions[0].Matches[0])
}

func TestEvening(t *testing.T) {
	p := evenings(t)
	web, phone := recordServer(t, p)
	e := get[Evening](t, web, phone, "/record/sessions/1")
	require.Len(t, e.Kinds, 1)
	assert.Equal(t, []any{120, 0, 1, 120}, []any{e.Summed, e.Uncounted, e.Keepers, e.Kinds[0].Count})
	assert.Equal(t, BestView{AtMs: 96, Good: 59, Tries: 118}, *e.Kinds[0].Best)
	assert.Equal(t, TryView{Number: 120, AtMs: 96}, e.Kinds[0].Tries[0])
	assert.Contains(t, e.Set, SetValue{"drop.height", "33 cm", true})
	assert.Contains(t, e.Set, SetValue{"throw.gate", shot.DefaultSet().Throw.Gate.String(), false})
	assert.Contains(t, e.Elevation, "<svg")
	assert.NotContains(t, e.Elevation, "tabindex", "there is nothing to press")
	assert.NotContains(t, e.Elevation, " id=", "the next shot's drawing is on the page too")
	p.sessions[1].Set = "odd"
	e = get[Evening](t, web, phone, "/record/sessions/1")
	assert.Contains(t, e.SetProblem, "cannot be read")
	assert.Empty(t, e.Set)
}

// Every shot is reached in parts, whose size has a limit.
func TestPastShots(t *testing.T) {
	p := evenings(t)
	p.shots[60] = record.Shot{ID: 61, Session: 1, Number: 61, Lost: true}
	web, phone := recordServer(t, p)
	var numbers, lost []int
	for before := 0; ; {
		path := "/record/sessions/1/shots?limit=33"
		if before != 0 {
			path += fmt.Sprint("&before=", before)
		}
		part := get[PastShots](t, web, phone, path)
		for _, s := range part.Shots {
			numbers = append(numbers, s.Number)
		}
		lost = append(lost, part.Lost...)
		if before = part.Next; before == 0 {
			break
		}
	}
	assert.Len(t, numbers, 119)
	assert.True(t, slices.IsSortedFunc(numbers, func(a, b int) int { return b - a }))
	assert.Equal(t, []int{61}, lost)
	get[PastShots](t, web, phone, "/record/sessions/1/shots?limit=1000000")
	assert.Equal(t, maxAtOnce, p.limits[len(p.limits)-1])
	p.shots[2].Star, p.shots[7].Star = true, true
	keepers := get[PastShots](t, web, phone, "/record/sessions/1/shots?keepers=1&limit=2")
	require.Len(t, keepers.Shots, 2)
	assert.Equal(t, []int{8, 5, 5}, []int{keepers.Shots[0].Number, keepers.Shots[1].Number, keepers.Next})
	keepers = get[PastShots](t, web, phone, "/record/sessions/1/shots?keepers=1&limit=2&before=5")
	assert.Equal(t, []int{1, 3, 0}, []int{len(keepers.Shots), keepers.Shots[0].Number, keepers.Next})
	throws := get[PastShots](t, web, phone, "/record/sessions/2/shots")
	assert.NotNil(t, throws.Shots[0].SpeedMS)
}

// The camera's frame of a shot is there where one is kept, and the shot says so.
func TestKeptFrames(t *testing.T) {
	p := evenings(t)
	p.shots[5].Framed = true
	web, phone := recordServer(t, p)
	part := get[PastShots](t, web, phone, "/record/sessions/1/shots?before=8&limit=3")
	assert.Equal(t, []bool{false, true, false}, []bool{part.Shots[0].Framed, part.Shots[1].Framed, part.Shots[2].Framed})
	for path, want := range map[string]int{"6": 200, "7": 204, "99999": 204, "0": 400, "x": 400, "": 404} {
		got, body := ask(t, web, "GET", "/record/frames/"+path, "", with(phone))
		assert.Equal(t, want, got.StatusCode, path)
		if want == 200 {
			assert.Equal(t, "picture 6", body)
			assert.Equal(t, "image/jpeg", got.Header.Get("Content-Type"))
			assert.Equal(t, "private, no-cache", got.Header.Get("Cache-Control"))
			tag := got.Header.Get("ETag")
			asked := func(r *http.Request) { r.Header.Set("If-None-Match", tag) }
			got, body = ask(t, web, "GET", "/record/frames/"+path, "", with(phone), asked)
			assert.Equal(t, []any{http.StatusNotModified, ""}, []any{got.StatusCode, body}, "it is as the browser has it")
			tag = `"another"`
			_, body = ask(t, web, "GET", "/record/frames/"+path, "", with(phone), asked)
			assert.Equal(t, "picture 6", body)
		}
	}
	got, _ := ask(t, web, "GET", "/record/frames/6", "")
	assert.Equal(t, 401, got.StatusCode, "for paired phones")
}

func TestSetAgain(t *testing.T) {
	p := evenings(t)
	p.sessions[0].Set = strings.Replace(p.sessions[0].Set, `"gate":"20 cm"`, `"gate":"9 km"`, 1)
	web, phone := recordServer(t, p)
	again := get[SetAgain](t, web, phone, "/record/again?session=1")
	assert.Equal(t, []SetChange{{"drop.height", "40 cm", "33 cm"}}, again.Changes)
	assert.Empty(t, again.Refused)
	again = get[SetAgain](t, web, phone, "/record/again?session=2")
	assert.Equal(t, []SetChange{{"kind", "drop", "throw"}}, again.Changes)
	require.Len(t, again.Refused, 1)
	assert.Equal(t, "throw.gate", again.Refused[0].Field)
	again = get[SetAgain](t, web, phone, "/record/again?shot=3")
	assert.Len(t, again.Changes, 1)
	p.sessions[0].Set = "odd"
	got, body := ask(t, web, "GET", "/record/again?session=2", "", with(phone))
	assert.Equal(t, http.StatusUnprocessableEntity, got.StatusCode, body)
}

// What an address may not say is refused by its name, and the answer is short whatever was sent.
func TestRecordRefusesOddAddresses(t *testing.T) {
	web, phone := recordServer(t, evenings(t))
	long := strings.Repeat("9", 3000)
	for path, want := range map[string]int{"/record/sessions/0": 400, "/record/sessions/x": 400,
		"/record/sessions/-1": 400,
		"/record/sessions/99": 404, "/record/sessions/" + long: 400, "/record/sessions?after=x": 400,
		"/record/sessions?limit=0": 400, "/record/sessions?limit=-5": 400, "/record/sessions?words=" + long: 400,
		"/record/sessions?words=%ff": 400, "/record/sessions/1/shots?before=x": 400,
		"/record/sessions/1/shots?before=-1":          400,
		"/record/sessions/1/shots?before=99999999999": 400, "/record/sessions/1/shots?limit=x": 400,
		"/record/sessions/1/shots?keepers=yes": 400, "/record/sessions/1/shots?keepers=%ff": 400,
		"/record/again": 400, "/record/again?session=1&shot=1": 400, "/record/again?session=99": 404,
		"/record/again?shot=9999": 404, "/record/again?shot=x": 400, "/record": 404, "/record/": 404,
		"/record/sessions/1/x": 404} {
		got, body := ask(t, web, "GET", path, "", with(phone))
		assert.Equal(t, want, got.StatusCode, "%.60s", path)
		assert.Less(t, len(body), 400, "%.60s", path)
	}
}

// A record that cannot be read is said to be so, without where it is; what can be searched of a damaged one is.
func TestRecordThatCannotBeRead(t *testing.T) {
	p := evenings(t)
	p.broken = errors.New("journal /card/journal.db: its files were replaced")
	web, phone := recordServer(t, p)
	for _, path := range recordPaths {
		got, body := ask(t, web, "GET", path, "", with(phone))
		assert.Equal(t, http.StatusServiceUnavailable, got.StatusCode, path)
		assert.NotContains(t, body, "/card")
	}
	p.broken, p.unsaid = nil, fmt.Errorf("journal: %w", record.ErrDamaged)
	found := get[PastSessions](t, web, phone, "/record/sessions?words=crowns")
	assert.Equal(t, 1, found.Found)
	assert.Contains(t, found.Problem, "could not be searched")
}

// A phone that goes away ends its look-up.
func TestLookUpEndsWithItsPhone(t *testing.T) {
	p := evenings(t)
	p.asked = make(chan struct{}, 1)
	web, phone := recordServer(t, p)
	ctx, leave := context.WithCancel(t.Context())
	r, err := http.NewRequestWithContext(ctx, "GET", web.URL+"/record/sessions", nil)
	require.NoError(t, err)
	r.AddCookie(phone)
	ended := make(chan error, 1)
	go func() {
		_, err := http.DefaultTransport.RoundTrip(r)
		ended <- err
	}()
	<-p.asked
	leave()
	assert.ErrorIs(t, <-ended, context.Canceled)
}

// A phone that looks up without end waits, and is then refused; everything else it asks for has a rate of its own.
func TestLookUpsAreLimited(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, err := New(t.Context(), Options{Control: safeSet{&fakeController{}}, Files: testFiles, Record: evenings(t),
			Log: slog.New(slog.DiscardHandler)})
		require.NoError(t, err)
		token, err := s.pairing.pair(t.Context(), s.Code())
		require.NoError(t, err)
		code := func(path string) int {
			r := httptest.NewRequest("GET", "http://127.0.0.1"+path, nil)
			r.AddCookie(&http.Cookie{Name: cookieName, Value: token})
			w := httptest.NewRecorder()
			s.Handler().ServeHTTP(w, r)
			return w.Code
		}
		var served, refused atomic.Int64
		var all sync.WaitGroup
		const asked = 3 * lookUpsBurst
		for range asked {
			all.Go(func() {
				switch code("/record/sessions/99") {
				case http.StatusNotFound:
					served.Add(1)
				case http.StatusTooManyRequests:
					refused.Add(1)
				}
			})
		}
		all.Wait()
		assert.EqualValues(t, asked, served.Load()+refused.Load())
		assert.InDelta(t, lookUpsBurst+lookUpsPerSecond*maxRequestWait.Seconds(), served.Load(), 1)
		assert.Equal(t, http.StatusNoContent, code("/paired"))
	})
}

// FuzzLookUp asks with any query: the answer is JSON, of this page, and never of a kind that was not thought of.
func FuzzLookUp(f *testing.F) {
	for _, seed := range []string{"words=crown", "after=1&limit=9", "limit=-1", "words=%ff", "shot=1&session=",
		"before=07"} {
		for i := range recordPaths {
			f.Add(i, seed)
		}
	}
	s, err := New(f.Context(), Options{Control: safeSet{&fakeController{}}, Files: testFiles, Record: evenings(f),
		Log: slog.New(slog.DiscardHandler)})
	require.NoError(f, err)
	token, err := s.pairing.pair(f.Context(), s.Code())
	require.NoError(f, err)
	s.lookUps = newRequesters(1e9, 1e9)
	s.requesters = newRequesters(1e9, 1e9)
	handler := s.Handler()
	f.Fuzz(func(t *testing.T, which int, query string) {
		path, _, _ := strings.Cut(recordPaths[(which%len(recordPaths)+len(recordPaths))%len(recordPaths)], "?")
		r := httptest.NewRequest("GET", "http://127.0.0.1"+path, nil)
		r.URL.RawQuery = query
		r.AddCookie(&http.Cookie{Name: cookieName, Value: token})
		w := httptest.NewRecorder()
		handler.ServeHTTP(w, r)
		require.Contains(t, []int{200, 400, 404}, w.Code, w.Body)
		require.True(t, json.Valid(w.Body.Bytes()), w.Body)
	})
}
