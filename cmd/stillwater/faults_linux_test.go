package main

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"maps"
	"math/rand/v2"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"stillwater/internal/control"
	"stillwater/internal/gpioboard/gpioboardtest"
	"stillwater/internal/journal"
	"stillwater/internal/need"
	"stillwater/internal/proctest"
	"stillwater/internal/record"
)

// recorded are the shots in the record, by their numbers.
func recorded(t testing.TB, path string) []int64 {
	t.Helper()
	return slices.Sorted(maps.Keys(journalOf(t, path)))
}

// journalOf are the shots in the record.
func journalOf(t testing.TB, path string) map[int64]record.Shot {
	t.Helper()
	j, err := journal.OpenReadOnly(t.Context(), path)
	require.NoError(t, err)
	defer j.Close()
	shots := map[int64]record.Shot{}
	for s, err := range j.AllShots(t.Context(), 0) {
		require.NoError(t, err)
		shots[s.ID] = s
	}
	return shots
}

// unwritten makes a shot whose record cannot be written now, and waits until that is said.
func (h *wsPhone) unwritten() *control.Snapshot {
	h.t.Helper()
	h.arm(1)
	h.must(control.Command{Type: "room"})
	return h.until("the record cannot be written", func(s *control.Snapshot) bool {
		return s.Record.Waiting > 0 && s.Record.Problem != "" && s.State == control.Safe && !s.Room.Busy
	})
}

// written waits until everything is on record, and finds it there.
func (d *daemonRun) written(h *wsPhone, path string, shots int) {
	d.t.Helper()
	h.until("all is on record", func(s *control.Snapshot) bool {
		return s.Record.Waiting == 0 && s.Record.Problem == "" && s.ShotCount == shots
	})
	h.oneShot()
	assert.Greater(d.t, h.last.ShotCount, shots)
	require.Zero(d.t, d.stop(), d.log)
	assert.Len(d.t, recorded(d.t, path), h.last.ShotCount)
}

// A full disk loses no shot: what was made waits, the page says why, and goes into the record once there is room.
func TestFullDisk(t *testing.T) {
	t.Parallel()
	disk := t.TempDir()
	if err := unix.Mount("tmpfs", disk, "tmpfs", 0, "size=1m"); errors.Is(err, unix.EPERM) {
		need.Missing(t, "the right to mount a small disk (run as root)")
	} else {
		require.NoError(t, err)
	}
	t.Cleanup(func() { _ = unix.Unmount(disk, unix.MNT_DETACH) })
	path := filepath.Join(disk, "journal.db")
	d := startDaemon(t, "--listen", "127.0.0.1:0", "--journal", path, "--seed", "6")
	h := d.pair()
	h.ready()
	h.oneShot()

	ballast := filepath.Join(disk, "ballast")
	require.NoError(t, fill(ballast))
	for h.last.Record.Waiting < 3 { // the journal may have had room for one more in what it holds already
		h.unwritten()
	}
	assert.Contains(t, h.last.Record.Problem, "full")
	made := h.last.ShotCount + h.last.Record.Waiting
	require.NoError(t, os.Remove(ballast))
	d.written(h, path, made)
}

// fill writes a file until the disk takes no more.
func fill(path string) error {
	f, err := os.Create(path)
	if err != nil {
		return err
	}
	defer f.Close()
	for {
		if _, err := f.Write(make([]byte, 512)); errors.Is(err, unix.ENOSPC) {
			return nil
		} else if err != nil {
			return err
		}
	}
}

// Another program that holds the journal's write lock holds up the record and nothing else.
func TestLockedJournal(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "journal.db")
	d := startDaemon(t, "--listen", "127.0.0.1:0", "--journal", path, "--seed", "7")
	h := d.pair()
	h.ready()
	h.oneShot()

	// SQLite's write lock of a journal in WAL mode is byte 120 of its shared memory file (sqlite.org/walformat.html).
	shm, err := os.OpenFile(path+"-shm", os.O_RDWR, 0)
	require.NoError(t, err)
	defer shm.Close()
	lock := unix.Flock_t{Type: unix.F_WRLCK, Whence: unix.SEEK_SET, Start: 120, Len: 1}
	proctest.Eventually(t, "nobody else has the lock", func() bool {
		// An open file description lock, since the daemon is this same process.
		err = unix.FcntlFlock(shm.Fd(), unix.F_OFD_SETLK, &lock)
		return !errors.Is(err, unix.EAGAIN)
	})
	require.NoError(t, err)
	h.unwritten()
	made := h.last.ShotCount + h.last.Record.Waiting
	lock.Type = unix.F_UNLCK
	require.NoError(t, unix.FcntlFlock(shm.Fd(), unix.F_OFD_SETLK, &lock))
	d.written(h, path, made)
}

