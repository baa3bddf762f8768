package gpiochip

import (
	"unsafe"

	"golang.org/x/sys/unix"
)

// Fds are the descriptors that hold the lines. The kernel lets a line go when the last descriptor of its request is
// closed, so a process that has copies keeps the lines driven when this one is gone, and can then SwitchOff.
func (out *Outputs) Fds() []int {
	var fds []int
	for _, r := range out.requests {
		fds = append(fds, r.fd)
	}
	return fds
}

// SwitchOff drives all lines off that a descriptor of Fds holds, also in another process than the one that took them.
func SwitchOff(fd int) error {
	v := unix.GPIOV2LineValues{Mask: 1<<MaxLines - 1} // the kernel passes over bits beyond its lines
	if err := ioctl(fd, unix.GPIO_V2_LINE_SET_VALUES_IOCTL, unsafe.Pointer(&v)); err != nil {
		return &Error{Where: "the outputs", What: "cannot be switched off", Remedy: "cut their supply", Err: err}
	}
	return nil
}
