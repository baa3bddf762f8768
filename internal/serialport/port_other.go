//go:build !linux

package serialport

import (
	"errors"
	"fmt"
	"runtime"
)

// Port is an open serial port. On this system there are none.
type Port struct{ LowLatency bool }

// Open opens the port for this program alone.
func Open(path string, _ int) (*Port, error) { return nil, unsupported(path) }

// Lock keeps other programs that ask from the port until the result is called.
func Lock(path string) (release func() error, err error) { return nil, unsupported(path) }

func unsupported(path string) error {
	return &Error{Path: path, What: fmt.Sprintf("boards on serial ports need Linux, this is %s", runtime.GOOS),
		Remedy: "use the simulated rig here", Err: errors.ErrUnsupported}
}

// Read fails.
func (*Port) Read([]byte) (int, error) { return 0, errors.ErrUnsupported }

// Write fails.
func (*Port) Write([]byte) (int, error) { return 0, errors.ErrUnsupported }

// Close does nothing.
func (*Port) Close() error { return nil }
