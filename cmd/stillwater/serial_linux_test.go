package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/control"
	"stillwater/internal/serialboard"
	"stillwater/internal/serialboard/serialboardtest"
	"stillwater/internal/wire"
)

// serialConfig writes a configuration of a serial board, and more lines under [board].
func serialConfig(t testing.TB, port string, more ...string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "stillwater.toml")
	text := fmt.Sprintf("listen = \"127.0.0.1:0\"\nname = \"\"\n[board]\nkind = \"serial\"\nport = %q\nlate = \"20 ms\"\n"+
		"%s\n", port, strings.Join(more, "\n"))
	require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
	return path
}

// startSerial runs the daemon with a chip.
func startSerial(t testing.TB, c *serialboardtest.Chip, more ...string) *daemonRun {
	return startDaemon(t, "--config", serialConfig(t, c.Path, more...), "--journal", filepath.Join(t.TempDir(), "j.db"))
}

// dropShot arms for one drop, lets it fall, and waits for the shot. On a busy machine the chip, which is part of this
// process, can be late, and must say so.
func (h *wsPhone) dropShot(drop func()) control.ShotView {
	h.t.Helper()
	for try := 0; ; try++ {
		before := h.last.ShotCount
		h.arm(1)
		drop()
		h.until("the shot is on record", func(s *control.Snapshot) bool { return s.ShotCount > before })
		h.until("at rest", inState(control.Safe))
		if made := h.last.Shots[0]; made.OK || try == shotTries {
			require.Equal(h.t, "done", made.Status)
			return made
		}
	}
}

func TestSerialBoardFromPairingToShot(t *testing.T) {
	t.Parallel()
	chip := serialboardtest.New(t)
	chip.BootDelay, chip.BootNoise = 300*time.Millisecond, "\x00\xf8\xe6boot\x00\x06\x81"
	chip.Connect()
	h := startSerial(t, chip).pair()
	assert.Equal(t, "serial", h.last.Board.Kind)
	assert.Equal(t, 0.5, h.last.Board.TickUs)
	var roles []string
	for _, in := range h.last.Inputs {
		roles = append(roles, in.Role)
		assert.False(t, in.Active, in.Name)
	}
	assert.Equal(t, []string{"gate", "beam", "microphone", "sync", "kill", "button"}, roles)
	h.ready()
	h.must(control.Command{Type: "set", Field: "kind", Value: "drop"})
	require.Nil(t, h.last.Refusal)
	made := h.dropShot(chip.Drop)
	assert.False(t, made.Simulated)
	assert.NotEmpty(t, made.Cues)
	assert.Positive(t, chip.Count(serialboardtest.Flash1))
	assert.Positive(t, chip.Count(serialboardtest.Shutter))
	t.Logf("delay %.4f ms, cues %+v", made.DelayMs, made.Cues)

	// Both beams of a throw, so far from the focus spot that the shutter opens after the edge.
	h.must(control.Command{Type: "set", Field: "throw.to_focus", Value: "80 cm"})
	h.must(control.Command{Type: "set", Field: "throw.gate", Value: "10 cm"})
	h.must(control.Command{Type: "set", Field: "kind", Value: "throw"})
	require.Nil(t, h.last.Refusal)
	thrown := h.dropShot(func() { chip.Throw(22 * time.Millisecond) })
	require.NotNil(t, thrown.IntervalMs)
	assert.InDelta(t, 22, *thrown.IntervalMs, 0.001, "two of its ticks")
}

func TestAnUnpluggedBoardIsSaidAndComesBack(t *testing.T) {
	t.Parallel()
	chip := serialboardtest.New(t)
	d := startSerial(t, chip)
	h := d.enter(d.cookie())
	h.until("no board is said", func(s *control.Snapshot) bool {
		return strings.Contains(s.Board.Problem, "plug the board in")
	})
	assert.Contains(t, h.last.Board.Problem, chip.Path)
	assert.False(t, h.last.Board.Connected)

	chip.Connect()
	h.until("the board is there", func(s *control.Snapshot) bool { return s.Board.Connected })
	h.ready()
	h.arm(9)

	chip.Disconnect()
	h.until("the board is gone", func(s *control.Snapshot) bool { return !s.Board.Connected })
	assert.Contains(t, h.last.Reason, chip.Path+
		": it is gone, the board was unplugged or lost its power: plug it in again")
	assert.Equal(t, 1, strings.Count(h.last.Reason, "the board is disconnected"))
	h.until("what is so now", func(s *control.Snapshot) bool { return strings.Contains(s.Board.Problem, "so far") })
	assert.NotEqual(t, control.Armed, h.last.State)

	chip.Connect() // another pseudo-terminal under the same name, as a port that comes back with another number
	h.until("the board is back", func(s *control.Snapshot) bool { return s.Board.Connected })
	assert.Equal(t, control.Safe, h.last.State)
	assert.Contains(t, h.last.Reason, "the board was disconnected and is back; disarmed")
	h.arm(1)
	require.Zero(t, d.stop())
}

