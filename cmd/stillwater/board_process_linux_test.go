package main

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"stillwater/internal/board"
	"stillwater/internal/board/boardtest"
	"stillwater/internal/config"
	"stillwater/internal/control"
	"stillwater/internal/gpioboard/gpioboardtest"
	"stillwater/internal/proctest"
	"stillwater/internal/service"
	"stillwater/internal/service/servicetest"
	"stillwater/internal/spawn"
	"stillwater/internal/wire"
)

// processConfig is a board with virtual pins; its lines are looked up nowhere.
const processConfig = `
[board]
kind = "gpio"
priority = 0

[board.heartbeat]
pin = "BEAT"

[[board.input]]
name = "beam"
role = "beam"
pin = "BEAM"
active = "high"

[[board.input]]
name = "stop"
role = "kill"
pin = "STOP"
active = "high"

[[board.output]]
name = "shutter"
kind = "shutter"
pin = "SHUTTER"
safe = "low"
longest_on = "60 s"
`

// proc is a board process with virtual pins.
type proc struct {
	t    *testing.T
	pins *gpioboardtest.Pins
	file string // of the pins
	conf string
	sum  string
	cmd  *exec.Cmd
	log  *proctest.Log
	done chan struct{}
}

func newProc(t *testing.T) *proc {
	pins, file := gpioboardtest.New(t)
	p := &proc{t: t, pins: pins, file: file, conf: filepath.Join(t.TempDir(), "stillwater.toml"), log: &proctest.Log{}}
	p.configure(processConfig)
	t.Cleanup(func() {
		if t.Failed() {
			t.Logf("the board said:\n%s", p.log)
		}
	})
	return p
}

func (p *proc) configure(text string) {
	p.t.Helper()
	require.NoError(p.t, os.WriteFile(p.conf, []byte(text), 0o600))
	conf, err := config.Load(p.conf)
	require.NoError(p.t, err)
	p.sum = conf.Sum
}

// env is the environment of the program played by this test binary. The race detector would let each process end only
// after a second.
func (p *proc) env(more ...string) []string {
	return append(service.Environ(), append(more, runEnv+"=1", pinsEnv+"="+p.file, "GORACE=atexit_sleep_ms=0")...)
}

// spawned starts the board as the daemon does, and returns its link.
func (p *proc) spawned() *spawn.Process {
	p.t.Helper()
	link, err := spawn.Start(spawn.Command{Args: []string{"board", "--config", p.conf}, Env: p.env(), Stderr: p.log})
	require.NoError(p.t, err)
	p.t.Cleanup(func() { link.Close() })
	return link
}

// run starts the board by itself.
func (p *proc) run(files []*os.File, shell string, env []string, args ...string) {
	p.t.Helper()
	path, err := os.Executable()
	require.NoError(p.t, err)
	args = append([]string{"board", "--config", p.conf}, args...)
	cmd := exec.Command(path, args...)
	if shell != "" { // which puts what only it can know before the program
		cmd = exec.Command("/bin/sh", append([]string{"-c", shell + ` exec "$0" "$@"`, path}, args...)...)
	}
	cmd.Env, cmd.Stderr, cmd.ExtraFiles = p.env(env...), p.log, files
	require.NoError(p.t, cmd.Start())
	done := make(chan struct{})
	p.cmd, p.done = cmd, done
	go func() { defer close(done); _ = cmd.Wait() }()
	p.t.Cleanup(func() { p.signal(unix.SIGTERM); <-done })
}

// pid is the number of the board process, which has its outputs then.
func (p *proc) pid() (pid int) {
	p.t.Helper()
	proctest.Eventually(p.t, "it has its outputs", func() bool {
		pid = int(p.pins.Board.Load())
		return pid != 0
	})
	return pid
}

// watchdog is the number of the watchdog that the board process starts.
func (p *proc) watchdog() int {
	p.t.Helper()
	var children []int
	proctest.Eventually(p.t, "it has a watchdog", func() bool {
		children = proctest.Children(p.t, p.pid())
		return len(children) > 0
	})
	require.Len(p.t, children, 1)
	return children[0]
}

