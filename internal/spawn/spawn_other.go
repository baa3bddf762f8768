//go:build !linux

package spawn

import "io/fs"

// Process is a running board process; here there is none.
type Process struct{}

// Start fails.
func Start(Command) (*Process, error) { return nil, ErrUnsupported }

// Read fails.
func (*Process) Read([]byte) (int, error) { return 0, ErrUnsupported }

// Write fails.
func (*Process) Write([]byte) (int, error) { return 0, ErrUnsupported }

// Done is never closed.
func (*Process) Done() <-chan struct{} { return nil }

// Close does nothing.
func (*Process) Close() error { return nil }

// Listener accepts hosts of a board; here there is none.
type Listener struct{}

// Conn is the connection of a host.
type Conn struct {
	Fd   int
	Peer string
}

// Open fails.
func Open(string, []int, string) (*Listener, error) { return nil, ErrUnsupported }

// Listen fails.
func Listen(string, string) (*Listener, error) { return nil, ErrUnsupported }

// ListenFD fails.
func ListenFD(int, string) (*Listener, error) { return nil, ErrUnsupported }

// Fd is no descriptor.
func (*Listener) Fd() int { return -1 }

// Waiting receives nothing.
func (*Listener) Waiting() <-chan struct{} { return nil }

// Accept returns nothing.
func (*Listener) Accept() (Conn, bool) { return Conn{}, false }

// Release does nothing.
func (*Listener) Release() {}

// Close does nothing.
func (*Listener) Close() error { return nil }

// Watchdog switches outputs off after its process has ended; here there is none.
type Watchdog struct{}

// StartWatchdog fails.
func StartWatchdog(Command, []int) (*Watchdog, error) { return nil, ErrUnsupported }

// Done is never closed.
func (*Watchdog) Done() <-chan struct{} { return nil }

// Close does nothing.
func (*Watchdog) Close() error { return nil }

// Watch fails.
func Watch(int, func(fd int) error) error { return ErrUnsupported }

func ownerOf(fs.FileInfo) string { return "" }
