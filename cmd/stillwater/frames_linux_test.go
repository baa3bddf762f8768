package main

import (
	"bytes"
	"fmt"
	"io"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/need"
)

// How far it is, is shown to whoever looks.
func TestFramesShowProgressOnATerminal(t *testing.T) {
	state, dir, j := card(t)
	require.NoError(t, j.Close())
	outside, screen := need.Terminal(t)
	m := &Main{Stdout: io.Discard, Stderr: screen, Getenv: func(k string) string {
		return map[string]string{"XDG_STATE_HOME": state}[k]
	}}
	ended := make(chan int)
	go func() {
		status := m.Run(t.Context(), []string{"frames", dir, "--look"})
		fmt.Fprint(screen, "that is all")
		ended <- status
	}()
	var shown []byte
	for some := make([]byte, 200); !bytes.Contains(shown, []byte("that is all")); {
		n, err := outside.Read(some)
		require.NoError(t, err)
		shown = append(shown, some[:n]...)
	}
	require.Zero(t, <-ended)
	assert.Contains(t, string(shown), "1 of 5 frames")
	assert.Contains(t, string(shown), "5 of 5 frames")
}
