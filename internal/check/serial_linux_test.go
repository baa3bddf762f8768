package check

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/board"
	"stillwater/internal/clocksync"
	"stillwater/internal/config"
	"stillwater/internal/serialboard"
	"stillwater/internal/serialboard/serialboardtest"
	"stillwater/internal/serialport"
	"stillwater/internal/wire"
)

// A board with a clock that is off is asked, listened to, and described.
func TestCheckAsksASerialBoard(t *testing.T) {
	t.Parallel()
	chip := serialboardtest.New(t)
	chip.PPM = -3500
	chip.Connect()
	dir := t.TempDir()
	path := filepath.Join(dir, "stillwater.toml")
	text := fmt.Sprintf("listen = \"127.0.0.1:0\"\njournal = %q\n[board]\nkind = \"serial\"\nport = %q\n"+
		"late = \"20 ms\"\n", filepath.Join(dir, "j.db"), chip.Path)
	require.NoError(t, os.WriteFile(path, []byte(text), 0o600))

	listened := time.Duration(0)
	answer := Run(t.Context(), Options{Path: path, Getenv: func(string) string { return "" },
		Listening: func(d time.Duration) { listened = d }})
	require.NotNil(t, answer.Serial, "%+v", answer.Findings)
	assert.Equal(t, listenFor, listened)
	got := answer.Serial
	assert.Equal(t, chip.Path, got.Port)
	assert.Equal(t, "m328p 1.0", got.Firmware)
	assert.Equal(t, wire.Version, got.Protocol)
	assert.Equal(t, 0.5, got.TickUs)
	assert.LessOrEqual(t, got.ClockPPMLow, chip.PPM, "the limits hold whatever else the machine does")
	assert.GreaterOrEqual(t, got.ClockPPMHigh, chip.PPM)
	assert.Positive(t, got.RoundTripMs)
	assert.Zero(t, answer.Stops, "%+v", answer.Findings)
}

func serialSite() site {
	s := goodSite()
	s.conf.Board = config.Board{Kind: config.Serial, Port: "/dev/ttyACM0"}
	s.serial = place{path: "/dev/ttyACM0", mode: os.ModeDevice | os.ModeCharDevice | 0o660}
	s.probe.result = serialboard.ProbeResult{
		Port: "/dev/ttyACM0", Learned: true,
		Identity: board.Identity{Firmware: "m328p 1.0", Tick: 500 * time.Nanosecond, Inputs: make([]board.InputInfo, 6)},
		Clock:    clocksync.Estimate{PPM: 1250, LowPPM: 1100, HighPPM: 1500},
	}
	return s
}

func TestFindingsOfWhatASerialBoardSays(t *testing.T) {
	s0 := serialSite()
	s0.probe.result.Identity.Inputs = []board.InputInfo{{Name: "mic", Kind: wire.InputMicrophone}}
	s0.probe.result.Identity.Outputs = []board.OutputInfo{{Name: "valve1", Kind: wire.OutputValve}}
	inert := examineUnused(s0)
	require.Len(t, inert, 1)
	assert.Equal(t, `output "valve1"`, inert[0].Where)

	clock := func(s site) Finding { return examineBoardClock(s)[0] }
	s := serialSite()
	firmware := examineFirmware(s)[0]
	assert.Equal(t, Note, firmware.Severity)
	assert.Equal(t, "m328p 1.0, protocol 2, ticks of 500 ns, 6 inputs, 0 outputs", firmware.What)
	assert.Equal(t, Finding{Note, "the board's clock", "1250 ppm faster than this machine's " +
		"(certainly between +1100 and +1500): " +
		"a delay of 400 ms ends 500 µs early, nearly the same in each shot, so that the trim takes it out", ""}, clock(s))

	s.probe.result.Clock = clocksync.Estimate{PPM: -8000, LowPPM: -8200, HighPPM: -7800}
	assert.Equal(t, Warning, clock(s).Severity)
	assert.Contains(t, clock(s).What, "8000 ppm slower")
	assert.Contains(t, clock(s).What, "a delay of 400 ms ends 3.2 ms late")
	s.probe.result.Clock = clocksync.Estimate{PPM: 8000, LowPPM: -900, HighPPM: 20000}
	assert.Equal(t, Note, clock(s).Severity, "so little is known that it may be right")
	s.probe.result.Learned = false
	assert.Equal(t, Warning, clock(s).Severity)

	for _, c := range []struct {
		err    error
		socket string
		want   Severity
	}{
		{&serialport.Error{Path: "/dev/x", What: "it is in use", Err: serialport.ErrBusy}, "", Note},
		{errors.New("already serves another"), "/run/x", Note},
		{&board.NotABoardError{Within: time.Second}, "", Stop},
		{&board.VersionError{Theirs: 0}, "", Stop},
		{serialport.ErrAbsent, "", ""}, {serialport.ErrSeveral, "", ""}, {serialport.ErrDenied, "", ""},
	} {
		s := serialSite()
		s.probe, s.conf.Board.Socket = serialProbe{err: c.err}, c.socket
		assert.Empty(t, examineBoardClock(s))
		found := examineFirmware(s)
		if c.want == "" {
			assert.Empty(t, found, "%v", c.err)
			continue
		}
		require.Len(t, found, 1)
		assert.Equal(t, c.want, found[0].Severity)
	}
}
