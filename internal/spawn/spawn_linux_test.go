package spawn

import (
	"bufio"
	"fmt"
	"io"
	"os"
	"os/signal"
	"strconv"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"stillwater/internal/proctest"
)

// The test binary runs as each of the processes.
func TestMain(m *testing.M) {
	if len(os.Args) > 1 {
		if part, ok := parts[os.Args[1]]; ok {
			part()
			return
		}
		// Running the tests instead would start this process again, for ever.
		if !strings.HasPrefix(os.Args[1], "-") {
			fmt.Fprintf(os.Stderr, "the test binary has no part %q to play\n", os.Args[1])
			os.Exit(2)
		}
	}
	os.Exit(m.Run())
}

var parts = map[string]func(){
	// echo sends back what it gets until the link closes.
	"part-echo": func() { link := os.NewFile(LinkFD, "link"); _, _ = io.Copy(link, link) },
	// fail logs why it ends.
	"part-fail": func() { fmt.Fprintln(os.Stderr, "first this\n\nno such chip"); os.Exit(3) },
	// last writes to the link before it ends.
	"part-last": func() { _, _ = os.NewFile(LinkFD, "link").WriteString("farewell"); os.Exit(4) },
	// ignores does not end with its link.
	"part-ignores": func() { signal.Ignore(unix.SIGTERM); waitForever() },
	// parent starts waits, prints its pid and waits to be killed.
	"part-parent": func() {
		p, err := Start(Command{Args: []string{"part-waits"}})
		if err != nil {
			panic(err)
		}
		fmt.Println(p.cmd.Process.Pid)
		waitForever()
	},
	// watchdog keeps two descriptors.
	"part-watchdog": partWatchdog,
	// waits ends only by a signal.
	"part-waits": waitForever,
}

// waitForever lets a part end by nothing but a signal.
func waitForever() {
	for {
		_, _ = unix.Poll(nil, -1)
	}
}

func TestTalkAndClose(t *testing.T) {
	p, err := Start(Command{Args: []string{"part-echo"}})
	require.NoError(t, err)
	_, err = p.Write([]byte("hello"))
	require.NoError(t, err)
	b := make([]byte, 5)
	_, err = io.ReadFull(p, b)
	require.NoError(t, err)
	assert.Equal(t, "hello", string(b))
	assert.NoError(t, p.Close(), "it goes by itself when the link closes")
	assert.NoError(t, p.Close(), "closing again is no error")
	_, ok := <-p.Done()
	assert.False(t, ok)
}

func TestExitIsSaidInWords(t *testing.T) {
	var messages proctest.Log
	p, err := Start(Command{Args: []string{"part-fail"}, Stderr: &messages})
	require.NoError(t, err)
	_, err = io.ReadAll(p)
	var e *ExitError
	require.ErrorAs(t, err, &e)
	assert.Equal(t, 3, e.State.ExitCode())
	assert.ErrorContains(t, err, "part-fail ended with exit status 3: no such chip")
	assert.Equal(t, "first this\n\nno such chip\n", messages.String(), "all of it goes to the log")
	assert.ErrorAs(t, p.Close(), &e)
}

func TestLastWordsAreRead(t *testing.T) {
	p, err := Start(Command{Args: []string{"part-last"}})
	require.NoError(t, err)
	<-p.Done()
	received, err := io.ReadAll(p)
	assert.Equal(t, "farewell", string(received))
	assert.ErrorContains(t, err, "exit status 4 and did not say why")
	_ = p.Close()
}

func TestKilled(t *testing.T) {
	p, err := Start(Command{Args: []string{"part-echo"}})
	require.NoError(t, err)
	defer p.Close()
	require.NoError(t, unix.Kill(p.cmd.Process.Pid, unix.SIGKILL))
	_, err = io.ReadAll(p)
	assert.ErrorContains(t, err, "was killed by signal 9 (SIGKILL)")
	_, err = p.Write([]byte("x"))
	assert.ErrorContains(t, err, "was killed by signal 9 (SIGKILL)")
}

