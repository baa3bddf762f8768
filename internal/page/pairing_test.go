package page

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/control"
	"stillwater/internal/journal"
	"stillwater/internal/proctest"
	"stillwater/internal/record"
)

func TestPairing(t *testing.T) {
	s, web := newServer(t, &fakeController{})
	assert.Regexp(t, `^[0-9]{6}$`, s.Code())
	answer, _ := ask(t, web, "GET", "/paired", "")
	assert.Equal(t, http.StatusUnauthorized, answer.StatusCode)

	cookie := pairPhone(t, s, web)
	assert.Equal(t, "stillwater", cookie.Name)
	assert.True(t, cookie.HttpOnly)
	assert.Equal(t, http.SameSiteStrictMode, cookie.SameSite)
	assert.Equal(t, "/", cookie.Path)
	assert.Equal(t, 30*24*3600, cookie.MaxAge)
	assert.GreaterOrEqual(t, len(cookie.Value), 43, "256 bits in base64")
	answer, _ = ask(t, web, "GET", "/paired", "", with(cookie))
	assert.Equal(t, http.StatusNoContent, answer.StatusCode)

	again, _ := ask(t, web, "POST", "/pair", codeBody(s.Code()), with(cookie))
	assert.Equal(t, http.StatusNoContent, again.StatusCode)
	assert.Empty(t, again.Cookies(), "a paired phone stays who it is")
	other := pairPhone(t, s, web)
	assert.NotEqual(t, cookie.Value, other.Value)

	forged := *cookie
	forged.Value = cookie.Value[:42] + "~"
	answer, _ = ask(t, web, "GET", "/paired", "", with(&forged))
	assert.Equal(t, http.StatusUnauthorized, answer.StatusCode)
}

func TestMalformedPairingIsRefused(t *testing.T) {
	s, web := newServer(t, &fakeController{})
	good := codeBody(s.Code())
	for name, c := range map[string]struct {
		body   string
		change func(*http.Request)
		want   int
	}{
		"not JSON":      {"code=123456", nil, 400},
		"nothing":       {"", nil, 400},
		"no code":       {"{}", nil, 400},
		"unknown field": {`{"code":"` + s.Code() + `","x":1}`, nil, 400},
		"two codes":     {`{"code":"000000","code":"` + s.Code() + `"}`, nil, 400},
		"trailing":      {good + good, nil, 400},
		"number":        {`{"code":123456}`, nil, 400},
		"null":          {`{"code":null}`, nil, 400},
		"long":          {codeBody(s.Code() + strings.Repeat(" ", 300)), nil, 400},
		"form":          {good, header("Content-Type", "application/x-www-form-urlencoded"), 415},
		"plain":         {good, header("Content-Type", "text/plain"), 415},
		"no origin":     {good, func(r *http.Request) { r.Header.Del("Origin") }, 403},
		"other origin":  {good, header("Origin", "http://evil.example"), 403},
		"other port":    {good, header("Origin", "http://127.0.0.1:1"), 403},
		"null origin":   {good, header("Origin", "null"), 403},
		"says none": {good, func(r *http.Request) {
			r.Header.Set("Origin", "http://evil.example")
			r.Header.Set("Sec-Fetch-Site", "none")
		}, 403},
	} {
		t.Run(name, func(t *testing.T) {
			change := c.change
			if change == nil {
				change = func(*http.Request) {}
			}
			answer, body := ask(t, web, "POST", "/pair", c.body, change)
			assert.Equal(t, c.want, answer.StatusCode)
			assert.Empty(t, answer.Cookies())
			r := refusalIn(t, body)
			assert.NotEmpty(t, r.Why)
			assert.NotEmpty(t, r.Remedy)
		})
	}
	assert.Zero(t, s.pairing.codes.count, "what is no code is no guess")
}

func refusalIn(t *testing.T, body string) control.Refusal {
	t.Helper()
	var r control.Refusal
	require.NoError(t, json.Unmarshal([]byte(body), &r), body)
	return r
}

// post pairs from an address and returns the answer.
func post(s *Server, code string, from netip.AddrPort) *httptest.ResponseRecorder {
	return postTo(s.Handler(), code, from)
}

func postTo(handler http.Handler, code string, from netip.AddrPort) *httptest.ResponseRecorder {
	r := httptest.NewRequest("POST", "http://studio.local/pair", strings.NewReader(codeBody(code)))
	r.Header.Set("Origin", "http://studio.local")
	r.Header.Set("Content-Type", "application/json")
	r.RemoteAddr = from.String()
	w := httptest.NewRecorder()
	handler.ServeHTTP(w, r)
	return w
}

