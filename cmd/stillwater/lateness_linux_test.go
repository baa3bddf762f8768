package main

import (
	"encoding/json"
	"errors"
	"os"
	"os/exec"
	"regexp"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/config"
	"stillwater/internal/need"
	"stillwater/internal/realtime"
)

// runLateness runs the program with arguments, and returns what it said as JSON. Whether the machine was good enough is
// not asked: that is no matter for a test.
// boardStarved is said by a host or of a board that gets no processor for a second.
var boardStarved = regexp.MustCompile("disarmed by itself|did not answer|nothing heard from it")

func runLateness(t *testing.T, args ...string) map[string]any {
	home := t.TempDir()
	args = append([]string{"lateness", "--json", "--plan", "throw"}, args...)
	var out []byte
	var err error
	for range shotTries {
		cmd := exec.CommandContext(t.Context(), os.Args[0], args...)
		cmd.Env = append(os.Environ(), runEnv+"=1", "HOME="+home, "XDG_STATE_HOME="+home, "XDG_CONFIG_HOME="+home)
		out, err = cmd.Output()
		if exit := new(exec.ExitError); !errors.As(err, &exit) || !boardStarved.Match(exit.Stderr) {
			break
		}
	}
	if exit := new(exec.ExitError); errors.As(err, &exit) {
		require.Equal(t, 1, exit.ExitCode(), "%s", exit.Stderr)
		require.Contains(t, string(exit.Stderr), errLate.Error(), "the only reason to fail")
	} else {
		require.NoError(t, err)
	}
	var keys map[string]any
	require.NoError(t, json.Unmarshal(out, &keys), "%s", out)
	return keys
}

// The real command with the real board process, without pins.
func TestLatenessOfANullBoard(t *testing.T) {
	keys := runLateness(t, "--count", "100", "--priority", "5")
	assert.EqualValues(t, 100, keys["count"])
	assert.Equal(t, "none", keys["load"])
	assert.Contains(t, keys["kernel"], "Linux ")
	probed := realtime.Probe(realtime.Want{Priority: 5, CPU: config.AnyCPU})
	assert.Equal(t, probed.Granted(), keys["granted"], "the board process was granted what asking beforehand said")
	assert.Len(t, keys["missing"], len(probed.Missing()))
	for _, k := range []string{"p50_ns", "p99_ns", "max_ns"} {
		late, ok := keys[k].(float64)
		require.True(t, ok)
		assert.GreaterOrEqual(t, late, 100.0, "a tick at least, and never before its time")
	}
}

// The real peer and the real load.
func TestLatenessAgainstCyclictest(t *testing.T) {
	need.Tool(t, "cyclictest")
	need.Tool(t, "stress-ng")
	args := []string{"--count", "60", "--load"}
	granted := realtime.Probe(realtime.Want{Priority: config.DefaultPriority, CPU: config.AnyCPU}).Grants[0].OK
	if granted { // else cyclictest does not run, and stillwater says so
		args = append(args, "--peer", "--rounds", "2")
	}
	keys := runLateness(t, args...)
	assert.Contains(t, keys["load"], "stress-ng --cpu 0")
	peer, ok := keys["peer"].(map[string]any)
	require.Equal(t, granted, ok)
	if granted {
		assert.EqualValues(t, 60, peer["count"])
		assert.Positive(t, peer["ratio_p50"])
	}
}