func (p *proc) signal(s unix.Signal) { _ = p.cmd.Process.Signal(s) }

// lit switches the output on for a minute, and waits until it is.
func (p *proc) lit(link io.ReadWriter) {
	p.t.Helper()
	h := boardtest.NewFrames(p.t, link)
	h.Send(wire.Identify{})
	boardtest.Next[wire.Identity](h)
	h.Send(wire.Pulse{Output: 0, Width: 60 * 10_000_000})
	go func() { // a silent link would switch it off
		ping := wire.AppendFrame(nil, wire.Ping{}.Frame(3))
		for range time.Tick(100 * time.Millisecond) {
			if _, err := link.Write(ping); err != nil {
				return
			}
		}
	}()
	go io.Copy(io.Discard, link)
	if p.pins.Panic.Load() == 0 {
		proctest.Eventually(p.t, "the output is on", func() bool { return p.pins.On.Load() == 1 })
	}
}

// Whatever ends the process while an output is on, the output is switched off: by the process if it can, by its
// watchdog if it cannot. Then the heartbeat's line does not change any more.
func TestEveryWayOut(t *testing.T) {
	kill := func(s unix.Signal) func(*proc, *spawn.Process) {
		return func(p *proc, _ *spawn.Process) { _ = unix.Kill(p.pid(), s) }
	}
	fault := func(n uint32) func(*proc, *spawn.Process) {
		return func(p *proc, _ *spawn.Process) { p.pins.Panic.Store(n) }
	}
	for name, c := range map[string]struct {
		before func(*proc, *spawn.Process) // the output goes on
		after  func(*proc, *spawn.Process) // it is on
		itself bool                        // the process switches off, whatever its watchdog does after it
		says   string
	}{
		"the host goes":              {after: func(_ *proc, l *spawn.Process) { go l.Close() }, itself: true},
		"it is asked to end":         {after: kill(unix.SIGTERM), itself: true},
		"it is interrupted":          {after: kill(unix.SIGINT), itself: true},
		"its terminal closes":        {after: kill(unix.SIGHUP), itself: true},
		"it is told to quit":         {after: kill(unix.SIGQUIT), itself: true},
		"it is killed":               {after: kill(unix.SIGKILL), says: "SIGKILL"},
		"the runtime is aborted":     {after: kill(unix.SIGABRT), says: "status 2"},
		"a bad address is read":      {after: kill(unix.SIGSEGV), says: "status 2"},
		"the loop panics":            {before: fault(1), itself: true, says: "status 2"},
		"another goroutine panics":   {before: fault(2), says: "status 2"},
		"the loop hangs and is shot": {before: fault(3), after: kill(unix.SIGKILL), says: "SIGKILL"},
		"the inputs fail": {itself: true, says: "blind on purpose", after: func(p *proc, _ *spawn.Process) {
			p.pins.FailRead.Store(1)
			assert.NoError(p.t, p.pins.Edge(p.file, 0, true))
		}},
		"the heartbeat's line fails": {itself: true, says: "heartbeat: no line on purpose",
			after: func(p *proc, _ *spawn.Process) { p.pins.FailHeartbeat.Store(1) }},
		"its watchdog is killed": {itself: true, says: "the outputs' watchdog has gone",
			after: func(p *proc, _ *spawn.Process) {
				assert.NoError(p.t, unix.Kill(p.watchdog(), unix.SIGKILL))
			}},
	} {
		if name == "its terminal closes" && signal.Ignored(unix.SIGHUP) {
			continue // nohup says that it shall not end by that
		}
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			p := newProc(t)
			link := p.spawned()
			watchdog := p.watchdog()
			if c.before != nil {
				c.before(p, link)
			}
			p.lit(link)
			if c.after != nil {
				proctest.Eventually(t, "it is on", func() bool { return p.pins.On.Load() == 1 || p.pins.SwitchedOn.Load() > 0 })
				c.after(p, link)
			}
			proctest.Eventually(t, "the output is off",
				func() bool { return p.pins.SwitchedOn.Load() > 0 && p.pins.On.Load() == 0 })
			<-link.Done()
			_, err := link.Write([]byte{0})
			if c.says != "" {
				assert.ErrorContains(t, err, c.says)
			}
			assert.Zero(t, p.pins.On.Load())
			sets := p.pins.Sets.Load()
			if c.itself {
				assert.GreaterOrEqual(t, sets, uint32(4), "off at the start, on, off by the loop, off by closing")
			} else {
				proctest.Eventually(t, "its watchdog did it", func() bool { return p.pins.Watched.Load() == 1 })
				assert.Equal(t, uint32(2), sets, "off at the start, on")
			}
			beats := p.pins.Beats.Load()
			proctest.Eventually(t, "its watchdog has ended too", func() bool { return proctest.Ended(watchdog) })
			assert.Equal(t, beats, p.pins.Beats.Load(), "no heartbeat without a loop")
		})
	}
}

