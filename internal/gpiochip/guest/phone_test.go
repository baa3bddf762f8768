//go:build guest

package guest

import (
	"encoding/json"
	"fmt"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/gorilla/websocket"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"stillwater/internal/control"
	"stillwater/internal/page/pagetest"
	"stillwater/internal/proctest"
)

// patience is how long anything is waited for, in the machine's own time. It is no limit that is checked: what takes so
// long has not happened.
const patience = 2 * time.Minute

// program is the real executable.
const program = "/t/stillwater"

// daemon is a running Stillwater.
type daemon struct {
	t    *testing.T
	cmd  *exec.Cmd
	out  proctest.Log
	url  string
	code string
	done chan struct{} // closed when it has ended
}

// startDaemon starts Stillwater with a configuration and waits until it says where its page is.
func startDaemon(t *testing.T, config string) *daemon {
	t.Helper()
	path := filepath.Join(t.TempDir(), "stillwater.toml")
	require.NoError(t, os.WriteFile(path, []byte(config), 0o644))
	d := &daemon{t: t, done: make(chan struct{})}
	d.cmd = exec.Command(program, "--config", path, "--journal", filepath.Join(t.TempDir(), "journal.db"))
	d.cmd.Stdout, d.cmd.Stderr = &d.out, &d.out
	require.NoError(t, d.cmd.Start())
	go func() {
		defer close(d.done)
		_ = d.cmd.Wait()
	}()
	t.Cleanup(func() {
		d.stop(unix.SIGTERM)
		if t.Failed() {
			t.Logf("the daemon said:\n%s", d.out.String())
		}
	})
	announced := regexp.MustCompile(`page\s+(http://\S+)/\s+pairing code\s+(\d+)`)
	d.eventually("the daemon says where its page is", func() bool {
		found := announced.FindStringSubmatch(d.out.String())
		if found != nil {
			d.url, d.code = found[1], found[2]
		}
		return found != nil
	})
	return d
}

func (d *daemon) eventually(what string, done func() bool) {
	d.t.Helper()
	proctest.Eventually(d.t, what, done) // the daemon's log is shown at the end
}

// stop ends the daemon with a signal and waits for its end.
func (d *daemon) stop(signal unix.Signal) {
	_ = d.cmd.Process.Signal(signal)
	select {
	case <-d.done:
	case <-time.After(patience):
		d.t.Errorf("the daemon does not end on %v", signal)
		_ = d.cmd.Process.Kill()
		<-d.done
	}
}

// boardPid is the number of the daemon's board process.
func (d *daemon) boardPid() (pid int) {
	d.t.Helper()
	d.eventually("a board process runs", func() bool {
		for _, pid = range proctest.Children(d.t, d.cmd.Process.Pid) {
			return true
		}
		return false
	})
	return pid
}

// phone is a paired client with a websocket.
type phone struct {
	d      *daemon
	ws     *websocket.Conn
	screen pagetest.Screen
	sent   int64
	last   control.Snapshot
	seen   bool
}

// pair pairs a client by the code and connects it.
func (d *daemon) pair() *phone {
	d.t.Helper()
	body := strings.NewReader(fmt.Sprintf(`{"code":%q}`, d.code))
	ask, err := http.NewRequest(http.MethodPost, d.url+"/pair", body)
	require.NoError(d.t, err)
	ask.Header.Set("Content-Type", "application/json")
	ask.Header.Set("Origin", d.url)
	answer, err := http.DefaultClient.Do(ask)
	require.NoError(d.t, err)
	answer.Body.Close()
	require.Equal(d.t, http.StatusNoContent, answer.StatusCode)
	require.Len(d.t, answer.Cookies(), 1)
	header := http.Header{"Origin": {d.url}, "Cookie": {answer.Cookies()[0].String()}}
	ws, _, err := websocket.DefaultDialer.Dial(strings.Replace(d.url, "http", "ws", 1)+"/ws", header)
	require.NoError(d.t, err)
	d.t.Cleanup(func() { ws.Close() })
	return &phone{d: d, ws: ws}
}

func (p *phone) read() pagetest.Message {
	p.d.t.Helper()
	require.NoError(p.d.t, p.ws.SetReadDeadline(time.Now().Add(patience)))
	_, data, err := p.ws.ReadMessage()
	require.NoError(p.d.t, err)
	m, err := p.screen.Take(data)
	require.NoError(p.d.t, err)
	if m.Snapshot != nil {
		p.last, p.seen = *m.Snapshot, true
	}
	return m
}

// ask sends a command and returns the refusal, nil when it was carried out.
func (p *phone) ask(c control.Command) *control.Refusal {
	p.d.t.Helper()
	p.sent++
	c.Epoch = p.last.Epoch
	text, err := json.Marshal(struct {
		N int64 `json:"n"`
		control.Command
	}{p.sent, c})
	require.NoError(p.d.t, err)
	require.NoError(p.d.t, p.ws.WriteMessage(websocket.TextMessage, text))
	for {
		m := p.read()
		if m.Re == p.sent && (m.Type == "done" || m.Type == "refused") {
			return m.Refusal
		}
	}
}

// do sends commands that must be carried out.
func (p *phone) do(commands ...control.Command) {
	p.d.t.Helper()
	for _, c := range commands {
		refusal := p.ask(c)
		require.Nil(p.d.t, refusal, "%+v was refused: %+v", c, refusal)
	}
}

// until reads snapshots until one is as wanted, beginning with the last one read.
func (p *phone) until(what string, wanted func(s control.Snapshot) bool) control.Snapshot {
	p.d.t.Helper()
	for end := time.Now().Add(patience); time.Now().Before(end); p.read() {
		if p.seen && wanted(p.last) {
			return p.last
		}
	}
	p.d.t.Fatalf("never seen: %s; the last snapshot: state %s (%s), notice %q, %d shots; the daemon said:\n%s", what,
		p.last.State, p.last.Reason, p.last.Notice, p.last.ShotCount, p.d.out.String())
	return p.last
}

// ready takes the controls, does the checklist and waits for the board.
func (p *phone) ready() {
	p.d.t.Helper()
	s := p.until("the board is connected", func(s control.Snapshot) bool { return s.Board.Connected })
	p.do(control.Command{Type: "take"})
	for _, care := range s.Care {
		p.do(control.Command{Type: "care", ID: care.ID, Ticked: true})
	}
}

// set changes fields of the set, given as name, value, name, value.
func (p *phone) set(pairs ...string) {
	p.d.t.Helper()
	for i := 0; i < len(pairs); i += 2 {
		p.do(control.Command{Type: "set", Field: pairs[i], Value: pairs[i+1]})
	}
}

// arm arms for shots and returns the snapshot that shows it.
func (p *phone) arm(shots int) control.Snapshot {
	p.d.t.Helper()
	p.do(control.Command{Type: "arm", Shots: shots})
	return p.until("armed", func(s control.Snapshot) bool { return s.State == control.Armed })
}

func (p *phone) untilState(state control.State) control.Snapshot {
	p.d.t.Helper()
	return p.until("state "+string(state), func(s control.Snapshot) bool { return s.State == state })
}

// untilShots waits until so many shots are in the record and returns the newest.
func (p *phone) untilShots(n int) control.ShotView {
	p.d.t.Helper()
	s := p.until(fmt.Sprintf("%d shots in the record", n), func(s control.Snapshot) bool { return s.ShotCount >= n })
	require.Equal(p.d.t, n, s.ShotCount)
	return s.Shots[0]
}
