//go:build !linux

package gpiochip

// Fds are none.
func (*Outputs) Fds() []int { return nil }

// SwitchOff refuses.
func SwitchOff(int) error { return ErrUnsupported }