// The daemon that is killed leaves no output on: its board switches off and goes.
func TestParentGone(t *testing.T) {
	t.Parallel()
	p := newProc(t)
	path, err := os.Executable()
	require.NoError(t, err)
	journal := filepath.Join(t.TempDir(), "journal.db")
	daemon := exec.Command(path, "--config", p.conf, "--journal", journal, "--listen", "127.0.0.1:0")
	daemon.Env, daemon.Stderr = p.env(), p.log
	require.NoError(t, daemon.Start())
	proctest.Eventually(t, "the board runs", func() bool { return p.pins.Beats.Load() > 0 })
	pid := int(p.pins.Board.Load())
	require.Contains(t, proctest.Children(t, daemon.Process.Pid), pid)
	require.NoError(t, daemon.Process.Kill())
	_ = daemon.Wait()
	proctest.Eventually(t, "the board is gone too", func() bool { return proctest.Ended(pid) })
	assert.Zero(t, p.pins.On.Load())
}

// When board and watchdog are killed at one stroke the pins are left as they were. The next board process drives its
// outputs off before all else: though its sensors are missing, and though nobody gave it a link.
func TestRestartIsSafeFirst(t *testing.T) {
	t.Parallel()
	p := newProc(t)
	link := p.spawned()
	p.lit(link)
	watchdog := p.watchdog()
	for _, pid := range []int{watchdog, p.pid()} {
		require.NoError(t, unix.Kill(pid, unix.SIGSTOP))
	}
	for _, pid := range []int{watchdog, p.pid()} {
		require.NoError(t, unix.Kill(pid, unix.SIGKILL))
	}
	<-link.Done()
	beats := p.pins.Beats.Load()
	proctest.Eventually(t, "its watchdog has ended too", func() bool { return proctest.Ended(watchdog) })
	require.Equal(t, uint32(1), p.pins.On.Load(), "nobody was there to switch it off; the hardware's guard does")
	require.Equal(t, beats, p.pins.Beats.Load(), "for there is no heartbeat")

	taken := p.pins.Taken.Load()
	p.run(nil, "", nil, "--sum", "another")
	<-p.done
	assert.Contains(t, p.log.String(), "was changed since the daemon read it")
	assert.Equal(t, taken+1, p.pins.Taken.Load())
	assert.Zero(t, p.pins.On.Load(), "but the outputs are off")

	p.pins.On.Store(1)
	p.pins.FailOpenInputs.Store(1)
	link = p.spawned()
	<-link.Done()
	assert.Contains(t, p.log.String(), "the sensors are missing")
	assert.Zero(t, p.pins.On.Load())
}