// A service has no terminal that anybody sees: the command that shows the code is named then, and only then.
func TestCodeOfAServiceIsShownByACommand(t *testing.T) {
	for service, place := range map[bool]string{false: "terminal", true: "service"} {
		s, err := New(t.Context(), Options{
			Control: &fakeController{}, Files: testFiles, Service: service, Log: slog.New(slog.DiscardHandler),
		})
		require.NoError(t, err)
		w := httptest.NewRecorder()
		s.Handler().ServeHTTP(w, httptest.NewRequest("GET", "http://localhost/paired", nil))
		assert.Equal(t, place, w.Header().Get("Pairing-Place"))
		_, remedy := s.wrongWords(&wrongCodeError{replaced: true})
		assert.Equal(t, service, strings.Contains(remedy, "sudo stillwater pairing"), remedy)
	}
}

// The page learns the form of the code, to offer the right keyboard, and never more; who typed the old code learns that
// there is another, and by then it is on the screen.
func TestOldCodeIsAnsweredWithWhereTheNewOneIs(t *testing.T) {
	p, shown := &fakeController{}, ""
	s, err := New(t.Context(), Options{
		Control: p, Files: testFiles, Names: []string{"studio.local"}, Log: slog.New(slog.DiscardHandler),
		CodeChanged: func(change CodeChange) { shown = change.Code },
	})
	require.NoError(t, err)
	from := netip.MustParseAddrPort("10.0.0.1:1")
	form := func() string {
		w := httptest.NewRecorder()
		s.Handler().ServeHTTP(w, httptest.NewRequest("GET", "http://studio.local/paired", nil))
		assert.NotContains(t, fmt.Sprint(w.Header(), w.Body), s.Code())
		return w.Header().Get("Pairing-Code")
	}
	short := s.Code()
	assert.Equal(t, "short", form())
	for range shortTries - 1 {
		w := post(s, wrong(short), from)
		assert.Equal(t, http.StatusForbidden, w.Code)
		assert.Equal(t, "short", w.Header().Get("Pairing-Code"))
		assert.Equal(t, "Type the 6 digits shown on the machine.", refusalIn(t, w.Body.String()).Remedy)
	}
	assert.Empty(t, shown)
	last, old, other := post(s, wrong(short), from), post(s, short, from), post(s, "424242", from)
	assert.Equal(t, s.Code(), shown)
	for _, w := range []*httptest.ResponseRecorder{last, old, other} {
		assert.Equal(t, http.StatusForbidden, w.Code)
		assert.Equal(t, last.Body.String(), w.Body.String(), "the old code and a wrong one get the same answer")
		assert.Equal(t, "long", w.Header().Get("Pairing-Code"))
		r := refusalIn(t, w.Body.String())
		assert.Contains(t, r.Why, "many wrong codes")
		assert.Contains(t, r.Why, "new, longer code")
		assert.Contains(t, r.Remedy, "screen where Stillwater was started")
		assert.NotContains(t, w.Body.String(), s.Code())
	}
	assert.Equal(t, "long", form())
	w := post(s, wrong(s.Code()), from)
	assert.Equal(t, "Type the 10 letters and digits shown on the machine.", refusalIn(t, w.Body.String()).Remedy)
	assert.Equal(t, http.StatusNoContent, post(s, strings.ToLower(s.Code()), from).Code)

	s.NewCode()
	assert.Equal(t, s.Code(), shown)
	assert.Equal(t, "short", form())
}

// strangers are addresses that guesses come from: all over IPv4, and all from the /64 that the studio has too.
func strangers(n int) netip.AddrPort {
	if n%2 == 0 {
		return netip.AddrPortFrom(netip.AddrFrom4([4]byte{10, byte(n >> 16), byte(n >> 8), byte(n)}), 1)
	}
	a := netip.MustParseAddr("2001:db8::").As16()
	a[13], a[14], a[15] = byte(n>>16), byte(n>>8), byte(n)
	return netip.AddrPortFrom(netip.AddrFrom16(a), 1)
}

