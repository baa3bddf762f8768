package serialboard

import (
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/iotest"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/config"
	"stillwater/internal/serialport"
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

// ending is a link that only ends.
type ending struct{ io.Reader }

func (ending) Write(p []byte) (int, error) { return len(p), nil }
func (ending) Close() error                { return nil }
