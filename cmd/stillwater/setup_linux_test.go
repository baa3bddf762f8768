package main

import (
	"bytes"
	"context"
	"errors"
	"flag"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/firmware/avr"
	"stillwater/internal/board"
	"stillwater/internal/check"
	"stillwater/internal/config"
	"stillwater/internal/control"
	"stillwater/internal/gpioboard/gpioboardtest"
	"stillwater/internal/proctest"
	"stillwater/internal/setup"
	"stillwater/internal/spawn"
)

// typist is somebody at the terminal of stillwater setup.
type typist struct {
	t    *testing.T
	said *proctest.Log
	read int // of what was said
	keys io.Writer
	over chan struct{} // closed when setup has ended, with
	made setup.Report
	err  error
}

// answer waits for what is asked next, does what it takes and types an answer, "" for none; nothing once setup has
// ended.
func (a *typist) answer(question, typed string, do ...func()) {
	a.t.Helper()
	over := false
	proctest.Eventually(a.t, question, func() bool {
		select {
		case <-a.over:
			over = true
		default:
		}
		return over || strings.Contains(a.said.String()[a.read:], question)
	})
	if over {
		return
	}
	a.read += strings.Index(a.said.String()[a.read:], question) + len(question)
	for _, what := range do {
		what()
	}
	if typed != "" {
		_, err := io.WriteString(a.keys, typed+"\n")
		require.NoError(a.t, err)
	}
}

// setUp runs stillwater setup with flags, at a terminal, with a board of this machine, and what somebody does there. A
// board of which nothing was heard for a second, as happens on a busy machine, is tried again.
func setUp(t *testing.T, flags []string, look func(context.Context, string) setup.Checked, script func(*typist),
) setup.Report {
	t.Helper()
	const most = 5
	for try := 1; ; try++ {
		a := startSetup(t, flags, look)
		script(a)
		<-a.over
		if errors.Is(a.err, board.ErrGone) && try < most {
			t.Logf("try %d: %v", try, a.err)
			continue
		}
		require.NoError(t, a.err, "it said:\n%s", a.said)
		return a.made
	}
}

func startSetup(t *testing.T, flags []string, look func(context.Context, string) setup.Checked) *typist {
	t.Helper()
	set := flag.NewFlagSet("setup", flag.ContinueOnError)
	o := setup.Flags(set)
	require.NoError(t, set.Parse(flags))
	in, keys := io.Pipe()
	a := &typist{t: t, said: &proctest.Log{}, keys: keys, over: make(chan struct{})}
	m := setup.ThisMachine(a.said, a.said)
	m.Terminal, m.Check, m.Dial = setup.NewTerminal(in, a.said), look, patient(m.Dial)
	go func() {
		defer close(a.over)
		a.made, a.err = setup.Run(t.Context(), *o, m)
	}()
	t.Cleanup(func() {
		keys.Close()
		<-a.over
	})
	return a
}

// patient dials a board; a process that a busy machine does not start in time gets more of it.
func patient(dial func(context.Context, config.Config) (setup.Board, error),
) func(context.Context, config.Config) (setup.Board, error) {
	return func(ctx context.Context, conf config.Config) (setup.Board, error) {
		b, err := dial(ctx, conf)
		if silent := new(board.NotABoardError); !errors.As(err, &silent) || conf.Board.Kind != config.GPIO {
			return b, err
		}
		link, err := spawn.Start(spawn.Command{Args: []string{"board", "--config", conf.Path, "--sum", conf.Sum}})
		if err != nil {
			return nil, err
		}
		return board.Dial(ctx, link, board.Options{Boot: time.Minute})
	}
}

// fine is a check that found nothing.
type fine struct{}

func (fine) Write(io.Writer) error { return nil }
func (fine) Stopped() bool         { return false }

// The first build, by flags, on the GPIO board's own process with virtual pins: each sensor is seen and the flash is
// switched once. A kill switch that is still pressed lets nothing be switched.
func TestSetupTriesTheGPIOBoard(t *testing.T) {
	pins, file := gpioboardtest.New(t)
	t.Setenv(runEnv, "1") // the board's process is this binary
	t.Setenv(pinsEnv, file)
	t.Setenv("GORACE", "atexit_sleep_ms=0")
	path := filepath.Join(t.TempDir(), "stillwater.toml")
	flags := []string{"--config", path, "--board", "gpio"}
	for _, p := range setup.Parts() {
		flags = append(flags, "--"+p.Name, map[bool]string{true: setup.Yes, false: setup.No}[p.First])
	}
	const beam, kill = 0, 1 // in the order in which they are asked for
	edge := func(input uint8, high bool) func() {
		return func() { require.NoError(t, pins.Edge(file, input, high)) }
	}
	pins.Inputs.Store(1 << beam) // at rest: the beam is high while it is whole, the switch low while it is closed
	nothingWrong := func(context.Context, string) setup.Checked { return fine{} }

	report := setUp(t, flags, nothingWrong, func(a *typist) {
		if _, err := os.Stat(path); err != nil {
			a.answer("Write this to", "yes")
		}
		a.answer("Try it now", "yes")
		a.answer("beam: break the beam now", "", edge(beam, false), edge(beam, true))
		a.answer("kill: press the kill switch, and release it now", "", edge(kill, true), edge(kill, false))
		a.answer("All of it", "yes")
		assert.Zero(t, pins.SwitchedOn.Load())
		a.answer("flash1: hands away", "yes")
		a.answer("Did it do what it should", "yes")
	})
	assert.Equal(t, []setup.Trial{{Name: "beam", Result: setup.Works}, {Name: "kill", Result: setup.Works},
		{Name: "flash1", Result: setup.Works}}, report.Trials)
	assert.EqualValues(t, 1, pins.SwitchedOn.Load())
	assert.Zero(t, pins.On.Load())

	report = setUp(t, flags, nothingWrong, func(a *typist) {
		a.answer("Try it now", "yes")
		a.answer("beam: break the beam now", "no")
		a.answer("kill: press the kill switch", "", edge(kill, true))
		a.answer("All of it", "yes")
		a.answer("flash1: hands away", "yes")
	})
	require.Len(t, report.Trials, 3)
	assert.Contains(t, report.Trials[2].Result, "not switched")
	assert.EqualValues(t, 1, pins.SwitchedOn.Load())
}

