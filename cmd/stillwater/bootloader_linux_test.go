package main

import (
	"bytes"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/need"
)

// bootloader is one that a programmer speaks with: the flash it writes, by the protocol of Atmel's application note
// AVR061, as far as bootloaders have it (from memory).
type bootloader struct {
	flash   [flashSize]byte
	pending []byte
	address int
}

// The bytes of AVR061.
const (
	stkSync, stkOK, stkInSync = 0x20, 0x10, 0x14
	stkGetSync                = 0x30
	stkGetParameter           = 0x41
	stkSetDevice              = 0x42
	stkSetDeviceMore          = 0x45
	stkEnter, stkLeave        = 0x50, 0x51
	stkLoadAddress            = 0x55
	stkUniversal              = 0x56
	stkProgramPage            = 0x64
	stkReadPage               = 0x74
	stkReadSignature          = 0x75
)

// arguments are how many bytes follow a command before the final stkSync.
var arguments = map[byte]int{stkGetParameter: 1, stkSetDevice: 20, stkSetDeviceMore: 5, stkLoadAddress: 2,
	stkUniversal: 4, stkProgramPage: 3, stkReadPage: 3}

// take takes what a programmer said and answers; left: it was told to start the firmware.
func (b *bootloader) take(said []byte) (answer []byte, left bool) {
	b.pending = append(b.pending, said...)
	for len(b.pending) > 0 {
		command, n := b.pending[0], 1+arguments[b.pending[0]]
		if len(b.pending) < n {
			return answer, false
		}
		if command == stkProgramPage {
			n += int(b.pending[1])<<8 | int(b.pending[2])
		}
		if len(b.pending) < n+1 {
			return answer, false
		}
		if b.pending[n] != stkSync {
			b.pending = b.pending[1:]
			continue
		}
		words := b.pending[1:n]
		b.pending = b.pending[n+1:]
		answer = append(append(append(answer, stkInSync), b.do(command, words)...), stkOK)
		if command == stkLeave {
			return answer, true
		}
	}
	return answer, false
}

func (b *bootloader) do(command byte, words []byte) []byte {
	switch command {
	case stkGetParameter:
		return []byte{3}
	case stkUniversal:
		return []byte{0}
	case stkReadSignature:
		return []byte{0x1e, 0x95, 0x0f} // of an ATmega328P: data sheet, signature bytes
	case stkLoadAddress:
		b.address = 2 * (int(words[0]) | int(words[1])<<8)
	case stkProgramPage:
		copy(b.flash[b.address:], words[3:])
	case stkReadPage:
		return b.flash[b.address : b.address+(int(words[0])<<8|int(words[1]))]
	}
	return nil
}

// The real avrdude writes a board whose bootloader is played here, and what it wrote then starts.
func TestFlashByTheRealTool(t *testing.T) {
	need.Tool(t, "avrdude")
	chip := newChip(t)
	chip.loader = &bootloader{}
	chip.plug()
	flash, text := someFirmware("m328p 7.7", 9001)
	file := filepath.Join(t.TempDir(), "image.hex")
	require.NoError(t, os.WriteFile(file, []byte(text), 0o600))
	status, out, errs := runFlash(t, "--port", chip.path, "--image", file)
	require.Zero(t, status, errs)
	assert.Contains(t, out, "Done: the board says that it runs m328p 7.7.")
	chip.unplug()
	assert.True(t, bytes.HasPrefix(chip.loader.flash[:], flash), "each byte is where it belongs")
}
