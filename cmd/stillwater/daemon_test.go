package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"io"
	"net"
	"net/http"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/gorilla/websocket"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/care"
	"stillwater/internal/control"
	"stillwater/internal/page/pagetest"
	"stillwater/internal/proctest"
	"stillwater/internal/record"
)

// daemonRun is a daemon in this process.
type daemonRun struct {
	t         testing.TB
	url, code string
	stop      func() int // returns the exit status
	log       *proctest.Log
	lines     chan string // what it prints after its first code
}

var (
	saysPage = regexp.MustCompile(`page\s+(http://[^\s]+)/`)
	saysCode = regexp.MustCompile(`pairing code\s+([0-9]+)`)
)

// startDaemon runs the daemon with flags until the test ends or stop is called, and reads what it prints.
func startDaemon(t testing.TB, args ...string) *daemonRun {
	t.Helper()
	return startDaemonIn(t, func(string) string { return "" }, args...)
}

// startDaemonIn does so in an environment.
func startDaemonIn(t testing.TB, getenv func(string) string, args ...string) *daemonRun {
	t.Helper()
	out, in := io.Pipe()
	r := &daemonRun{t: t, log: &proctest.Log{}, lines: make(chan string, 100)}
	m := &Main{Stdout: in, Stderr: r.log, Getenv: getenv}
	ctx, cancel := context.WithCancel(context.Background())
	status := make(chan int, 1)
	go func() {
		status <- m.Run(ctx, args)
		in.Close()
	}()
	r.stop = sync.OnceValue(func() int { cancel(); return <-status })
	t.Cleanup(func() {
		r.stop()
		if t.Failed() {
			t.Logf("the daemon's log:\n%s", r.log)
		}
	})
	lines := bufio.NewScanner(out)
	for r.url == "" || r.code == "" {
		if !lines.Scan() {
			t.Fatalf("the daemon ended with %d: %s", r.stop(), r.log)
		}
		if found := saysPage.FindStringSubmatch(lines.Text()); found != nil {
			r.url = found[1]
		}
		if found := saysCode.FindStringSubmatch(lines.Text()); found != nil {
			r.code = found[1]
		}
	}
	go func() {
		defer close(r.lines)
		for lines.Scan() {
			select {
			case r.lines <- lines.Text():
			default: // nobody reads them
			}
		}
	}()
	return r
}

// waitForLine waits for a line that begins so.
func waitForLine(t *testing.T, lines <-chan string, begin string) string {
	t.Helper()
	for end := time.After(patience); ; {
		select {
		case line, ok := <-lines:
			require.True(t, ok, "it ended before it said %q", begin)
			if strings.HasPrefix(line, begin) {
				return line
			}
		case <-end:
			require.Fail(t, "waited in vain", begin)
		}
	}
}

// wsPhone is a paired phone with a websocket.
type wsPhone struct {
	t      testing.TB
	conn   *websocket.Conn
	cookie *http.Cookie
	screen pagetest.Screen
	n      int64
	last   *control.Snapshot
}

func (r *daemonRun) pair() *wsPhone { return r.join(r.cookie()) }

// cookie is that of a phone newly paired.
func (r *daemonRun) cookie() *http.Cookie {
	r.t.Helper()
	answer := r.tryCode(r.code)
	require.Equal(r.t, http.StatusNoContent, answer.StatusCode)
	return answer.Cookies()[0]
}

// tryCode types a code on a phone that is not paired.
func (r *daemonRun) tryCode(code string) *http.Response {
	r.t.Helper()
	request, err := http.NewRequest("POST", r.url+"/pair", strings.NewReader(`{"code":"`+code+`"}`))
	require.NoError(r.t, err)
	request.Header.Set("Origin", r.url)
	request.Header.Set("Content-Type", "application/json")
	answer, err := http.DefaultClient.Do(request)
	require.NoError(r.t, err)
	answer.Body.Close()
	return answer
}

