package serialboard

import (
	"bytes"
	"io"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"testing/iotest"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/board"
	"stillwater/internal/config"
	"stillwater/internal/serialport"
	"stillwater/internal/spawn"
	"stillwater/internal/wire"
)

// Once a board has answered on a port, no other is tried while that one is there.
func TestTheBoardIsLookedForWhereItWas(t *testing.T) {
	before := filepath.Join(t.TempDir(), "usb-board")
	require.NoError(t, os.WriteFile(before, nil, 0o600))
	port, err := FindPort(config.Board{}, before)
	require.NoError(t, err)
	assert.Equal(t, before, port)
	port, err = FindPort(config.Board{Port: "/dev/ttyUSB3"}, before)
	require.NoError(t, err)
	assert.Equal(t, "/dev/ttyUSB3", port, "what is configured is meant")
}

// A relay's problem is found at the end of what came, in whatever pieces, and nowhere else.
func TestTheRelaysProblem(t *testing.T) {
	cause := &serialport.Error{Path: "/dev/x", What: "it is gone", Remedy: "plug it in\nagain"}
	frame := wire.AppendFrame(nil, wire.Pong{}.Frame(1))
	for _, c := range []struct{ came, want string }{
		{string(appendProblem(frame, cause)), "serial port /dev/x: it is gone: plug it in again"},
		{string(frame) + "\x00problem and no end", "EOF"},
		{"\x00problem before\n" + string(frame), "EOF"},
		{string(frame), "EOF"},
	} {
		link := &relayedLink{ReadWriteCloser: ending{iotest.OneByteReader(strings.NewReader(c.came))}}
		got, err := io.ReadAll(link)
		if c.want == "EOF" {
			assert.NoError(t, err)
		} else {
			assert.EqualError(t, err, c.want)
		}
		assert.Equal(t, c.came, string(got))
	}
}

// A relay closes the link after its problem. Whoever writes then must not take that for the reason.
func TestTheRelaysProblemOutlivesAWrite(t *testing.T) {
	cause := &serialport.Error{Path: "/dev/x", What: "there is nothing", Remedy: "plug the board in"}
	_, err := board.Dial(t.Context(), &relayedLink{ReadWriteCloser: &closedLink{
		Reader: bytes.NewReader(appendProblem(nil, cause)), written: make(chan struct{})}}, board.Options{})
	assert.ErrorContains(t, err, "its link ended: serial port /dev/x: there is nothing: plug the board in")
}

// closedLink is a link that the other side has closed; it is read once the first write has failed.
type closedLink struct {
	io.Reader
	once    sync.Once
	written chan struct{}
}

func (c *closedLink) Read(p []byte) (int, error) {
	<-c.written
	return c.Reader.Read(p)
}

func (c *closedLink) Write([]byte) (int, error) {
	defer c.once.Do(func() { close(c.written) })
	return 0, &spawn.ClosedError{Path: "/run/x", Err: syscall.EPIPE}
}

func (c *closedLink) Close() error { c.once.Do(func() { close(c.written) }); return nil }

// ending is a link that only ends.
type ending struct{ io.Reader }

func (ending) Write(p []byte) (int, error) { return len(p), nil }
func (ending) Close() error                { return nil }
