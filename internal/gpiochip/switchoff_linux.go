package gpiochip

import (
	"unsafe"

	"golang.org/x/sys/unix"
)

// Fds are the descriptors that hold the lines. The kernel releases a line when the last descriptor of its request is
// closed, so a process with duplicates keeps the lines driven after this one has ended, and can then SwitchOff.
func (out *Outputs) Fds() []int {
	var fds []int
	for _, r := range out.requests {
		fds = append(fds, r.fd)
	}
	return fds
}

// SwitchOff drives all lines of a descriptor of Fds off, also in another process than the one that requested them.
func SwitchOff(fd int) error {
	v := unix.GPIOV2LineValues{Mask: 1<<MaxLines - 1} // the kernel ignores bits beyond its lines
	if err := ioctl(fd, unix.GPIO_V2_LINE_SET_VALUES_IOCTL, unsafe.Pointer(&v)); err != nil {
		return &Error{Where: "the outputs", What: "cannot be switched off", Remedy: "cut their supply", Err: err}
	}
	return nil
}
