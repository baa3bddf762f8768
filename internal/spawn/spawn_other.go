//go:build !linux

package spawn

import "io/fs"

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

// Door is where hosts come to a board; here there is none.
type Door struct{}

// Guest is a host that was let in.
type Guest struct {
	Fd  int
	Who string
}

// OpenDoor refuses.
func OpenDoor(string, string) (*Door, error) { return nil, ErrUnsupported }

// TakeDoor refuses.
func TakeDoor(int, string) (*Door, error) { return nil, ErrUnsupported }

// Fd is no descriptor.
func (*Door) Fd() int { return -1 }

// Guest is nobody.
func (*Door) Guest() (Guest, bool) { return Guest{}, false }

// Free does nothing.
func (*Door) Free() {}

// Close does nothing.
func (*Door) Close() error { return nil }

// Keeper is what switches outputs off after its process is gone; here there is none.
type Keeper struct{}

// StartKeeper refuses.
func StartKeeper(Command, []int) (*Keeper, error) { return nil, ErrUnsupported }

// Gone is never closed.
func (*Keeper) Gone() <-chan struct{} { return nil }

// Close does nothing.
func (*Keeper) Close() error { return nil }

// Keep refuses.
func Keep(int, func(fd int) error) error { return ErrUnsupported }

func ownerOf(fs.FileInfo) string { return "" }
