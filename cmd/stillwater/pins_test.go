package main

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
)

func TestPinsCommand(t *testing.T) {
	t.Chdir(t.TempDir())
	var out strings.Builder
	m := &Main{Stdout: &out, Stderr: &out}
	assert.Equal(t, 0, m.Run(t.Context(), []string{"pins", "-h"}))
	assert.Contains(t, out.String(), "--config")
	assert.Equal(t, 2, m.Run(t.Context(), []string{"pins", "extra"}))
	out.Reset()
	assert.Equal(t, 1, m.Run(t.Context(), []string{"pins", "--config", "none.toml"}), "the machine is shown all the same")
	assert.Contains(t, out.String(), "Machine ")
	assert.Contains(t, out.String(), "none.toml: cannot be read")
}