// Whoever has the code from the screen pairs at the first try, whatever strangers and neighbours type meanwhile.
func TestWhoHasTheCodePairsAtOnceUnderAFlood(t *testing.T) {
	s, _ := newServer(t, &fakeController{})
	neighbour := netip.MustParseAddrPort("[2001:db8::7]:1")
	for n := range shortTries - 1 {
		require.Equal(t, http.StatusForbidden, post(s, wrong(s.Code()), strangers(n)).Code)
		require.Equal(t, http.StatusNoContent, post(s, s.Code(), neighbour).Code, "after %d wrong codes", n+1)
	}
	require.Equal(t, http.StatusForbidden, post(s, wrong(s.Code()), strangers(0)).Code)

	var guesses atomic.Int64
	var flood sync.WaitGroup
	stop, step := make(chan struct{}), make(chan struct{})
	for range 4 {
		flood.Go(func() {
			for {
				n := int(guesses.Add(1))
				if code := post(s, fmt.Sprintf("%010d", n), strangers(n)).Code; code != http.StatusForbidden {
					t.Errorf("guess %d: %d", n, code)
				}
				select {
				case <-stop:
					return
				case step <- struct{}{}:
				default:
				}
			}
		})
	}
	for n := range 50 {
		for range 5 {
			<-step
		}
		from := neighbour
		if n%2 == 0 {
			from = strangers(n) // an address that guesses came from
		}
		assert.Equal(t, http.StatusNoContent, post(s, s.Code(), from).Code)
	}
	close(stop)
	flood.Wait()
	t.Log("guesses meanwhile:", guesses.Load())
}

// A month of guessing, with phones paired every hour: the short code is tried twenty times in all, and the rest meets a
// code of 50 bits. The chances are worked out at shortTries.
func TestAMonthOfGuessing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := unkept(t)
		guesses, short := 0, 0
		start := time.Now()
		for time.Since(start) < 30*24*time.Hour {
			if !p.codes.long() {
				short++
			}
			_, err := p.pair(t.Context(), wrong(p.codes.displayed())) // always of the right form
			require.ErrorAs(t, err, new(*wrongCodeError))
			if guesses++; guesses%360 == 0 {
				_, err := p.pair(t.Context(), p.codes.displayed())
				require.NoError(t, err)
			}
			time.Sleep(10 * time.Second)
		}
		assert.Equal(t, shortTries, short)
		assert.Equal(t, 30*24*360, guesses)
		assert.Equal(t, maxPhones, p.count(), "memory is bounded")
	})
}

func TestGuessesDoNotFillTheLog(t *testing.T) {
	var log bytes.Buffer
	s, err := New(t.Context(), Options{Control: &fakeController{}, Files: testFiles, Names: []string{"studio.local"},
		Log: slog.New(slog.NewTextHandler(&log, nil))})
	require.NoError(t, err)
	for n := range 5000 {
		post(s, wrong(s.Code()), strangers(n))
	}
	assert.Equal(t, shortTries+8, strings.Count(log.String(), "\n"), "the first, and 32, 64 ... 4096")
	assert.Contains(t, log.String(), "wrong_codes=4096")
}

func unkept(t *testing.T) *pairing { t.Helper(); return keptBy(t, nil) }

func keptBy(t *testing.T, kept Phones) *pairing {
	t.Helper()
	p, err := newPairing(t.Context(), kept, "", nil, nobody, func([]string) {}, slog.New(slog.DiscardHandler))
	require.NoError(t, err)
	return p
}

// nobody is connected, and nobody holds the controls.
func nobody() (connected map[string]bool, holder string) { return nil, "" }

// known says which phone a token stands for.
func known(p *pairing, token string) (string, bool) {
	return p.phones.client(context.Background(), token)
}

func TestThePhonePairedFirstMakesRoom(t *testing.T) {
	j := newJournal(t)
	p := keptBy(t, j)
	var gone []string
	p.phones.onRevoke = func(clients []string) { gone = append(gone, clients...) }
	now := time.Now()
	p.phones.now = func() time.Time { now = now.Add(time.Second); return now }
	tokens, names := []string{}, map[string]bool{}
	for range maxPhones + 1 {
		token, err := p.pair(t.Context(), p.codes.displayed())
		require.NoError(t, err)
		name, ok := known(p, token)
		require.True(t, ok)
		tokens, names[name] = append(tokens, token), true
	}
	assert.Equal(t, maxPhones, p.count())
	_, ok := known(p, tokens[0])
	assert.False(t, ok, "the first pairs again")
	assert.Equal(t, []string{"phone 1"}, gone)
	_, ok = known(p, tokens[1])
	assert.True(t, ok)
	assert.Len(t, names, maxPhones+1, "no two phones have one name")
	kept, err := j.Phones(t.Context())
	require.NoError(t, err)
	require.Len(t, kept, maxPhones)
	for i := range kept {
		assert.Equal(t, p.phones.phones[i].Hash, kept[i].Hash, "the journal has the same phones")
	}
	again := keptBy(t, j)
	token, err := again.pair(t.Context(), again.codes.displayed())
	require.NoError(t, err)
	name, _ := known(again, token)
	assert.Equal(t, fmt.Sprintf("phone %d", maxPhones+2), name)
}