func TestCloseKillsWhatDoesNotEnd(t *testing.T) {
	p, err := Start(Command{Args: []string{"part-ignores"}, Grace: 50 * time.Millisecond})
	require.NoError(t, err)
	assert.ErrorContains(t, p.Close(), "was killed by signal 9")
}

func TestNoSuchProgram(t *testing.T) {
	_, err := Start(Command{Path: "/no/such/program"})
	assert.ErrorIs(t, err, os.ErrNotExist)
	assert.ErrorContains(t, err, "start the board process /no/such/program")
}

// A board does not outlive a daemon that is killed.
func TestBoardDiesWithItsDaemon(t *testing.T) {
	r, w, err := os.Pipe()
	require.NoError(t, err)
	path, err := os.Executable()
	require.NoError(t, err)
	proc, err := os.StartProcess(path, []string{path, "part-parent"}, &os.ProcAttr{Files: []*os.File{nil, w, os.Stderr}})
	require.NoError(t, err)
	w.Close()
	line, err := bufio.NewReader(r).ReadString('\n')
	require.NoError(t, err)
	pid, err := strconv.Atoi(strings.TrimSpace(line))
	require.NoError(t, err)
	require.NoError(t, unix.Kill(pid, 0), "the board runs")
	require.NoError(t, proc.Kill())
	_, err = proc.Wait()
	require.NoError(t, err)
	proctest.Eventually(t, "the board ends", func() bool { return proctest.Ended(pid) })
}

// stuckLog takes nothing until it is let go.
type stuckLog chan struct{}

func (s stuckLog) Write(p []byte) (int, error) { <-s; return len(p), nil }

// A log that blocks delays neither the report of the end nor its reason.
func TestStuckLog(t *testing.T) {
	log := make(stuckLog)
	p, err := Start(Command{Args: []string{"part-fail"}, Stderr: log, Grace: 100 * time.Millisecond})
	require.NoError(t, err)
	defer close(log)
	<-p.Done()
	assert.ErrorContains(t, p.Close(), "ended with exit status 3: no such chip")
}

// slowLog takes its time over each word.
type slowLog struct{ proctest.Log }

func (s *slowLog) Write(p []byte) (int, error) {
	time.Sleep(time.Second)
	return s.Log.Write(p)
}

// lateLog takes what a process wrote once that has ended.
type lateLog struct {
	proctest.Log
	t   *testing.T
	pid chan int
}

func (l *lateLog) Write(p []byte) (int, error) {
	pid := <-l.pid
	defer func() { l.pid <- pid }()
	proctest.Eventually(l.t, "it ends", func() bool { return proctest.Ended(pid) })
	return l.Log.Write(p)
}

// What a process logs last is in the log when its end is reported, even if the log is slow.
func TestLogIsWholeAtTheEnd(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var log slowLog
		w := newLogTail(&log)
		p := []byte("a line\n")
		for i := range 10 {
			p[0] = byte('0' + i) // as a reader's buffer, which is used again
			_, _ = w.Write(p)
		}
		w.finish(time.Minute)
		want := ""
		for i := range 10 {
			want += fmt.Sprintf("%d line\n", i)
		}
		assert.Equal(t, want, log.String())
		assert.Equal(t, "9 line", w.String())
	})

	messages := lateLog{t: t, pid: make(chan int, 1)}
	process, err := Start(Command{Args: []string{"part-fail"}, Stderr: &messages, Grace: time.Minute})
	require.NoError(t, err)
	messages.pid <- process.cmd.Process.Pid
	<-process.Done()
	assert.Contains(t, messages.String(), "no such chip")
	_ = process.Close()
}

// Writing to a log that blocks never blocks, however much is written.
func TestStuckLogDropsWords(t *testing.T) {
	log := make(stuckLog)
	w := newLogTail(log)
	for i := range 10 * maxQueued {
		_, _ = fmt.Fprintf(w, "line %d\n", i)
	}
	assert.Equal(t, fmt.Sprintf("line %d", 10*maxQueued-1), w.String(), "the last is remembered all the same")
	close(log)
	w.finish(time.Minute)
}
