package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/check"
)

// The findings are for people and for scripts, and so is the exit status.
func TestCheckCommand(t *testing.T) {
	dir := t.TempDir()
	t.Chdir(dir)
	state := filepath.Join(dir, "state")
	m := func() (*Main, *strings.Builder) {
		out := &strings.Builder{}
		return &Main{Stdout: out, Stderr: out, Getenv: func(name string) string {
			return map[string]string{"XDG_STATE_HOME": state, "HOME": dir}[name]
		}}, out
	}
	write := func(text string) string {
		path := filepath.Join(dir, "check.toml")
		require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
		return path
	}

	c, out := m()
	bad := write("listen = \"nowhere\"\n[board]\nkind = \"simulated\"\nlate = \"1\"\n")
	assert.Equal(t, 1, c.Run(t.Context(), []string{"check", "--config", bad}))
	assert.Contains(t, out.String(), "stop     "+bad+":1:1: listen = \"nowhere\" is not host:port\n"+
		"         -> write \":8737\"")
	assert.Contains(t, out.String(), "stop     "+bad+":4:1: board.late = \"1\" is not a time\n")
	assert.Contains(t, out.String(), bad+": 2 findings stop it, no warnings.\n")

	good := write("listen = \"127.0.0.1:0\"\n[board]\nkind = \"simulated\"\n")
	c, out = m()
	assert.Equal(t, 0, c.Run(t.Context(), []string{"check", "--config", good, "--json"}), out)
	var answer check.Report
	require.NoError(t, json.Unmarshal([]byte(out.String()), &answer))
	assert.Equal(t, good, answer.Configuration)
	assert.Equal(t, "simulated", answer.Board)
	assert.NotNil(t, answer.Findings)
	assert.Zero(t, answer.Stops+answer.Warnings)

	c, out = m()
	assert.Equal(t, 1, c.Run(t.Context(), []string{"check", "--config", filepath.Join(dir, "none.toml")}))
	assert.Contains(t, out.String(), "none.toml: cannot be read")
	for _, args := range [][]string{{"check", "extra"}, {"check", "--what"}} {
		c, _ = m()
		assert.Equal(t, 2, c.Run(t.Context(), args), args)
	}
	c, out = m()
	assert.Equal(t, 0, c.Run(t.Context(), []string{"check", "-h"}))
	assert.Contains(t, out.String(), "Exit status: 0 nothing found, 1 it cannot run, 2 wrong usage, 3 warnings")
}

func TestStatusOfFindings(t *testing.T) {
	assert.Equal(t, statusStops, statusOf(check.Report{Stops: 1, Warnings: 2}))
	assert.Equal(t, statusWarnings, statusOf(check.Report{Warnings: 2}))
	assert.NoError(t, statusOf(check.Report{}))
}
