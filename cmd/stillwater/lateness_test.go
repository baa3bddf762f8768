package main

import (
	"bytes"
	"errors"
	"io"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/commandline"
	"stillwater/internal/lateness"
	"stillwater/internal/lateness/bench"
)

func TestLatenessBadFlags(t *testing.T) {
	dir := t.TempDir()
	simulated := filepath.Join(dir, "simulated.toml")
	require.NoError(t, os.WriteFile(simulated, []byte("[board]\nkind = \"simulated\"\n"), 0o644))
	gpio := filepath.Join(dir, "gpio.toml")
	require.NoError(t, os.WriteFile(gpio, []byte(`[board]
kind = "gpio"
[[board.input]]
name = "stop"
role = "kill"
chip = "gpiochip0"
line = 1
active = "high"
[[board.output]]
name = "flash"
kind = "flash"
chip = "gpiochip0"
line = 2
safe = "low"
longest_on = "10 ms"
`), 0o644))
	for _, c := range []struct {
		args []string
		want string
	}{
		{[]string{"what"}, `unexpected argument "what"`},
		{[]string{"--count", "0"}, "--count 0: give a number from 1"},
		{[]string{"--count", "x"}, "count"},
		{[]string{"--interval", "1us"}, "--interval 1µs: give a time from 200µs to 1s"},
		{[]string{"--rounds", "3"}, "add --peer"},
		{[]string{"--peer", "--rounds", "0"}, "--rounds 0: give a number from 1"},
		{[]string{"--peer", "--count", "3", "--rounds", "4"}, "no more than --count"},
		{[]string{"--priority", "100"}, "--priority 100: give a number from 1 to 99"},
		{[]string{"--cpu", "-2"}, "--cpu -2: give the number of a processor"},
		{[]string{"--output", "flash"}, "add --config FILE"},
		{[]string{"--config", gpio}, "say which may be switched with --output"},
		{[]string{"--config", gpio, "--output", "flash", "--priority", "1"}, "are in [board]"},
		{[]string{"--config", simulated, "--output", "flash"}, "has no board with pins"},
		{[]string{"--config", gpio, "--output", "lamp"}, `--output "lamp": the configuration has flash`},
		{[]string{"--config", gpio, "--output", "flash", "--input", "beam"}, `--input "beam": the configuration has stop`},
		{[]string{"--config", gpio, "--output", "flash", "--input", "stop"}, "is the kill switch"},
		{[]string{"--plan", "swim"}, `--plan "swim": give drop, throw, sound or drops`},
		{[]string{"--plan", "throw", "--set", "gate"}, "write FIELD=VALUE"},
		{[]string{"--plan", "throw", "--set", "throw.gate=far"}, "throw.gate"},
		{[]string{"--load="}, "load"},
	} {
		m := &Main{Stdout: io.Discard, Stderr: io.Discard, Getenv: func(string) string { return "" }}
		err := m.lateness(t.Context(), c.args)
		assert.ErrorIs(t, err, errUsage, "%v", c.args)
		assert.ErrorContains(t, err, c.want, "%v", c.args)
	}
}

// What was not asked for is not what is wrong.
func TestLatenessFewPulses(t *testing.T) {
	for _, args := range [][]string{{"--count", "1"}, {"--count", "1", "--peer"}} {
		o, flags := latenessFlags()
		require.NoError(t, commandline.Parse(flags, args))
		assert.NoError(t, o.check(flags), "%v", args)
	}
}

// Whoever asks for a verdict by exit status gets it.
func TestLatenessVerdictIsAnError(t *testing.T) {
	r := &bench.Report{Verdict: lateness.Verdict{Words: "not good enough for a throw"}}
	r.Setup.Missing = []string{"no real-time priority"}
	var text bytes.Buffer
	assert.ErrorIs(t, (&Main{Stdout: &text}).answerLateness(r, false), errLate)
	assert.Contains(t, text.String(), "not good enough for a throw")
	assert.Contains(t, text.String(), "does not grant, above, is the first thing to fix")
	assert.False(t, errors.Is((&Main{Stdout: io.Discard}).answerLateness(r, true), errUsage))
	r.Verdict.Good = true
	assert.NoError(t, (&Main{Stdout: io.Discard}).answerLateness(r, true))
}