// studio is a whole Stillwater of processes that can be killed: a daemon, a board with pins that outlive it, between
// them a link that can be harmed, and a phone.
type studio struct {
	t       *testing.T
	r       *rand.Rand
	dir     string
	pins    *gpioboardtest.Pins
	file    string // of the pins
	spawned bool   // the daemon starts the board itself
	proxy   *proxy
	board   *exec.Cmd
	daemon  *exec.Cmd
	run     *daemonRun
	phone   *wsPhone
	seen    map[int64]bool // shots that a phone was shown
}

const studioConfig = `listen = "127.0.0.1:0"
journal = "%[1]s/journal.db"
name = ""

[board]
kind = "gpio"
late = "200 ms"
hold_off = "5 ms"
priority = 0
%[2]s

[board.heartbeat]
chip = "virtual"
line = 4

[[board.input]]
name = "beam"
role = "beam"
chip = "virtual"
line = 0
active = "low"

[[board.input]]
name = "stop"
role = "kill"
chip = "virtual"
line = 1
active = "high"

[[board.output]]
name = "shutter"
kind = "shutter"
chip = "virtual"
line = 2
safe = "low"
longest_on = "60 s"

[[board.output]]
name = "flash"
kind = "flash"
chip = "virtual"
line = 3
safe = "low"
longest_on = "10 ms"
`

// newStudio starts everything, pairs the phone and sets up a shot whose shutter opens with Go.
func newStudio(t *testing.T, r *rand.Rand, spawned bool) *studio {
	t.Helper()
	s := &studio{t: t, r: r, dir: shortDir(t), spawned: spawned, seen: map[int64]bool{}}
	s.pins, s.file = gpioboardtest.New(t)
	t.Cleanup(func() {
		if t.Failed() {
			t.Logf("pins: on %b, taken %d, watched %d", s.pins.On.Load(), s.pins.Taken.Load(), s.pins.Watched.Load())
		}
	})
	socket := ""
	if !spawned {
		socket = fmt.Sprintf("socket = %q", s.dir+"/link")
	}
	text := fmt.Sprintf(studioConfig, s.dir, socket)
	require.NoError(t, os.WriteFile(s.dir+"/stillwater.toml", []byte(text), 0o600))
	s.pins.Inputs.Store(1) // nothing in the beam, kill switch closed
	if !spawned {
		s.proxy = newProxy(t, s.dir+"/link", s.dir+"/board")
		s.startBoard()
	}
	s.startDaemon()
	s.phone = s.run.pair()
	s.phone.ready()
	s.phone.must(control.Command{Type: "set", Field: "light.shutter", Value: "go"})
	s.phone.must(control.Command{Type: "set", Field: "light.recycle", Value: "400 ms"})
	return s
}

// program is this executable as Stillwater; it is killed at the end of the test at the latest.
func (s *studio) program(args ...string) *exec.Cmd {
	s.t.Helper()
	exe, err := os.Executable()
	require.NoError(s.t, err)
	cmd := exec.Command(exe, args...)
	cmd.Env = append(os.Environ(), runEnv+"=1", pinsEnv+"="+s.file,
		"GORACE=atexit_sleep_ms=0") // a race detector that sleeps at the end would hold up how the board ended
	cmd.Stderr = s.t.Output()
	s.t.Cleanup(func() { kill(cmd) })
	return cmd
}

// kill ends a process as no process can prevent.
func kill(cmd *exec.Cmd) {
	if cmd.Process != nil && cmd.ProcessState == nil {
		_ = cmd.Process.Kill()
		_ = cmd.Wait()
	}
}

func (s *studio) startBoard() {
	s.t.Helper()
	s.board = s.program("board", "--config", s.dir+"/stillwater.toml", "--listen", s.dir+"/board")
	require.NoError(s.t, s.board.Start())
}

