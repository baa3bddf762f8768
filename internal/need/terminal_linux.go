package need

import (
	"fmt"
	"os"
	"syscall"
	"testing"
	"unsafe"
)

// Terminal opens a pseudo-terminal, or ends the test: what is written to screen can be read from outside.
func Terminal(t testing.TB) (outside, screen *os.File) {
	t.Helper()
	outside, err := os.OpenFile("/dev/ptmx", os.O_RDWR|syscall.O_NOCTTY, 0)
	if err != nil {
		Missing(t, "no pseudo-terminals: "+err.Error())
	}
	t.Cleanup(func() { outside.Close() })
	control := func(request uintptr, value *int32) {
		_, _, errno := syscall.Syscall(syscall.SYS_IOCTL, outside.Fd(), request, uintptr(unsafe.Pointer(value)))
		if errno != 0 {
			t.Fatalf("/dev/ptmx: request %#x: %v", request, errno)
		}
	}
	var number, unlock int32
	control(syscall.TIOCSPTLCK, &unlock)
	control(syscall.TIOCGPTN, &number)
	screen, err = os.OpenFile(fmt.Sprintf("/dev/pts/%d", number), os.O_RDWR|syscall.O_NOCTTY, 0)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { screen.Close() })
	return outside, screen
}
