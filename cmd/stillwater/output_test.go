package main

import (
	"bytes"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"github.com/stretchr/testify/assert"
)

// full is a disk without room.
type full struct{}

func (full) Write([]byte) (int, error) { return 0, syscall.ENOSPC }

// No command says that all went well when nobody got its answer.
func TestAnswersAreNotLost(t *testing.T) {
	journal := filepath.Join(t.TempDir(), "journal.db")
	startDaemon(t, "--listen", "127.0.0.1:0", "--name", "", "--journal", journal).stop()
	lines := []string{"version", "help", "help record", "drop", "throw --json", "sound", "pins", "pins --json", "check",
		"check --json", "record list --journal " + journal, "record show --json --journal " + journal,
		"record export --journal " + journal, "record export --format json --journal " + journal}
	for _, c := range commands() {
		lines = append(lines, c.name+" -h")
	}
	for _, line := range lines {
		if line == "version -h" {
			continue
		}
		var errs bytes.Buffer
		m := &Main{Stdout: full{}, Stderr: &errs, Getenv: func(string) string { return "" }}
		status := m.Run(t.Context(), strings.Fields(line))
		assert.Equal(t, 1, status, line)
		command, _, _ := strings.Cut(line, " ")
		assert.Equal(t, "stillwater: "+command+": cannot write the answer to standard output: no space left on "+
			"device; it is incomplete\n", errs.String(), line)
	}
}