// A process that is stopped has no heartbeat; one that goes on has one again.
func TestStoppedProcessHasNoHeartbeat(t *testing.T) {
	t.Parallel()
	p := newProc(t)
	p.spawned()
	proctest.Eventually(t, "it beats", func() bool { return p.pins.Beats.Load() > 5 })
	require.NoError(t, unix.Kill(p.pid(), unix.SIGSTOP))
	proctest.Eventually(t, "its threads are stopped", func() bool { return proctest.Stopped(t, p.pid()) })
	beats := p.pins.Beats.Load()
	whileAnotherBeats(t, 10)
	assert.Equal(t, beats, p.pins.Beats.Load())
	require.NoError(t, unix.Kill(p.pid(), unix.SIGCONT))
	proctest.Eventually(t, "it beats again", func() bool { return p.pins.Beats.Load() > beats+5 })
}

// whileAnotherBeats waits until another board has changed its heartbeat's line n times: for 10 ms each at least.
func whileAnotherBeats(t *testing.T, n uint32) {
	t.Helper()
	other := newProc(t)
	link := other.spawned()
	proctest.Eventually(t, "another beats", func() bool { return other.pins.Beats.Load() > n })
	assert.NoError(t, link.Close())
}

// at dials the board's socket, once it is there.
func (p *proc) at(path string) io.ReadWriteCloser {
	p.t.Helper()
	var link io.ReadWriteCloser
	proctest.Eventually(p.t, "the board answers", func() (ok bool) {
		var err error
		link, err = spawn.Dial(p.t.Context(), path, p.sum)
		return err == nil
	})
	p.t.Cleanup(func() { link.Close() })
	return link
}

// A board that is a service serves one host at a time. Between hosts its outputs are off and nothing is armed.
func TestBoardAtASocket(t *testing.T) {
	t.Parallel()
	p := newProc(t)
	path := filepath.Join(t.TempDir(), "board.sock")
	p.run(nil, "", nil, "--listen", path)
	link := p.at(path)
	info, err := os.Stat(path)
	require.NoError(t, err)
	assert.Equal(t, os.FileMode(0o600), info.Mode().Perm())
	p.lit(link)

	_, err = spawn.Dial(t.Context(), path, p.sum)
	assert.ErrorContains(t, err, "already serves ")
	assert.ErrorContains(t, err, fmt.Sprintf(" %d of user %d: a board has one host at a time", os.Getpid(), os.Getuid()))
	assert.Equal(t, uint32(1), p.pins.On.Load(), "the first is not disturbed")

	require.NoError(t, link.Close())
	proctest.Eventually(t, "the output is off", func() bool { return p.pins.On.Load() == 0 })
	beats := p.pins.Beats.Load()
	proctest.Eventually(t, "it beats without a host", func() bool { return p.pins.Beats.Load() > beats+5 })

	require.NoError(t, p.pins.Edge(p.file, 0, true), "an edge that nobody waits for")
	second := p.at(path)
	h := boardtest.NewFrames(t, second)
	h.Send(wire.Ping{})
	for f := h.Frame(); f.Type != wire.TypePong; f = h.Frame() {
		assert.NotEqual(t, wire.TypeEdge, f.Type, "the edge is not this host's")
	}
	h.Send(wire.Disarm{})
	assert.Equal(t, uint8(1), boardtest.Next[wire.State](h).Inputs, "but the level is known")
	require.NoError(t, second.Close())
	open := p.descriptors()
	for range 10 {
		client, err := board.Dial(t.Context(), p.at(path), board.Options{})
		require.NoError(t, err)
		assert.NoError(t, client.Disarm(t.Context()))
		assert.NoError(t, client.Close())
	}
	p.signal(unix.SIGTSTP) // as a terminal does at a pause
	p.at(path).Close()
	proctest.Eventually(t, "what came with the hosts goes with them", func() bool { return p.descriptors() < open+10 })

	p.at(path) // a host that is there when the board is asked to end
	p.signal(unix.SIGTERM)
	<-p.done
	assert.True(t, p.cmd.ProcessState.Success(), p.cmd.ProcessState)
	_, err = spawn.Dial(t.Context(), path, p.sum)
	assert.ErrorContains(t, err, "there is no board socket "+path+" yet: start the board's service with sudo systemctl "+
		"start stillwater-board.socket, or by hand with stillwater board --listen "+path)
}

