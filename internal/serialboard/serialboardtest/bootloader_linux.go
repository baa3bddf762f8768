package serialboardtest

import "stillwater/firmware/image"

// Bootloader talks to a programmer and keeps the flash memory that it writes, by the protocol of Atmel's application
// note AVR061, as far as bootloaders have it (from memory).
type Bootloader struct {
	Flash   [image.FlashSize]byte
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

// take answers what a programmer sent; left: it was asked to start the firmware.
func (b *Bootloader) take(said []byte) (answer []byte, left bool) {
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

func (b *Bootloader) do(command byte, words []byte) []byte {
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
		copy(b.Flash[b.address:], words[3:])
	case stkReadPage:
		return b.Flash[b.address : b.address+(int(words[0])<<8|int(words[1]))]
	}
	return nil
}
