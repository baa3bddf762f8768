package main

import (
	"bytes"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/firmware/image/imagetest"
	"stillwater/internal/need"
	"stillwater/internal/serialboard/serialboardtest"
)

// The real avrdude writes a board whose bootloader is played here, and what it wrote then starts.
func TestFlashByTheRealTool(t *testing.T) {
	need.Tool(t, "avrdude")
	chip := serialboardtest.New(t)
	chip.Loader = &serialboardtest.Bootloader{}
	chip.Connect()
	flash, text := imagetest.Firmware("m328p 7.7", 9001)
	file := filepath.Join(t.TempDir(), "image.hex")
	require.NoError(t, os.WriteFile(file, []byte(text), 0o600))
	status, out, errs := runFlash(t, "--port", chip.Path, "--image", file)
	require.Zero(t, status, errs)
	assert.Contains(t, out, "Done: the board says that it runs m328p 7.7.")
	chip.Disconnect()
	assert.True(t, bytes.HasPrefix(chip.Loader.Flash[:], flash), "each byte is where it belongs")
}
