package main

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"strconv"
	"strings"
	"sync"
	"unicode/utf8"
)

// output is a command's standard output. It keeps the first error, so that no command can lose its answer on a full
// disk and say that all went well.
type output struct {
	to  io.Writer
	mu  sync.Mutex
	err error
}

func (o *output) Write(p []byte) (int, error) {
	n, err := o.to.Write(p)
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.err == nil {
		o.err = err
	}
	return n, err
}

// Fd is that of the file behind it, for whoever asks whether it is a terminal.
func (o *output) Fd() uintptr {
	if f, ok := o.to.(interface{ Fd() uintptr }); ok {
		return f.Fd()
	}
	return ^uintptr(0)
}

// writeError reports that the answer was not written whole.
func (o *output) writeError() error {
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.err == nil {
		return nil
	}
	why := o.err
	if e := new(fs.PathError); errors.As(why, &e) {
		why = e.Err
	}
	return fmt.Errorf("the answer could not be written to standard output: %w; it is not whole", why)
}

// maxLineBytes is as much of one line as somebody reads.
const maxLineBytes = 1000

// printable is a message to a person, with words in it that came from outside: they cannot move the cursor, turn the
// direction of writing or fill the screen.
func printable(text string) string {
	lines := strings.Split(text, "\n")
	for i, line := range lines {
		var b strings.Builder
		for at, r := range line {
			if b.Len() > maxLineBytes {
				b.WriteString("...")
				break
			}
			switch {
			case r == utf8.RuneError && !strings.HasPrefix(line[at:], "\ufffd"):
				fmt.Fprintf(&b, `\x%02x`, line[at])
			case strconv.IsPrint(r):
				b.WriteRune(r)
			default:
				b.WriteString(strings.Trim(strconv.QuoteRune(r), "'"))
			}
		}
		lines[i] = b.String()
	}
	return strings.Join(lines, "\n")
}