// join connects a phone that was paired before, and waits for the board.
func (r *daemonRun) join(cookie *http.Cookie) *wsPhone {
	r.t.Helper()
	h := r.enter(cookie)
	h.until("the board is connected", func(s *control.Snapshot) bool { return s.Board.Connected })
	return h
}

// enter connects a phone that was paired before, board or no board.
func (r *daemonRun) enter(cookie *http.Cookie) *wsPhone {
	r.t.Helper()
	conn, _, err := websocket.DefaultDialer.Dial(strings.Replace(r.url, "http", "ws", 1)+"/ws",
		http.Header{"Origin": {r.url}, "Cookie": {cookie.Name + "=" + cookie.Value}})
	require.NoError(r.t, err)
	r.t.Cleanup(func() { conn.Close() })
	// The library's own handler gives up after a second, which a busy machine may take.
	conn.SetPingHandler(func(data string) error {
		return conn.WriteControl(websocket.PongMessage, []byte(data), time.Time{})
	})
	return &wsPhone{t: r.t, conn: conn, cookie: cookie}
}

func (h *wsPhone) read() pagetest.Message {
	h.t.Helper()
	h.conn.SetReadDeadline(time.Now().Add(patience))
	_, data, err := h.conn.ReadMessage()
	require.NoError(h.t, err)
	m, err := h.screen.Take(data)
	require.NoError(h.t, err)
	if m.Snapshot != nil {
		h.last = m.Snapshot
	}
	return m
}

// until reads until a snapshot is as wanted. Snapshots that go on and never are end the test too.
func (h *wsPhone) until(what string, wanted func(*control.Snapshot) bool) *control.Snapshot {
	h.t.Helper()
	for end := time.Now().Add(patience); h.last == nil || !wanted(h.last); h.read() {
		if time.Now().After(end) {
			last, err := json.Marshal(h.last)
			require.FailNow(h.t, "never happened: "+what, "%s %v", last, err)
		}
	}
	return h.last
}

// shotTries is how often a shot is made again that was late because the machine has much else to do.
const shotTries = 50

// must sends a command that is carried out.
func (h *wsPhone) must(cmd control.Command) {
	h.t.Helper()
	m := h.ask(cmd)
	require.Equal(h.t, "done", m.Type, "%+v: %+v", cmd, m.Refusal)
}

// ask sends a command and waits for its answer.
func (h *wsPhone) ask(cmd control.Command) pagetest.Message {
	h.t.Helper()
	h.n++
	cmd.Epoch = h.last.Epoch
	data, err := json.Marshal(struct {
		N int64 `json:"n"`
		control.Command
	}{h.n, cmd})
	require.NoError(h.t, err)
	require.NoError(h.t, h.conn.WriteMessage(websocket.TextMessage, data))
	for {
		if m := h.read(); m.Re == h.n {
			return m
		}
	}
}

// hold takes the controls and ticks the cautions, which are asked at each start.
func (h *wsPhone) hold() {
	h.t.Helper()
	h.must(control.Command{Type: "take"})
	for _, caution := range care.Checklist() {
		h.must(control.Command{Type: "care", ID: caution.ID, Ticked: true})
	}
}

func (h *wsPhone) ready() {
	h.t.Helper()
	h.hold()
	h.must(control.Command{Type: "set", Field: "light.recycle", Value: "100 ms"}) // a test waits for it after each shot
}

func (h *wsPhone) arm(shots int) {
	h.t.Helper()
	h.armAs(control.Command{Shots: shots})
}

// armAs arms. A board that a busy machine kept from answering is gone for a while, and arming is refused until it is
// back.
func (h *wsPhone) armAs(cmd control.Command) {
	h.t.Helper()
	cmd.Type = "arm"
	for try := 0; ; try++ {
		m := h.ask(cmd)
		if m.Type == "done" {
			break
		}
		require.Less(h.t, try, 20, "%+v", m.Refusal)
		h.until("the board is back", func(s *control.Snapshot) bool {
			return s.Board.Connected && s.State == control.Safe
		})
	}
	h.until("armed", inState(control.Armed))
}

func inState(state control.State) func(*control.Snapshot) bool {
	return func(s *control.Snapshot) bool { return s.State == state }
}