func (s *studio) startDaemon() {
	s.t.Helper()
	s.daemon = s.program("--config", s.dir+"/stillwater.toml")
	out, err := s.daemon.StdoutPipe()
	require.NoError(s.t, err)
	require.NoError(s.t, s.daemon.Start())
	s.run = &daemonRun{t: s.t}
	// One that hangs says where.
	hangs := time.AfterFunc(patience, func() { _ = s.daemon.Process.Signal(unix.SIGABRT) })
	defer hangs.Stop()
	for lines := bufio.NewScanner(out); s.run.url == "" || s.run.code == ""; {
		require.True(s.t, lines.Scan(), "the daemon ended")
		if found := saysPage.FindStringSubmatch(lines.Text()); found != nil {
			s.run.url = found[1]
		}
		if found := saysCode.FindStringSubmatch(lines.Text()); found != nil {
			s.run.code = found[1]
		}
	}
	go io.Copy(io.Discard, out)
}

// note keeps what the phone was shown: what is shown must not be lost any more.
func (s *studio) note() {
	for _, made := range s.phone.last.Shots {
		s.seen[made.ID] = true
	}
}

// edge is something in the beam.
func (s *studio) edge() {
	s.t.Helper()
	require.NoError(s.t, s.pins.Edge(s.file, 0, false))
	require.NoError(s.t, s.pins.Edge(s.file, 0, true))
}

// shoot makes one whole shot and waits for its record. On a machine that is busy with other things the board does what
// it must when it is late, leaves an output on too long, or hears nothing for a second; after some tries a shot is
// whole.
func (s *studio) shoot() {
	s.t.Helper()
	s.phone.must(control.Command{Type: "set", Field: "light.open_for", Value: "3 s"})
	for try := 0; ; try++ {
		before := s.phone.last.ShotCount
		s.open()
		s.edge()
		s.phone.until("the shot is on record", func(n *control.Snapshot) bool { return n.ShotCount > before })
		s.phone.until("at rest", atRest)
		s.note()
		assert.Zero(s.t, s.pins.On.Load())
		if status := s.phone.last.Shots[0].Status; status == "done" || try == shotTries {
			require.Equal(s.t, "done", status)
			return
		}
		s.clearFault()
	}
}

// open arms and opens the shutter. A board that gets no processor for 250 ms does not answer in time, and is disarmed;
// one that gets none for a second is gone.
func (s *studio) open() {
	s.t.Helper()
	var before uint32
	for try := 0; ; try++ {
		s.phone.arm(1)
		before = s.pins.SwitchedOn.Load()
		m := s.phone.ask(control.Command{Type: "go"})
		if m.Type == "done" {
			break
		}
		require.Regexp(s.t, "did not answer|nothing heard from it", m.Refusal.Why)
		require.Less(s.t, try, shotTries)
		s.phone.until("at rest", atRest)
		s.clearFault()
	}
	proctest.Eventually(s.t, "the shutter is open", func() bool { return s.pins.SwitchedOn.Load() > before })
}

// awaitOutputsOff waits until no output is on, long before their longest on-times end.
func (s *studio) awaitOutputsOff() {
	s.t.Helper()
	proctest.Eventually(s.t, "all outputs are off", func() bool { return s.pins.On.Load() == 0 })
}

// beats waits until the board has changed the heartbeat's line n times more: 10 ms each, if the machine is not busy.
func (s *studio) beats(n int) {
	s.t.Helper()
	begin := s.pins.Beats.Load()
	proctest.Eventually(s.t, "the heart beats", func() bool { return s.pins.Beats.Load()-begin >= uint32(n) })
}

// untilSomeMoment arms, opens the shutter for longer than this test waits for it to close, and waits: until some
// heartbeat before the edge, or after it. It returns where that was.
func (s *studio) untilSomeMoment() string {
	s.t.Helper()
	s.phone.must(control.Command{Type: "set", Field: "light.open_for", Value: "55 s"})
	s.open()
	if s.r.IntN(2) == 0 {
		s.beats(s.r.IntN(10))
		return "with the shutter open"
	}
	s.edge()
	after := s.r.IntN(40) // the moment is some 25 heartbeats after the edge
	s.beats(after)
	return fmt.Sprint(after, " heartbeats after the edge")
}

// requireSafe holds what must be so after any fault, once its cause is gone: outputs off, the reason shown (one of
// these words), the next arming works, and the record has all that was shown.
func (s *studio) requireSafe(reasons ...string) {
	s.t.Helper()
	s.awaitOutputsOff()
	said := len(reasons) == 0
	if !said { // a board that gets no processor may be lost before the fault comes
		reasons = append(reasons, "nothing heard from it")
	}
	s.phone.until(fmt.Sprintf("one of %q is said and the board is at rest", reasons), func(n *control.Snapshot) bool {
		said = said || slices.ContainsFunc(reasons, func(words string) bool { return strings.Contains(shownText(n), words) })
		return said && atRest(n)
	})
	s.clearFault()
	s.note()
	s.shoot()
	kill(s.daemon)
	ids := recorded(s.t, s.dir+"/journal.db")
	for id := range s.seen {
		assert.Contains(s.t, ids, id, "a shot that was shown is on record")
	}
}