// descriptors is how many the process has open.
func (p *proc) descriptors() int {
	list, err := os.ReadDir(fmt.Sprintf("/proc/%d/fd", p.cmd.Process.Pid))
	require.NoError(p.t, err)
	return len(list)
}

// A host that sends but does not read is disconnected; the board, here without a heartbeat, serves the next.
func TestBoardDisconnectsAHostThatDoesNotRead(t *testing.T) {
	t.Parallel()
	p := newProc(t)
	p.configure(strings.Replace(processConfig, "[board.heartbeat]\npin = \"BEAT\"\n", "", 1))
	path := filepath.Join(t.TempDir(), "board.sock")
	p.run(nil, "", nil, "--listen", path)
	mute := p.at(path)
	ask := wire.AppendFrame(nil, wire.Identify{}.Frame(1))
	for err := error(nil); err == nil; {
		_, err = mute.Write(ask)
	}
	mute.Close()
	client, err := board.Dial(t.Context(), p.at(path), board.Options{})
	require.NoError(t, err)
	assert.NoError(t, client.Close())
	assert.Contains(t, p.log.String(), "the host does not read and was disconnected; outputs are off")
	assert.Zero(t, p.pins.Beats.Load())
}

// Whatever is in the way of the socket is said, and only what nobody uses any more is replaced.
func TestSocketInTheWay(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	path := filepath.Join(dir, "board.sock")
	first := newProc(t)
	first.run(nil, "", nil, "--listen", path)
	first.at(path).Close()
	second := newProc(t)
	second.run(nil, "", nil, "--listen", path)
	<-second.done
	assert.Contains(t, second.log.String(), "another board is at "+path+": stop that one first")
	first.at(path).Close()

	first.signal(unix.SIGKILL)
	<-first.done
	_, err := spawn.Dial(t.Context(), path, first.sum)
	assert.ErrorContains(t, err, "nobody answers at the board socket "+path)
	again := newProc(t)
	again.run(nil, "", nil, "--listen", path)
	again.at(path).Close()

	note := filepath.Join(dir, "note.txt")
	require.NoError(t, os.WriteFile(note, []byte("mine"), 0o600))
	third := newProc(t)
	third.run(nil, "", nil, "--listen", note)
	<-third.done
	assert.Contains(t, third.log.String(), "is in the way of the board socket and is not a socket")
	text, err := os.ReadFile(note)
	require.NoError(t, err)
	assert.Equal(t, "mine", string(text))
	fourth := newProc(t)
	fourth.run(nil, "", nil, "--listen", filepath.Join(dir, "none", "board.sock"))
	<-fourth.done
	assert.Contains(t, fourth.log.String(), "the folder of the board socket")
}

