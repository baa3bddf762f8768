package need

import (
	"fmt"
	"os"
	"testing"

	"golang.org/x/sys/unix"
)

// Terminal opens a pseudo-terminal, or ends the test: what is written to screen can be read from outside.
func Terminal(t testing.TB) (outside, screen *os.File) {
	t.Helper()
	outside, err := os.OpenFile("/dev/ptmx", os.O_RDWR|unix.O_NOCTTY, 0)
	if err != nil {
		Missing(t, "no pseudo-terminals: "+err.Error())
	}
	t.Cleanup(func() { outside.Close() })
	if err := unix.IoctlSetPointerInt(int(outside.Fd()), unix.TIOCSPTLCK, 0); err != nil {
		t.Fatalf("unlock /dev/ptmx: %v", err)
	}
	number, err := unix.IoctlGetInt(int(outside.Fd()), unix.TIOCGPTN)
	if err != nil {
		t.Fatalf("number of /dev/ptmx: %v", err)
	}
	screen, err = os.OpenFile(fmt.Sprintf("/dev/pts/%d", number), os.O_RDWR|unix.O_NOCTTY, 0)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { screen.Close() })
	return outside, screen
}
