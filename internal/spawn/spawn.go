// Package spawn joins the daemon and the board process. Either the daemon starts it, this same executable with a socket
// pair between the two that is the board's link: then the board process ends when the link is closed, when it is told
// to, and when the daemon is gone, however it went. Or the board is a service of its own with a socket, its Door, that
// the daemon dials. In either case the board process has a Keeper, which switches its outputs off after it.
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
	Env    []string      // nil: this process's
	Stderr io.Writer     // where the process's messages go; nil: nowhere
	Grace  time.Duration // how long Close waits for the process to go by itself; 0 means DefaultGrace
}

// DefaultGrace is ample for switching outputs off.
const DefaultGrace = 2 * time.Second

// Exited says how the process ended. Reads and writes return it once the process is gone.
type Exited struct {
	Name  string
	State *os.ProcessState
	How   string // in words
}

// Error is how it ended, in words.
func (e *Exited) Error() string { return fmt.Sprintf("the process %s %s", e.Name, e.How) }