// Somebody who knows the code pairs again and again. It costs neither the phone that holds the controls its place, not
// even while that one is away for a moment, nor any that is connected, even if all that pair so connect too.
func TestPairingAgainAndAgainCostsNoOtherItsPlace(t *testing.T) {
	for _, connecting := range []bool{false, true} {
		p := unkept(t)
		connected := map[string]bool{}
		p.phones.inUse = func() (map[string]bool, string) { return connected, "phone 1" }
		pair := func() (token, name string) {
			token, err := p.pair(t.Context(), p.codes.displayed())
			require.NoError(t, err)
			name, ok := known(p, token)
			require.True(t, ok, "whoever pairs is in")
			return token, name
		}
		holder, _ := pair()
		asleep, _ := pair()
		onlooker, name := pair()
		connected[name] = true
		for range 3 * maxPhones {
			_, name := pair()
			connected[name] = connecting
			require.LessOrEqual(t, p.count(), maxPhones)
		}
		_, ok := known(p, holder)
		assert.True(t, ok, "it holds the controls")
		_, ok = known(p, onlooker)
		assert.True(t, ok, "it is connected")
		_, ok = known(p, asleep)
		assert.False(t, ok, "it is neither")
	}
	p := unkept(t)
	all := map[string]bool{}
	for n := range maxPhones {
		_, err := p.pair(t.Context(), p.codes.displayed())
		require.NoError(t, err)
		all[fmt.Sprintf("phone %d", n+1)] = true
	}
	last := fmt.Sprintf("phone %d", maxPhones)
	p.phones.inUse = func() (map[string]bool, string) { return all, last }
	var gone []string
	p.phones.onRevoke = func(clients []string) { gone = append(gone, clients...) }
	_, err := p.pair(t.Context(), p.codes.displayed())
	require.NoError(t, err)
	assert.Equal(t, []string{fmt.Sprintf("phone %d", maxPhones-1)}, gone, "the last but one, where the last holds them")
}

// A journal that could not be changed when a phone made room has one too many: the next start removes the first.
func TestNoMorePhonesThanAllowedComeBack(t *testing.T) {
	j := newJournal(t)
	for n := range maxPhones + 3 {
		require.NoError(t, j.AddPhone(t.Context(), record.Phone{
			Hash: [32]byte{byte(n)}, Name: fmt.Sprintf("phone %d", n+1), Paired: time.Now().Add(time.Duration(n)),
		}))
	}
	p := keptBy(t, j)
	assert.Equal(t, maxPhones, p.count())
	assert.Equal(t, "phone 4", p.phones.phones[0].Name)
	kept, err := j.Phones(t.Context())
	require.NoError(t, err)
	assert.Len(t, kept, maxPhones)
}

func newJournal(t *testing.T) *journal.Journal {
	t.Helper()
	j, err := journal.Open(t.Context(), filepath.Join(t.TempDir(), "journal.db"))
	require.NoError(t, err)
	t.Cleanup(func() { assert.NoError(t, j.Close()) })
	return j
}

func TestPhonesStayPairedOverARestart(t *testing.T) {
	j := newJournal(t)
	first := keptBy(t, j)
	at := func(now time.Time) string {
		first.phones.now = func() time.Time { return now }
		token, err := first.pair(t.Context(), first.codes.displayed())
		require.NoError(t, err)
		return token
	}
	token := at(time.Now())
	stale := at(time.Now().Add(-cookieLifetime))
	early := at(time.Unix(100, 0)) // the machine's clock is not set
	raw, err := os.ReadFile(j.Path())
	require.NoError(t, err)
	assert.NotContains(t, string(raw), token, "the token itself is on the phone only")

	again := keptBy(t, j)
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
	token, err := p.pair(t.Context(), p.codes.displayed())
	require.NoError(t, err)
	require.Len(t, p.phones.phones, 1)
	assert.False(t, bytes.Contains(p.phones.phones[0].Hash[:], []byte(token)[:16]))
}