// What setup wrote of the first build is enough for the first drop. As it has no lead to the shutter, the page says so
// and offers what README says: to open it by hand.
func TestFirstDropWithTheFirstBuild(t *testing.T) {
	pins, file := gpioboardtest.New(t)
	t.Setenv(runEnv, "1")
	t.Setenv(pinsEnv, file)
	t.Setenv("GORACE", "atexit_sleep_ms=0")
	path := filepath.Join(t.TempDir(), "stillwater.toml")
	answers := setup.Answers{Board: config.GPIO, Pins: map[string]string{}}
	for _, p := range setup.Parts() {
		if p.First {
			answers.Pins[p.Name] = p.Pin
		}
	}
	text, _, err := setup.Edit(path, []byte(setup.Blank), answers, "")
	require.NoError(t, err)
	text = bytes.Replace(text, []byte("[board]\n"), []byte("[board]\nlate = \"20 ms\"\n"), 1) // a busy machine is late
	require.NoError(t, os.WriteFile(path, text, 0o600))
	pins.Inputs.Store(1) // the beam is whole

	d := startDaemon(t, "--config", path, "--listen", "127.0.0.1:0", "--journal", filepath.Join(t.TempDir(), "j.db"))
	h := d.pair()
	h.ready()
	h.must(control.Command{Type: "set", Field: "kind", Value: "drop"})
	require.NotNil(t, h.last.Refusal)
	assert.Equal(t, "the board has no shutter output", h.last.Refusal.Why)
	require.NotEmpty(t, h.last.Refusal.Fixes)
	fix := h.last.Refusal.Fixes[0]
	assert.Equal(t, "light.shutter", fix.Field)
	h.must(control.Command{Type: "set", Field: fix.Field, Value: fix.Value})
	require.Nil(t, h.last.Refusal)
	fired := pins.SwitchedOn.Load()
	made := h.dropShot(func() {
		require.NoError(t, pins.Edge(file, 0, false))
		require.NoError(t, pins.Edge(file, 0, true))
	})
	require.Len(t, made.Cues, 1)
	assert.Equal(t, "flash", made.Cues[0].Name)
	assert.Greater(t, pins.SwitchedOn.Load(), fired)
	require.Zero(t, d.stop())
}

// A timing board, by flags: the firmware itself on a simulated chip, looked at, each sensor and each output tried.
func TestSetupTriesTheFirmware(t *testing.T) {
	t.Parallel()
	chip := avr.StartTerminal(t)
	chip.Pin("kill", false)
	for _, pin := range []string{"gate", "beam", "sync", "button"} {
		chip.Pin(pin, true)
	}
	home := t.TempDir()
	look := func(ctx context.Context, path string) setup.Checked {
		return check.Run(ctx, check.Options{Path: path, Getenv: func(string) string { return home }})
	}
	sensors := []string{"gate", "beam", "microphone", "sync", "kill", "button"}
	outputs := []string{"shutter", "focus", "flash1", "flash2", "valve1", "valve2"}
	flags := []string{"--config", serialConfig(t, chip.Path), "--board", "serial"}
	report := setUp(t, flags, look, func(a *typist) {
		a.answer("Try it now", "yes")
		for _, in := range sensors {
			if in == "microphone" { // its level is a converter's, and none is connected
				a.answer(in+": clap now", "no")
				continue
			}
			a.answer(in+": ", "")
			a.answer("now ...", "", func() { chip.Pin(in, in == "kill") })
			a.answer("seen.", "", func() { chip.Pin(in, in != "kill") })
		}
		a.answer("All of it", "yes", func() { chip.Changes() })
		for _, out := range outputs {
			a.answer(out+": hands away", "yes")
			a.answer("Did it do what it should", "yes")
		}
	})
	switched := map[string]int{}
	require.Len(t, report.Trials, len(sensors)+len(outputs))
	for i, one := range report.Trials {
		assert.Equal(t, slices.Concat(sensors, outputs)[i], one.Name)
		assert.Equal(t, map[bool]string{true: "not connected", false: setup.Works}[one.Name == "microphone"], one.Result)
		if i >= len(sensors) {
			switched[one.Name] = 1
		}
	}
	on := map[string]int{}
	for _, c := range chip.Changes() {
		if c.On {
			on[c.Name]++
		}
	}
	assert.Equal(t, switched, on)
}
