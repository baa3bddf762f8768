package main

import (
	"bytes"
	"context"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
)

// Whoever asks for help gets it on standard output, flags as they are typed; whoever errs gets one line.
func TestHelpAndErrorsInFlags(t *testing.T) {
	for _, c := range []struct {
		line   string
		status int
		says   []string
	}{
		{"-h", 0, []string{"record", "--listen ADDRESS", "--seed NUMBER"}},
		{"--help", 0, []string{"drop", "--forget-phones"}},
		{"help", 0, []string{"throw", "--listen ADDRESS"}},
		{"help -h", 0, []string{"throw"}},
		{"help drop", 0, []string{"--height 40 cm"}},
		{"record -h", 0, []string{"--journal FILE", "--format csv"}},
		{"help nonsense", 2, []string{`no command "nonsense"`, "stillwater help"}},
		{"version extra", 2, []string{`"extra"`}},
		{"--nonsense", 2, []string{"--nonsense", "see stillwater -h"}},
		{"--seed many", 2, []string{`"many" for flag --seed`}},
		{"--listen", 2, []string{"needs an argument: --listen"}},
		{"drop --hight 40cm", 2, []string{"drop: ", "--hight", "see stillwater drop -h"}},
		{"drop --json=maybe", 2, []string{"for --json"}},
		{"record list --nonsense", 2, []string{"record list: ", "--nonsense", "see stillwater record list -h"}},
	} {
		t.Run(c.line, func(t *testing.T) {
			status, out, errs := calc(t, c.line)
			assert.Equal(t, c.status, status, errs)
			text, other := out, errs
			if c.status != 0 {
				text, other = errs, out
				assert.Equal(t, 1, strings.Count(errs, "\n"), "one line: %s", errs)
			}
			assert.Empty(t, other)
			for _, s := range c.says {
				assert.Contains(t, text, s)
			}
			assert.NotContains(t, text, "\n  -j", "flags have two dashes")
		})
	}
}

// Being told to stop while starting is no failure.
func TestStoppedWhileStarting(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	var out, errs bytes.Buffer
	m := &Main{Stdout: &out, Stderr: &errs, Getenv: func(string) string { return "" }}
	status := m.Run(ctx, []string{"--listen", "127.0.0.1:0", "--journal", filepath.Join(t.TempDir(), "j.db")})
	assert.Zero(t, status, errs.String())
}