// oneShot makes shots until one is in time: a machine that is busy with other things makes some late.
func (h *wsPhone) oneShot() control.ShotView {
	h.t.Helper()
	for try := 0; ; try++ {
		if made := h.anyShot(); made.OK || try == shotTries {
			require.Equal(h.t, "done", made.Status)
			return made
		}
	}
}

// giveVerdict gives a shot a verdict and returns the one that is then on record: none where the machine was late, as a
// busy one may be, because the verdict is refused.
func (h *wsPhone) giveVerdict(s control.ShotView, verdict record.Verdict) record.Verdict {
	h.t.Helper()
	m := h.ask(control.Command{Type: "verdict", Shot: s.ID, Verdict: verdict})
	if s.Problem == "" {
		require.Equal(h.t, "done", m.Type, "%+v", m.Refusal)
		return verdict
	}
	require.Equal(h.t, "refused", m.Type, s.Problem)
	require.Equal(h.t, s.Problem, m.Refusal.Remedy)
	return record.Unjudged
}

// anyShot arms, lets go and waits for the shot, which is in time or said to be late.
func (h *wsPhone) anyShot() control.ShotView {
	h.t.Helper()
	before := h.last.ShotCount
	h.arm(1)
	h.must(control.Command{Type: "room"})
	h.until("the shot is on record", func(s *control.Snapshot) bool { return s.ShotCount > before })
	h.until("at rest", func(s *control.Snapshot) bool { return s.State == control.Safe && !s.Room.Busy })
	made := h.last.Shots[0]
	require.Equal(h.t, map[bool]string{true: "done", false: "late"}[made.OK], made.Status)
	return made
}

// The newcomer's minute, and the daemon started again after it.
func TestDaemonFromPairingToShotAndBack(t *testing.T) {
	t.Parallel()
	journal := filepath.Join(t.TempDir(), "journal.db")
	flags := []string{"--listen", "127.0.0.1:0", "--journal", journal, "--seed", "3"}
	d := startDaemon(t, flags...)
	h := d.pair()
	assert.Equal(t, control.Safe, h.last.State)
	assert.Equal(t, "simulated", h.last.Board.Kind)
	h.ready()
	h.must(control.Command{Type: "set", Field: "throw.to_focus", Value: "80 cm"}) // without Go
	for _, kind := range []string{"drop", "throw", "sound"} {
		h.must(control.Command{Type: "set", Field: "kind", Value: kind})
		require.Nil(t, h.last.Refusal, kind)
		made := h.oneShot()
		assert.True(t, made.Simulated)
		assert.NotEmpty(t, made.Seen, kind)
		assert.NotEmpty(t, made.Cues, kind)
		assert.Equal(t, kind == "throw", made.IntervalMs != nil, kind)
		t.Logf("%s: delay %.3f ms, cues %+v, seen %q", kind, made.DelayMs, made.Cues, made.Seen)
	}
	verdict := h.giveVerdict(h.last.Shots[0], record.Good)
	h.must(control.Command{Type: "set", Field: "trim.drop", Value: "1 ms"})
	h.arm(9)
	h.must(control.Command{Type: "disarm"})
	h.until("disarmed", inState(control.Safe))
	h.arm(9)
	before := *h.last
	require.Zero(t, d.stop(), d.log)

	cookie := h.cookie
	again := startDaemon(t, flags...)
	h = again.join(cookie)
	assert.Equal(t, control.Safe, h.last.State, "never armed after a restart")
	assert.Equal(t, before.Session.Name, h.last.Session.Name)
	assert.Equal(t, before.Set, h.last.Set)
	assert.Equal(t, before.ShotCount, h.last.ShotCount)
	assert.Equal(t, verdict, h.last.Shots[0].Verdict)
	assert.Equal(t, before.Shots[0].Cues, h.last.Shots[0].Cues)
	assert.False(t, h.last.CareDone, "the cautions are asked at each start")
	assert.Equal(t, "Stillwater was restarted", h.last.CareAgain)
	require.Zero(t, again.stop(), again.log)

	forgetful := startDaemon(t, append(flags, "--forget-phones")...)
	request, err := http.NewRequest("GET", forgetful.url+"/paired", nil)
	require.NoError(t, err)
	request.AddCookie(cookie)
	answer, err := http.DefaultClient.Do(request)
	require.NoError(t, err)
	answer.Body.Close()
	assert.Equal(t, http.StatusUnauthorized, answer.StatusCode, "forgotten phones pair again")
}

