package main

import (
	"os"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/need"
	"stillwater/internal/record"
)

// A note that an older version took does nothing on the terminal that the record is exported to.
func TestRecordExportOnATerminal(t *testing.T) {
	state, j := evening(t)
	_, err := j.Add(t.Context(), record.Shot{Session: 1, At: time.Unix(1, 0),
		Note: "a\x1b[2Jb\u202ec"})
	require.NoError(t, err)
	for format, want := range map[string]string{"csv": `a\x1b[2Jb\u202ec`, "json": `a\u001b[2Jb\u202ec`} {
		outside, screen := need.Terminal(t)
		m := &Main{Stdout: screen, Stderr: os.Stderr,
			Getenv: func(k string) string { return map[string]string{"XDG_STATE_HOME": state}[k] }}
		go func() {
			assert.Zero(t, m.Run(t.Context(), []string{"record", "export", "--format", format}))
			screen.WriteString("end\n")
		}()
		shown := readUntil(t, outside, "end\r\n")
		assert.Contains(t, shown, want)
		assert.NotContains(t, shown, "\x1b")
		assert.NotContains(t, shown, "\u202e")
	}
}
