package tether

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"regexp"
	"strings"
	"time"
)

// ErrSilent means that a camera took too long.
var ErrSilent = errors.New("the camera did not answer in time: wake it, or switch it off and on")

// errExcess ends a process that sends too much.
var errExcess = errors.New("the camera sent more than it announced: the file is dropped")

// run runs gphoto2 with some arguments and takes what it writes, within a limit. Of the program's own messages only
// plain ones are passed on.
func (c *Camera) run(ctx context.Context, limit time.Duration, out *bounded, args ...string) error {
	work, err := os.MkdirTemp("", "stillwater-camera-")
	if err != nil {
		return err
	}
	defer os.RemoveAll(work)
	within, cancel := context.WithTimeoutCause(ctx, limit, ErrSilent)
	defer cancel()
	within, tooMuch := context.WithCancelCause(within)
	defer tooMuch(nil)
	out.excess = func() { tooMuch(errExcess) }
	said := &tail{}
	cmd := exec.CommandContext(within, c.program, append(c.portArgs(), args...)...)
	cmd.Dir, cmd.Env = work, append(os.Environ(), "LC_ALL=C", "LANGUAGE=C")
	cmd.Stdout, cmd.Stderr = out, said
	cmd.Cancel = func() error { return cmd.Process.Signal(os.Interrupt) }
	cmd.WaitDelay = c.Limits.Ending
	if err := cmd.Start(); err != nil {
		return fmt.Errorf("gphoto2 cannot be started: %w", err)
	}
	bound(cmd.Process.Pid, c.Limits.File)
	err = cmd.Wait()
	switch {
	case ctx.Err() != nil:
		return ctx.Err()
	case out.err != nil:
		return out.err
	case within.Err() != nil && !(context.Cause(within) == errExcess && said.hasError()): // its help is long
		return context.Cause(within)
	case err != nil:
		return said.why(err)
	}
	return nil
}

// bounded takes so many bytes, for a file or to be read, and asks for the end with the first one more.
type bounded struct {
	text    bytes.Buffer
	to      io.Writer // nil: the text
	left    int64
	written int64
	err     error // of a file that cannot be written
	excess  func()
}

func (b *bounded) Write(p []byte) (int, error) {
	if int64(len(p)) > b.left {
		b.excess()
		return 0, errExcess
	}
	var n int
	var err error
	if b.to == nil {
		n, err = b.text.Write(p)
	} else if n, err = b.to.Write(p); err != nil {
		b.err = err
		b.excess()
	}
	b.left -= int64(n)
	b.written += int64(n)
	return n, err
}

// tail keeps the end of what is written.
type tail struct{ text []byte }

func (t *tail) Write(p []byte) (int, error) {
	const most = 4096
	t.text = append(t.text, p...)
	t.text = t.text[max(len(t.text)-most, 0):]
	return len(p), nil
}

// complaint is how gphoto2 says what is wrong.
var complaint = regexp.MustCompile(`\*\*\* Error(?: \((-?\d+): '([^'\n]*)'\)|: ([^*\n]*))`)

// remedies for its errors, by their numbers in the library (gphoto2-port-result.h, gphoto2-result.h).
var remedies = map[string]string{
	"-52":  "is it switched on, awake, and connected?",
	"-53":  "another program has it: close it, or eject the camera in the file manager",
	"-60":  "another program has it: close it, or eject the camera in the file manager",
	"-105": "gphoto2 --auto-detect lists what it finds",
	"-108": "it is no longer on the camera",
	"-110": "it is busy: wait until it has written its card",
}

func (t *tail) hasError() bool { return complaint.Match(t.text) }

// why is an error in what the program said before it ended.
func (t *tail) why(ended error) error {
	all := complaint.FindAllStringSubmatch(string(t.text), -1)
	if len(all) == 0 {
		return fmt.Errorf("gphoto2 ended: %w: is the camera switched on, awake, and connected?", ended)
	}
	last := all[len(all)-1]
	words, remedy := strings.TrimSpace(last[2]+last[3]), remedies[last[1]]
	if remedy == "" {
		remedy = "is it switched on, awake, and connected?"
	}
	return fmt.Errorf("the camera: %s: %s", strings.TrimSuffix(words, "."), remedy)
}