func TestDaemonServesThePage(t *testing.T) {
	d := startDaemon(t, "--listen", "127.0.0.1:0", "--journal", filepath.Join(t.TempDir(), "j.db"))
	answer, err := http.Get(d.url + "/")
	require.NoError(t, err)
	defer answer.Body.Close()
	body, err := io.ReadAll(answer.Body)
	require.NoError(t, err)
	assert.Equal(t, 200, answer.StatusCode)
	assert.Contains(t, string(body), "<!doctype html>")
	assert.NotContains(t, string(body), d.code)
	require.Zero(t, d.stop(), "the log is whole once it has stopped")
	assert.NotContains(t, d.log.String(), d.code)
}

func TestDaemonSaysWhatIsInTheWay(t *testing.T) {
	busy, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	defer busy.Close()
	dir := t.TempDir()
	inUse := busy.Addr().String()
	for name, c := range map[string]struct {
		args   []string
		status int
		says   []string
	}{
		"port in use": {[]string{"--listen", inUse, "--journal", dir + "/j"}, 1,
			[]string{"in use", "--listen 127", "--journal"}},
		"no such host": {[]string{"--listen", "192.0.2.1:0", "--journal", dir + "/j"}, 1, []string{"192.0.2.1"}},
		"not an addr":  {[]string{"--listen", "8737"}, 2, []string{"--listen", ":8737"}},
		"no config":    {[]string{"--config", dir + "/none.toml"}, 1, []string{"none.toml"}},
		"journal place": {[]string{"--listen", "127.0.0.1:0", "--journal", dir}, 1,
			[]string{dir, "--journal FILE"}},
		"no home":      {[]string{"--listen", "127.0.0.1:0"}, 1, []string{"HOME", "--journal FILE"}},
		"unknown flag": {[]string{"--luck"}, 2, []string{"luck"}},
		"unknown word": {[]string{"launch"}, 2, []string{"launch"}},
	} {
		t.Run(name, func(t *testing.T) {
			var out, errs bytes.Buffer
			m := &Main{Stdout: &out, Stderr: &errs, Getenv: func(string) string { return "" }}
			assert.Equal(t, c.status, m.Run(t.Context(), c.args))
			for _, words := range c.says {
				assert.Contains(t, errs.String(), words)
			}
			assert.Empty(t, out.String())
		})
	}
}

func TestSecondDaemonOnTheSameJournal(t *testing.T) {
	journal := filepath.Join(t.TempDir(), "j.db")
	startDaemon(t, "--listen", "127.0.0.1:0", "--journal", journal)
	var errs bytes.Buffer
	m := &Main{Stdout: io.Discard, Stderr: &errs, Getenv: func(string) string { return "" }}
	assert.Equal(t, 1, m.Run(t.Context(), []string{"--listen", "127.0.0.1:0", "--journal", journal}))
	assert.Contains(t, errs.String(), journal)
	assert.Contains(t, errs.String(), "--journal FILE names another")
}

// BenchmarkArm is a tap on arm until the phone has the snapshot that says armed, over loopback with the simulated rig.
func BenchmarkArm(b *testing.B) {
	h := startDaemon(b, "--listen", "127.0.0.1:0", "--journal", filepath.Join(b.TempDir(), "j.db")).pair()
	h.ready()
	for b.Loop() {
		h.arm(1)
		b.StopTimer()
		h.must(control.Command{Type: "disarm"})
		h.until("safe", inState(control.Safe))
		time.Sleep(120 * time.Millisecond) // stay below the limit on messages
		b.StartTimer()
	}
}