// shownText is what a snapshot says of the board.
func shownText(n *control.Snapshot) string {
	return strings.Join([]string{n.Reason, n.Board.Problem, n.Notice}, " | ")
}

// atRest says that the board is there and nothing is armed.
func atRest(n *control.Snapshot) bool {
	return n.Board.Connected && (n.State == control.Safe || n.State == control.Fault)
}

// clearFault disarms a board that has a fault: one that got no processor for a while leaves its flash on too long. If
// it does not confirm that in time it is cut off, and comes back safe.
func (s *studio) clearFault() {
	s.t.Helper()
	for s.phone.last.State != control.Safe {
		s.phone.ask(control.Command{Type: "disarm"})
		s.phone.until("at rest", atRest)
	}
}

// proxy stands between the daemon and the board's socket, passes bytes on, and does to them what a bad link does.
type proxy struct {
	t       testing.TB
	listens *net.UnixListener
	board   string // the board's socket

	mu      sync.Mutex
	passing *sync.Cond
	stalled bool
	pairs   []pair
}

// pair is one host's connection and the one to the board.
type pair struct{ host, board *net.UnixConn }

// shortDir is a folder for sockets: their paths have 107 bytes at most, and t.TempDir puts the test's name in.
func shortDir(t testing.TB) string {
	t.Helper()
	dir, err := os.MkdirTemp("", "")
	require.NoError(t, err)
	t.Cleanup(func() { assert.NoError(t, os.RemoveAll(dir)) })
	return dir
}

func newProxy(t testing.TB, path, board string) *proxy {
	t.Helper()
	l, err := net.ListenUnix("unix", &net.UnixAddr{Name: path, Net: "unix"})
	require.NoError(t, err)
	m := &proxy{t: t, listens: l, board: board}
	m.passing = sync.NewCond(&m.mu)
	t.Cleanup(func() {
		l.Close()
		m.stall(false)
		m.each(pair.close)
	})
	go m.serve()
	return m
}

func (m *proxy) serve() {
	for {
		host, err := m.listens.AcceptUnix()
		if err != nil {
			return
		}
		board, err := net.DialUnix("unix", nil, &net.UnixAddr{Name: m.board, Net: "unix"})
		if err != nil { // no board: the host sees its connection close
			host.Close()
			continue
		}
		p := pair{host, board}
		m.mu.Lock()
		m.pairs = append(m.pairs, p)
		m.mu.Unlock()
		go m.pass(host, board)
		go m.pass(board, host)
	}
}

// pass carries bytes one way until that way is closed.
func (m *proxy) pass(from, to *net.UnixConn) {
	b := make([]byte, 4096)
	for {
		n, err := from.Read(b)
		m.mu.Lock()
		for m.stalled {
			m.passing.Wait()
		}
		m.mu.Unlock()
		if n > 0 {
			_, _ = to.Write(b[:n])
		}
		if err != nil {
			_ = to.CloseWrite()
			return
		}
	}
}

func (m *proxy) stall(on bool) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.stalled = on
	m.passing.Broadcast()
}

func (m *proxy) each(do func(pair)) {
	m.mu.Lock()
	defer m.mu.Unlock()
	for _, p := range m.pairs {
		do(p)
	}
}

func (p pair) close() { p.host.Close(); p.board.Close() }

// junk puts bytes into both directions that neither side sent.
func (m *proxy) junk(r *rand.Rand) {
	m.each(func(p pair) {
		for range 1 + r.IntN(20) {
			b := make([]byte, 1+r.IntN(300))
			for i := range b {
				b[i] = byte(r.Uint32() >> (8 * r.IntN(4)))
				if r.IntN(12) == 0 {
					b[i] = 0 // an end of a frame
				}
			}
			_, _ = p.board.Write(b)
			_, _ = p.host.Write(b)
		}
	})
}

// withFaults runs a fault with seeds; each starts from a whole studio in which one shot was made.
func withFaults(t *testing.T, seeds uint64, spawned bool, fault func(s *studio)) {
	for seed := range seeds {
		t.Run(fmt.Sprint("seed ", seed+1), func(t *testing.T) {
			t.Parallel()
			s := newStudio(t, rand.New(rand.NewPCG(seed+1, 8)), spawned)
			s.shoot()
			t.Log("fault ", s.untilSomeMoment())
			fault(s)
		})
	}
}

