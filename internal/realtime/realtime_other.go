//go:build !linux

package realtime

import "context"

// NewClock fails.
func NewClock() (*Clock, error) { return nil, ErrUnsupported }

// Thread is the board's thread; here there is none.
type Thread struct{ Report Report }

// Enter does nothing.
func Enter(Want) *Thread { return &Thread{} }

// Probe reports that there is nothing to grant.
func Probe(Want) Report {
	return Report{Grants: []Grant{{What: "board process", Why: ErrUnsupported.Error(),
		Remedy: "use the simulated board, or one on a serial port"}}}
}

// Arm does nothing.
func (*Thread) Arm() {}

// Disarm does nothing.
func (*Thread) Disarm() {}

// Close does nothing.
func (*Thread) Close() error { return nil }

// NewLink fails.
func NewLink(int) (*Link, error) { return nil, ErrUnsupported }

// Close does nothing.
func (*Link) Close() error { return nil }

// Waiter sleeps until a descriptor is ready or a time has come; here there is none.
type Waiter struct{}

// NewWaiter fails.
func NewWaiter(context.Context, ...int) (*Waiter, error) { return nil, ErrUnsupported }

// Sleep fails.
func (*Waiter) Sleep(int64, bool) (bool, error) { return false, ErrUnsupported }

// Poll fails.
func (*Waiter) Poll() (bool, error) { return false, ErrUnsupported }

// Ready says no.
func (*Waiter) Ready(int) bool { return false }

// Close does nothing.
func (*Waiter) Close() error { return nil }