// Under a service manager: the socket is the manager's and stays, ready is said once outputs are off, life is shown by
// the loop, and no longer when that hangs.
func TestBoardAsAService(t *testing.T) {
	t.Parallel()
	p := newProc(t)
	dir := t.TempDir()
	path := filepath.Join(dir, "board.sock")
	listener, err := net.ListenUnix("unix", &net.UnixAddr{Name: path, Net: "unix"})
	require.NoError(t, err)
	defer listener.Close()
	manager, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: filepath.Join(dir, "notify"), Net: "unixgram"})
	require.NoError(t, err)
	defer manager.Close()
	hear := func(wanted func(string) bool) string {
		b := make([]byte, 512)
		for {
			require.NoError(t, manager.SetReadDeadline(time.Now().Add(patience)))
			n, err := manager.Read(b)
			require.NoError(t, err)
			if wanted(string(b[:n])) {
				return string(b[:n])
			}
		}
	}
	says := func(words string) func(string) bool { return func(s string) bool { return strings.Contains(s, words) } }
	start := func() {
		t.Helper()
		listening, err := listener.File()
		require.NoError(t, err)
		defer listening.Close()
		p.run([]*os.File{listening}, "LISTEN_PID=$$", []string{"LISTEN_FDS=1",
			"NOTIFY_SOCKET=" + filepath.Join(dir, "notify"),
			"WATCHDOG_USEC=300000"})
	}

	early, err := net.Dial("unix", path) // before the board is there: it waits
	require.NoError(t, err)
	defer early.Close()
	p.pins.On.Store(1) // left on by whatever was before
	start()
	hear(says("READY=1"))
	assert.Zero(t, p.pins.On.Load(), "ready means that outputs are off")
	greeting, err := bufio.NewReader(early).ReadString('\n')
	require.NoError(t, err)
	assert.Equal(t, "stillwater board "+p.sum+"\n", greeting)
	hear(says("STATUS=serving "))
	early.Close()
	hear(says("STATUS=outputs are off; waiting for Stillwater's page"))
	hear(says("WATCHDOG=1"))

	link := p.at(path)
	hear(says("WATCHDOG=1"))
	p.pins.Panic.Store(3) // the loop hangs
	p.lit(link)
	proctest.Eventually(t, "it hangs", func() bool { return p.pins.SwitchedOn.Load() == 1 })
	servicetest.Waiting(t, manager)
	whileAnotherBeats(t, 40) // longer than the service manager waits
	assert.NotContains(t, servicetest.Waiting(t, manager), "WATCHDOG=1", "a loop that hangs shows no life")
	p.signal(unix.SIGABRT) // which the service manager now does
	<-p.done
	assert.Zero(t, p.pins.On.Load())

	p.pins.Panic.Store(0)
	start()
	hear(says("READY=1"))
	p.at(path)
	p.signal(unix.SIGTERM)
	hear(says("STOPPING=1"))
	<-p.done
	assert.True(t, p.cmd.ProcessState.Success(), p.cmd.ProcessState)
	_, err = os.Stat(path)
	assert.NoError(t, err, "the socket is not ours to remove")
}

// A watchdog is of no use by hand, and says so.
func TestWatchdogByHand(t *testing.T) {
	t.Parallel()
	p := newProc(t)
	p.run(nil, "", nil, "--watchdog", "1")
	<-p.done
	assert.Contains(t, p.log.String(), "a watchdog is started by the board process")
	p.run(nil, "", nil)
	<-p.done
	assert.Contains(t, p.log.String(), "give it a socket with --listen PATH")
}

// Page and board are services of their own. In whichever order they start, and whichever starts again while the other
// lives, they find each other; meanwhile the page says what is missing.
func TestDaemonAndBoardService(t *testing.T) {
	t.Parallel()
	p := newProc(t)
	path := filepath.Join(t.TempDir(), "board.sock")
	require.NoError(t, os.WriteFile(p.conf, []byte(strings.Replace(processConfig, "priority = 0\n", fmt.Sprintf(
		"priority = 0\nsocket = %q\n", path), 1)+"[[board.output]]\nname = \"flash\"\nkind = \"flash\"\npin = \"F\"\n"+
		"safe = \"low\"\nlongest_on = \"20 ms\"\n"), 0o600))
	flags := []string{"--config", p.conf, "--listen", "127.0.0.1:0", "--journal", filepath.Join(t.TempDir(), "j.db")}
	missing := func(h *wsPhone, words string) {
		t.Helper()
		h.until(words, func(s *control.Snapshot) bool {
			return !s.Board.Connected && strings.Contains(s.Board.Problem, words)
		})
	}
	connected := func(h *wsPhone) {
		t.Helper()
		h.until("the board is connected", func(s *control.Snapshot) bool { return s.Board.Connected })
	}
	d := startDaemon(t, flags...)
	cookie := d.cookie()
	h := d.enter(cookie)
	missing(h, "there is no board socket "+path+" yet: start the board's service with sudo systemctl start")
	p.run(nil, "", nil, "--listen", path)
	connected(h)
	h.ready()
	h.arm(3)

	p.signal(unix.SIGKILL) // while armed
	<-p.done
	missing(h, "its log says why: journalctl -u stillwater-board")
	missing(h, "nobody answers at the board socket "+path)
	p.run(nil, "", nil, "--listen", path)
	connected(h)
	assert.Equal(t, control.Safe, h.last.State, "disarmed")
	h.arm(3)

	require.Zero(t, d.stop(), d.log) // while armed; the board stays
	again := startDaemon(t, flags...)
	h = again.enter(cookie)
	connected(h)
	assert.Equal(t, control.Safe, h.last.State, "never armed after a restart")
	h.ready()
	h.arm(1)

	second := startDaemon(t, append(flags[:5:5], filepath.Join(t.TempDir(), "other.db"))...)
	missing(second.enter(second.cookie()), "already serves ")
	assert.Equal(t, control.Armed, h.last.State)

	require.Zero(t, second.stop())
	require.Zero(t, again.stop())
	text, err := os.ReadFile(p.conf)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(p.conf, append(text, "# changed\n"...), 0o600))
	changed := startDaemon(t, flags...)
	missing(changed.enter(cookie), "have read different configurations: restart both")
}

