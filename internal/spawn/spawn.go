// Package spawn connects the daemon and the board process. Either the daemon starts the board process, which is this
// same executable, with a socket pair as the board's link: the board process then ends when the link is closed, when it
// is asked to, and when the daemon is gone, however that ended. Or the board is a service of its own with a socket, its
// Listener, which the daemon dials. Either way the board process has a Watchdog, which switches its outputs off after
// it.
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

// ErrUnsupported says that this system has no board process.
var ErrUnsupported = errors.New("a board process needs Linux; use the simulated board")

// Command is what to start.
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

// Status is what a board process states of itself, as a line of JSON on its standard output, if asked to.
type Status struct {
	Drive   string   `json:"drive"`   // how the outputs are driven
	Granted string   `json:"granted"` // by the system, to the board's thread
	Missing []string `json:"missing"` // what it did not grant, each with its remedy
}

// ExitError says how the process ended. Reads and writes return it once the process is gone.
type ExitError struct {
	Name  string
	State *os.ProcessState
	How   string // in words
}

// Error is how it ended, in words.
func (e *ExitError) Error() string { return fmt.Sprintf("the process %s %s", e.Name, e.How) }
