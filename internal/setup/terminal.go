package setup

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
)

// ErrEnded means that the terminal ended before everything was answered.
var ErrEnded = errors.New("the terminal ended before everything was answered")

// maxLine is more than any answer, in bytes.
const maxLine = 4096

// Terminal asks a person, a line at a time.
type Terminal struct {
	out   io.Writer
	lines <-chan string // closed when there are no more
}

// NewTerminal starts reading in line by line; Ask takes the next one.
func NewTerminal(in io.Reader, out io.Writer) *Terminal {
	lines := make(chan string)
	go func() {
		defer close(lines)
		r := bufio.NewReaderSize(in, maxLine)
		for {
			line, err := r.ReadSlice('\n')
			for errors.Is(err, bufio.ErrBufferFull) { // whoever types so much gets asked again
				line = append([]byte(nil), line[:80]...)
				_, err = r.ReadSlice('\n')
			}
			if err != nil && len(line) == 0 {
				return
			}
			lines <- strings.TrimRight(string(line), "\r\n")
			if err != nil {
				return
			}
		}
	}()
	return &Terminal{out: out, lines: lines}
}

// Say writes a line to the person, in the manner of Printf.
func (t *Terminal) Say(format string, args ...any) { fmt.Fprintf(t.out, format+"\n", args...) }

// Ask asks until the answer is understood; an empty one means the answer in brackets.
func (t *Terminal) Ask(ctx context.Context, question, otherwise string, understand func(string) error) error {
	for {
		fmt.Fprintf(t.out, "%s [%s] ", question, otherwise)
		select {
		case <-ctx.Done():
			return context.Cause(ctx)
		case line, more := <-t.lines:
			if !more {
				return ErrEnded
			}
			if line = strings.TrimSpace(line); line == "" {
				line = otherwise
			}
			err := understand(line)
			if err == nil {
				return nil
			}
			t.Say("  %v", err)
		}
	}
}

// Confirm asks for yes or no.
func (t *Terminal) Confirm(ctx context.Context, question string, otherwise bool) (yes bool, err error) {
	word := map[bool]string{true: Yes, false: No}
	err = t.Ask(ctx, question, word[otherwise], func(line string) error {
		switch strings.ToLower(line) {
		case Yes, "y":
			yes = true
		case No, "n":
			yes = false
		default:
			return fmt.Errorf("%q: answer yes or no", short(line))
		}
		return nil
	})
	return yes, err
}
