//go:build !linux

package spawn

// Process is a running board process; here there is none.
type Process struct{}

// Start refuses.
func Start(Command) (*Process, error) { return nil, ErrUnsupported }

// Pid is 0.
func (*Process) Pid() int { return 0 }

// Read refuses.
func (*Process) Read([]byte) (int, error) { return 0, ErrUnsupported }

// Write refuses.
func (*Process) Write([]byte) (int, error) { return 0, ErrUnsupported }

// Done is never closed.
func (*Process) Done() <-chan struct{} { return nil }

// Close does nothing.
func (*Process) Close() error { return nil }