// A token is good for thirty days, whether or not the program was started anew meanwhile, and whether or not the clock
// was set when the phone was paired.
func TestAPairingEndsWithinOneRun(t *testing.T) {
	for _, start := range []time.Time{time.Now(), time.Unix(1000, 0)} {
		j := newJournal(t)
		s, web := keptServer(t, &fakeController{}, j)
		var now atomic.Pointer[time.Time]
		now.Store(&start)
		s.pairing.phones.now = func() time.Time { return *now.Load() }
		cookie := pairPhone(t, s, web)
		live := dial(t, web, cookie)
		live.snapshot()

		last := start.Add(cookieLifetime - time.Second)
		now.Store(&last)
		answer, _ := ask(t, web, "GET", "/paired", "", with(cookie))
		assert.Equal(t, http.StatusNoContent, answer.StatusCode)
		over := start.Add(cookieLifetime)
		now.Store(&over)
		require.NoError(t, live.conn.SetReadDeadline(time.Now().Add(time.Minute)))
		assert.Equal(t, 1008, live.closeCode(), "what it has open ends, though nobody asks")
		proctest.Eventually(t, "it leaves the record, too", func() bool {
			kept, err := j.Phones(t.Context())
			return err == nil && len(kept) == 0
		})
		_, refused, err := connect(t, web, cookie, web.URL)
		require.Error(t, err)
		assert.Equal(t, http.StatusUnauthorized, refused.StatusCode)
		answer, _ = ask(t, web, "GET", "/paired", "", with(cookie))
		assert.Equal(t, http.StatusUnauthorized, answer.StatusCode)
	}
}

func TestForgottenPhonesAreOutAtOnce(t *testing.T) {
	j := newJournal(t)
	var done []string
	s, web := keptServer(t, &fakeController{do: func(_ context.Context, client string, cmd control.Command) error {
		done = append(done, cmd.Type+" by "+client)
		return nil
	}}, j)
	code := s.Code()
	var phones []*phone
	var cookies []*http.Cookie
	for range 3 {
		cookies = append(cookies, pairPhone(t, s, web))
		phones = append(phones, dial(t, web, cookies[len(cookies)-1]))
		phones[len(phones)-1].snapshot()
	}
	count, err := s.ForgetPhones(t.Context())
	require.NoError(t, err)
	assert.Equal(t, 3, count)
	assert.Equal(t, []string{"disarm by the machine"}, done, "nobody is left to answer for what is armed")
	for i, phone := range phones {
		assert.Equal(t, 1008, phone.closeCode())
		answer, _ := ask(t, web, "GET", "/paired", "", with(cookies[i]))
		assert.Equal(t, http.StatusUnauthorized, answer.StatusCode)
		_, refused, err := connect(t, web, cookies[i], web.URL)
		require.Error(t, err)
		assert.Equal(t, http.StatusUnauthorized, refused.StatusCode)
	}
	assert.NotEqual(t, code, s.Code(), "they know the old code")
	kept, err := j.Phones(t.Context())
	require.NoError(t, err)
	assert.Empty(t, kept)
	name, _ := known(s.pairing, pairPhone(t, s, web).Value)
	assert.Equal(t, "phone 4", name, "a name stands for one phone")
}

// What a phone sent before it was forgotten, and has not been done yet, is not done.
func TestAForgottenPhonesCommandsAreNotDone(t *testing.T) {
	under, finish, did := make(chan struct{}, 1), make(chan struct{}), make(chan string, 10)
	s, web := newServer(t, &fakeController{do: func(_ context.Context, _ string, cmd control.Command) error {
		if cmd.Type == "take" {
			under <- struct{}{}
			<-finish
		}
		did <- cmd.Type
		return nil
	}})
	phone := dial(t, web, pairPhone(t, s, web))
	phone.send(`{"n":1,"type":"take"}`)
	phone.send(`{"n":2,"type":"go"}`)
	<-under
	_, err := s.ForgetPhones(t.Context())
	require.NoError(t, err)
	close(finish)
	assert.Equal(t, 1008, phone.closeCode())
	s.sockets.close()
	close(did)
	assert.Equal(t, "disarm", <-did, "the machine's own")
	assert.Equal(t, "take", <-did)
	assert.Empty(t, did)
}

// A phone that is forgotten while it connects, too late to be let in and too early to be closed, is not let in.
func TestAPhoneForgottenWhileItConnectsIsNotLetIn(t *testing.T) {
	s, web := newServer(t, &fakeController{})
	cookie := pairPhone(t, s, web)
	looked := make(chan struct{}, 10)
	s.pairing.phones.now = func() time.Time { looked <- struct{}{}; return time.Now() }
	s.sockets.mu.Lock() // it waits for this to be counted in
	refused := make(chan int)
	go func() {
		conn, answer, err := connect(t, web, cookie, web.URL)
		if err == nil {
			conn.Close()
		}
		refused <- answer.StatusCode
	}()
	<-looked
	s.pairing.phones.revokeAll()
	s.sockets.mu.Unlock()
	assert.Equal(t, http.StatusUnauthorized, <-refused)
}