// The daemon tells the service manager when its page can be opened, and that it stops.
func TestDaemonTellsItsManager(t *testing.T) {
	t.Parallel()
	_, manager := servicetest.Manager(t, time.Hour)
	out, in := io.Pipe()
	defer in.Close()
	go io.Copy(io.Discard, out)
	path := manager.LocalAddr().String()
	m := &Main{Stdout: in, Stderr: io.Discard, Getenv: func(name string) string {
		return map[string]string{"NOTIFY_SOCKET": path}[name]
	}}
	ctx, cancel := context.WithCancel(t.Context())
	status := make(chan int, 1)
	go func() {
		status <- m.Run(ctx, []string{"--listen", "127.0.0.1:0", "--journal", filepath.Join(t.TempDir(), "j")})
	}()
	b := make([]byte, 512)
	n, err := manager.Read(b)
	require.NoError(t, err)
	assert.Regexp(t, `^READY=1\nSTATUS=the page listens on 127\.0\.0\.1:[0-9]+$`, string(b[:n]))
	cancel()
	n, err = manager.Read(b)
	require.NoError(t, err)
	assert.Equal(t, "STOPPING=1", string(b[:n]))
	assert.Zero(t, <-status)
}

func TestBoardRefusals(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "stillwater.toml")
	m := &Main{Stdout: io.Discard, Stderr: io.Discard, Getenv: os.Getenv}
	require.NoError(t, os.WriteFile(path, []byte("[board]\nkind = \"simulated\"\n"), 0o644))
	err := m.board(t.Context(), []string{"--config", path})
	assert.ErrorIs(t, err, errUsage)
	assert.ErrorContains(t, err, "has no GPIO board")

	text := "[board]\nkind = \"gpio\"\n[[board.output]]\nname = \"flash\"\nkind = \"flash\"\npin = \"NO-SUCH-PIN\"\n" +
		"safe = \"low\"\nlongest_on = \"1 ms\"\n"
	require.NoError(t, os.WriteFile(path, []byte(text), 0o644))
	assert.ErrorContains(t, m.board(t.Context(), []string{"--config", path}), "pin NO-SUCH-PIN")

	pins, file := gpioboardtest.New(t)
	m.boardPins = gpioboardtest.Open(file)
	t.Setenv(runEnv, "1") // for the watchdog
	t.Setenv(pinsEnv, file)
	err = m.board(t.Context(), []string{"--config", path, "--sum", "0"})
	assert.ErrorContains(t, err, "was changed since the daemon read it")
	assert.Equal(t, uint32(1), pins.Taken.Load(), "but first the outputs went off")
	err = m.board(t.Context(), []string{"--config", path})
	assert.ErrorContains(t, err, "give it a socket with --listen PATH")
	assert.ErrorIs(t, m.board(t.Context(), []string{"--config", path, "now"}), errUsage)
}
