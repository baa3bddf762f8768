package render

import (
	"fmt"
	"io"
	"os"
	"syscall"
	"testing"
	"unsafe"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/need"
)

// terminal opens a pseudo-terminal: what is written to screen can be read from outside.
func terminal(t *testing.T) (outside, screen *os.File) {
	t.Helper()
	outside, err := os.OpenFile("/dev/ptmx", os.O_RDWR|syscall.O_NOCTTY, 0)
	if err != nil {
		need.Missing(t, "no pseudo-terminals: "+err.Error())
	}
	t.Cleanup(func() { outside.Close() })
	control := func(request uintptr, value *int32) {
		_, _, errno := syscall.Syscall(syscall.SYS_IOCTL, outside.Fd(), request, uintptr(unsafe.Pointer(value)))
		require.Zero(t, errno)
	}
	var number, unlock int32
	control(syscall.TIOCSPTLCK, &unlock)
	control(syscall.TIOCGPTN, &number)
	screen, err = os.OpenFile(fmt.Sprintf("/dev/pts/%d", number), os.O_RDWR|syscall.O_NOCTTY, 0)
	require.NoError(t, err)
	t.Cleanup(func() { screen.Close() })
	return outside, screen
}

func TestProgressShowsOnATerminal(t *testing.T) {
	outside, screen := terminal(t)
	assert.True(t, IsTerminal(screen))
	p := NewProgress(screen)
	p.Done() // nothing shown yet: nothing to take away
	p.Show("12 of 40\n")
	p.Done()
	const want = "\r\x1b[K12 of 40 \r\x1b[K"
	got := make([]byte, len(want))
	_, err := io.ReadFull(outside, got)
	require.NoError(t, err)
	assert.Equal(t, want, string(got))
}