// Whatever else is on the port, the page says what it is and what to do.
func TestWhatIsNoBoardOfOursIsSaid(t *testing.T) {
	t.Parallel()
	old := wire.AppendFrame(nil, wire.Identity{Version: wire.Version}.Frame(0))
	for name, c := range map[string]struct {
		speaks []byte
		says   []string
	}{
		"an old firmware": {oldFrame(old), []string{fmt.Sprintf("it speaks protocol version %d, this program version %d",
			wire.Version-1, wire.Version), serialboard.FlashRemedy}},
		"a new firmware": {newFrame(old), []string{fmt.Sprintf("it speaks protocol version %d", wire.Version+1),
			"update this program"}},
		"another device": {[]byte("temperature 21.5\r\n"), []string{`it says "temperature 21.5`, serialboard.FlashRemedy}},
		"another speed":  {[]byte{0xf8, 0x06, 0xfe, 0x80, 0xe0}, []string{"another speed", serialboard.FlashRemedy}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			chip := serialboardtest.New(t)
			chip.Answer = c.speaks
			chip.Connect()
			d := startSerial(t, chip)
			h := d.enter(d.cookie())
			for _, words := range c.says {
				h.until(words, func(s *control.Snapshot) bool { return strings.Contains(s.Board.Problem, words) })
			}
			assert.False(t, h.last.Board.Connected)
		})
	}
}

// oldFrame and newFrame make an identity of another version of the protocol.
func oldFrame(identity []byte) []byte { return identityOf(identity, wire.Version-1) }
func newFrame(identity []byte) []byte { return identityOf(identity, wire.Version+1) }

func identityOf(frame []byte, version uint8) []byte {
	var d wire.Decoder
	for _, b := range frame {
		if f, ok := d.Push(b); ok {
			f.Payload[0] = version
			return wire.AppendFrame(nil, f)
		}
	}
	panic("no frame")
}

// The board's service has the port, and the page learns through it what became of the board.
func TestSerialBoardThroughItsService(t *testing.T) {
	t.Parallel()
	chip := serialboardtest.New(t)
	door := filepath.Join(t.TempDir(), "board.sock")
	conf := serialConfig(t, chip.Path, fmt.Sprintf("socket = %q", door))
	relay := &Main{Stdout: os.Stderr, Stderr: os.Stderr, Getenv: func(string) string { return "" }}
	ctx, stop := contextOf(t)
	ended := make(chan int, 1)
	go func() { ended <- relay.Run(ctx, []string{"board", "--config", conf, "--listen", door}) }()

	d := startDaemon(t, "--config", conf, "--journal", filepath.Join(t.TempDir(), "j.db"))
	h := d.enter(d.cookie())
	h.until("no port is said", func(s *control.Snapshot) bool {
		return strings.Contains(s.Board.Problem, chip.Path+": there is nothing: plug the board in")
	})
	chip.Connect()
	h.until("the board is there", func(s *control.Snapshot) bool { return s.Board.Connected })
	h.ready()
	h.must(control.Command{Type: "set", Field: "kind", Value: "drop"})
	h.dropShot(chip.Drop)

	chip.Disconnect()
	h.until("the board is gone", func(s *control.Snapshot) bool { return !s.Board.Connected })
	assert.Contains(t, h.last.Reason, "it is gone, the board was unplugged or lost its power: plug it in again")
	chip.Connect()
	h.until("the board is back", func(s *control.Snapshot) bool { return s.Board.Connected })

	stop()
	require.Zero(t, <-ended)
	h.until("the service is gone", func(s *control.Snapshot) bool { return !s.Board.Connected })
	chip.Disconnect()
}

func contextOf(t testing.TB) (context.Context, context.CancelFunc) {
	ctx, stop := context.WithCancel(context.Background())
	t.Cleanup(stop)
	return ctx, stop
}

// A wire from an output back to an input, and the board says by its own clock how late it switched.
func TestLatenessOfASerialBoard(t *testing.T) {
	t.Parallel()
	chip := serialboardtest.New(t)
	chip.Wired = true
	chip.Connect()
	conf := serialConfig(t, chip.Path)
	var out, errs bytes.Buffer
	m := &Main{Stdout: &out, Stderr: &errs, Getenv: func(string) string { return "" }}
	var status, before int
	// The chip is in this process. When it gets no processor it does not answer, disarms because the link is silent, is
	// too late to end a pulse, or reports a pulse's two edges as one.
	starved := func() bool {
		return slices.ContainsFunc([]string{"the board did not answer", `ended as "aborted"`, "would be on for longer",
			"saw 2 edges"},
			func(s string) bool { return strings.Contains(errs.String(), s) })
	}
	for try := 0; try == 0 || try < shotTries && starved(); try++ {
		out.Reset()
		errs.Reset()
		before = chip.Count(serialboardtest.Flash1)
		status = m.Run(t.Context(), []string{"lateness", "--config", conf, "--output", "flash1", "--input", "sync",
			"--count", "5", "--json", "--plan", "drop"})
	}
	require.LessOrEqual(t, status, 1, errs.String())
	var report map[string]any
	require.NoError(t, json.Unmarshal(out.Bytes(), &report), "%s\n%s", out.String(), errs.String())
	t.Log(out.String())
	assert.Contains(t, out.String(), "m328p 1.0")
	assert.Contains(t, errs.String(), `This switches output "flash1"`)
	assert.Equal(t, 5, chip.Count(serialboardtest.Flash1)-before)

	for _, c := range [][2]string{{"--output lamp", "shutter, focus, flash1"},
		{"--output flash1 --input kill", "is the kill"}, {"--output flash1 --peer", "leave it out"}} {
		errs.Reset()
		words := append([]string{"lateness", "--config", conf, "--count", "5"}, strings.Fields(c[0])...)
		assert.Equal(t, 2, m.Run(t.Context(), words))
		assert.Contains(t, errs.String(), c[1])
	}
}

func TestTheServiceOfASerialBoardNeedsASocket(t *testing.T) {
	var errs bytes.Buffer
	m := &Main{Stdout: &errs, Stderr: &errs, Getenv: func(string) string { return "" }}
	assert.NotZero(t, m.Run(t.Context(), []string{"board", "--config", serialConfig(t, "/dev/ttyUSB0")}))
	assert.Contains(t, errs.String(), "--listen PATH")
}
