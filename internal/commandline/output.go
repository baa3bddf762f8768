package commandline

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"sync"
)

// Output is a command's standard output. It keeps the first error, so that no command can lose its answer on a full
// disk and say that all went well.
type Output struct {
	to  io.Writer
	mu  sync.Mutex
	err error
}

// NewOutput makes an output that writes to another one.
func NewOutput(to io.Writer) *Output { return &Output{to: to} }

// Write writes to the output behind this one.
func (o *Output) Write(p []byte) (int, error) {
	n, err := o.to.Write(p)
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.err == nil {
		o.err = err
	}
	return n, err
}

// Fd returns the descriptor of the file behind it, by which a caller sees whether it is a terminal.
func (o *Output) Fd() uintptr {
	if f, ok := o.to.(interface{ Fd() uintptr }); ok {
		return f.Fd()
	}
	return ^uintptr(0)
}

// Err reports that something was not written whole.
func (o *Output) Err() error {
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.err == nil {
		return nil
	}
	why := o.err
	if e := new(fs.PathError); errors.As(why, &e) {
		why = e.Err
	}
	return fmt.Errorf("cannot write the answer to standard output: %w; it is incomplete", why)
}