func TestBoardKilledAtAnyMoment(t *testing.T) {
	t.Parallel()
	t.Run("a service of its own", func(t *testing.T) {
		withFaults(t, 4, false, func(s *studio) {
			kill(s.board)
			s.awaitOutputsOff() // before another is started
			s.startBoard()
			s.requireSafe("its link ended")
		})
	})
	t.Run("started by the daemon", func(t *testing.T) {
		withFaults(t, 4, true, func(s *studio) {
			require.NoError(t, unix.Kill(int(s.pins.Board.Load()), unix.SIGKILL))
			s.requireSafe("was killed by signal 9 (SIGKILL)")
		})
	})
}

func TestDaemonKilledAtAnyMoment(t *testing.T) {
	t.Parallel()
	for name, spawned := range map[string]bool{"the board a service of its own": false, "the board started by it": true} {
		t.Run(name, func(t *testing.T) {
			withFaults(t, 4, spawned, func(s *studio) {
				kill(s.daemon)
				s.awaitOutputsOff()
				cookie, shown := s.phone.cookie, s.phone.last.ShotCount
				s.startDaemon()
				s.phone = s.run.join(cookie)
				assert.Equal(s.t, control.Safe, s.phone.last.State, "never armed after a restart")
				assert.GreaterOrEqual(s.t, s.phone.last.ShotCount, shown)
				s.phone.hold()
				s.requireSafe()
			})
		})
	}
}

// A link of which one direction is closed carries nothing that can be trusted: the board goes safe, and the daemon
// dials again.
func TestLinkHalfClosed(t *testing.T) {
	t.Parallel()
	for name, half := range map[string]func(pair){
		"the board hears no more": func(p pair) { _ = p.board.CloseWrite() },
		"the host hears no more":  func(p pair) { _ = p.host.CloseWrite() },
	} {
		t.Run(name, func(t *testing.T) {
			withFaults(t, 3, false, func(s *studio) {
				s.proxy.each(half)
				s.requireSafe("its link ended")
			})
		})
	}
}

// Bytes that nobody sent arm nothing and fire nothing: the shutter may stay open for the shot that is armed, but only
// the host's own frames count.
func TestGarbageOnTheLink(t *testing.T) {
	t.Parallel()
	withFaults(t, 6, false, func(s *studio) {
		lit := s.pins.SwitchedOn.Load()
		for range 10 {
			s.proxy.junk(s.r)
			s.beats(s.r.IntN(3))
		}
		assert.LessOrEqual(s.t, s.pins.SwitchedOn.Load(), lit+1, "at most the flash of the shot that was under way")
		s.phone.ask(control.Command{Type: "disarm"}) // a busy machine's board may not confirm it, and is cut off
		s.requireSafe()
	})
}

// A link that passes nothing for a while: the board goes safe by itself within its second, whatever still waits in the
// link.
func TestLinkStalled(t *testing.T) {
	t.Parallel()
	withFaults(t, 4, false, func(s *studio) {
		s.proxy.stall(true)
		s.awaitOutputsOff()
		s.phone.until("the silence is said", func(n *control.Snapshot) bool {
			return strings.Contains(shownText(n), "nothing heard from it for 1s")
		})
		s.beats(s.r.IntN(150))
		s.proxy.stall(false)
		s.requireSafe()
	})
}

// A verdict or a note that was answered is on record, however soon the daemon is killed after the answer.
func TestAnsweredRemarksOutliveAKill(t *testing.T) {
	t.Parallel()
	s := newStudio(t, rand.New(rand.NewPCG(1, 9)), false)
	s.shoot()
	verdicts := []record.Verdict{record.Good, record.Late, record.Early}
	for round := range 12 {
		id, cookie := s.phone.last.Shots[0].ID, s.phone.cookie
		note := fmt.Sprint("note ", round)
		verdict := s.phone.giveVerdict(s.phone.last.Shots[0], verdicts[round%3])
		s.phone.must(control.Command{Type: "note", Shot: id, Text: note})
		kill(s.daemon)
		kept := journalOf(t, s.dir+"/journal.db")[id]
		require.Equal(t, []string{string(verdict), note}, []string{string(kept.Verdict), kept.Note}, "round %d", round)
		s.startDaemon()
		s.phone = s.run.join(cookie)
		s.phone.must(control.Command{Type: "take"})
	}
}
