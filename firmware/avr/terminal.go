package avr

import (
	"bufio"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
)

// Terminal is a board in real time, its serial line at a pseudo-terminal. It is for end-to-end tests: timing is the
// host's and proves nothing.
type Terminal struct {
	Path string // of the pseudo-terminal: a link that stays when the board is started again

	t   testing.TB
	cmd *exec.Cmd
	in  io.WriteCloser

	mu      sync.Mutex
	changes []Change
}

// StartTerminal starts a board at a pseudo-terminal; it ends with the test.
func StartTerminal(t testing.TB) *Terminal {
	t.Helper()
	b := Build(t)
	term := &Terminal{t: t, Path: filepath.Join(t.TempDir(), "board")}
	term.cmd = exec.Command(b.Simulator, "--pty", term.Path, b.ELF)
	term.cmd.Stderr = os.Stderr
	out, err := term.cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if term.in, err = term.cmd.StdinPipe(); err != nil {
		t.Fatal(err)
	}
	if err := term.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	lines := bufio.NewScanner(out)
	for lines.Scan() && !strings.HasPrefix(lines.Text(), "pty ") {
	}
	done := make(chan struct{})
	go func() {
		defer close(done)
		for lines.Scan() {
			term.record(lines.Text())
		}
	}()
	t.Cleanup(func() {
		term.in.Close()
		<-done
		term.cmd.Wait()
	})
	return term
}

func (t *Terminal) record(line string) {
	var c Change
	var level int
	if n, _ := fmt.Sscanf(line, "out %s %d %d", &c.Name, &level, &c.Cycle); n != 3 {
		return
	}
	c.On = level == 1
	t.mu.Lock()
	defer t.mu.Unlock()
	t.changes = append(t.changes, c)
}

// Pin drives an input now.
func (t *Terminal) Pin(name string, high bool) {
	t.t.Helper()
	level := 0
	if high {
		level = 1
	}
	if _, err := fmt.Fprintf(t.in, "pin %s %d\n", name, level); err != nil {
		t.t.Fatal(err)
	}
}

// Reset resets the chip, as opening the port of many boards does.
func (t *Terminal) Reset() { fmt.Fprintln(t.in, "reset") }

// Changes returns the outputs' changes since the last call.
func (t *Terminal) Changes() []Change {
	t.mu.Lock()
	defer t.mu.Unlock()
	c := t.changes
	t.changes = nil
	return c
}
