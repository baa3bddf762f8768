// Package spawn connects the daemon and the board process. Either the daemon starts the board process, which is this
// same executable, with a socket pair as the board's link: the board process then ends when the link closes, when it is
// signalled, and when the daemon has ended, for whatever reason. Or the board is a service of its own with a socket,
// its Listener, which the daemon dials. Either way the board process has a Watchdog, which switches its outputs off
// after it.
package spawn

import (
	"errors"
	"fmt"
	"io"
	"os"
	"time"
)

// LinkFD is the file descriptor at which the started process finds its end of the link.
const LinkFD = 3

// ErrUnsupported means that a board process needs another system.
var ErrUnsupported = errors.New("a board process needs Linux; use the simulated board")

// Command says which program to start and how to end it.
type Command struct {
	Path   string        // "" means this executable
	Args   []string      // without the program's name
	Env    []string      // nil: that of this process
	Stderr io.Writer     // the process's log; nil: discarded
	Stdout io.Writer     // its output; nil: discarded
	Grace  time.Duration // how long Close waits for the process to end by itself; 0: DefaultGrace
}

// DefaultGrace is ample for switching the outputs off.
const DefaultGrace = 2 * time.Second

// Status is what a board process prints about itself on request: a line of JSON on its standard output.
type Status struct {
	Drive   string   `json:"drive"`   // how the outputs are driven
	Granted string   `json:"granted"` // to the board's thread, by the system
	Missing []string `json:"missing"` // what was not granted, each with its remedy
}

// ExitError describes how the process ended. Reads and writes return it once the process has ended.
type ExitError struct {
	Name  string
	State *os.ProcessState
	How   string // in words
}

// Error is the name of the process and how it ended.
func (e *ExitError) Error() string { return fmt.Sprintf("the process %s %s", e.Name, e.How) }