// stuck is a journal that does not answer until it is freed.
type stuck struct {
	*journal.Journal
	asked chan string // what it was asked for
	free  chan struct{}
}

func newStuck(t *testing.T) *stuck {
	return &stuck{newJournal(t), make(chan string, 10), make(chan struct{})}
}

func (s *stuck) AddPhone(ctx context.Context, p record.Phone) error {
	s.asked <- "add"
	<-s.free
	return s.Journal.AddPhone(ctx, p)
}

// Pairing waits for the journal, and nothing else does.
func TestAJournalThatDoesNotAnswerHoldsUpOnlyWhoPairs(t *testing.T) {
	kept, did := newStuck(t), make(chan string, 10)
	s, web := keptServer(t, &fakeController{do: func(_ context.Context, client string, cmd control.Command) error {
		did <- client + " " + cmd.Type
		return nil
	}}, kept)
	s.pairing.phones.store = kept.Journal
	cookie := pairPhone(t, s, web)
	s.pairing.phones.store = kept

	answered := make(chan int)
	go func() { answered <- post(s, s.Code(), strangers(0)).Code }()
	require.Equal(t, "add", <-kept.asked)

	for _, path := range []string{"/paired", "/", "/metrics"} {
		answer, _ := ask(t, web, "GET", path, "", with(cookie))
		assert.Less(t, answer.StatusCode, 300, path)
	}
	phone := dial(t, web, cookie)
	phone.snapshot()
	phone.send(`{"n":1,"type":"disarm"}`)
	assert.Equal(t, int64(1), phone.reply().Re)
	assert.Equal(t, "phone 1 disarm", <-did)
	answer, _ := ask(t, web, "POST", "/pair", codeBody(wrong(s.Code())))
	assert.Equal(t, http.StatusForbidden, answer.StatusCode, "a wrong code is answered")

	close(kept.free)
	assert.Equal(t, http.StatusNoContent, <-answered)
}

// A pairing that is under way when all phones are forgotten comes to nothing: not in memory, not on record.
func TestForgettingCatchesAPairingUnderWay(t *testing.T) {
	kept := newStuck(t)
	s, web := keptServer(t, &fakeController{}, kept)
	s.pairing.phones.store = kept.Journal
	cookie := pairPhone(t, s, web)
	s.pairing.phones.store = kept
	code := s.Code()
	answered := make(chan int)
	go func() { answered <- post(s, code, strangers(0)).Code }()
	require.Equal(t, "add", <-kept.asked)

	notified := make(chan struct{})
	s.pairing.codes.changed = func(CodeChange) { close(notified) }
	forgot := make(chan error)
	go func() {
		_, err := s.ForgetPhones(context.Background())
		forgot <- err
	}()
	<-notified
	answer, _ := ask(t, web, "GET", "/paired", "", with(cookie))
	assert.Equal(t, http.StatusUnauthorized, answer.StatusCode, "forgotten before the journal answers")

	close(kept.free)
	assert.Equal(t, http.StatusForbidden, <-answered)
	require.NoError(t, <-forgot)
	all, err := kept.Phones(t.Context())
	require.NoError(t, err)
	assert.Empty(t, all)
	assert.Zero(t, s.pairing.count())
}

// BenchmarkGuesses is the rate that the chances at shortTries are worked out with: wrong long codes, from so many
// addresses that the limit on requests of each does not matter. No network, so a real guesser gets less.
func BenchmarkGuesses(b *testing.B) {
	s, err := New(b.Context(), Options{Control: &fakeController{}, Files: testFiles, Names: []string{"studio.local"},
		Log: slog.New(slog.DiscardHandler)})
	require.NoError(b, err)
	for !s.pairing.codes.long() {
		s.pairing.codes.check("")
	}
	handler, n := s.Handler(), atomic.Int64{}
	b.RunParallel(func(pb *testing.PB) {
		for pb.Next() {
			if w := postTo(handler, "0000000000", strangers(int(n.Add(1)%1000))); w.Code != http.StatusForbidden {
				b.Error(w.Code, w.Body)
				return
			}
		}
	})
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "guesses/s")
}
