//go:build !linux

package gpiochip

// Fds are none.
func (*Outputs) Fds() []int { return nil }

// SwitchOff fails.
func SwitchOff(int) error { return ErrUnsupported }
