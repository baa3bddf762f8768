package image

import (
	"bytes"
	"encoding/hex"
	"errors"
	"fmt"

	"stillwater/internal/wire"
)

const (
	// FlashSize is the flash memory of an ATmega328P, bootSize the least that a bootloader takes of its end (data sheet,
	// boot size configuration; from memory).
	FlashSize = 32 * 1024
	bootSize  = 512
	// namePrefix begins the name of each version of our firmware.
	namePrefix = "m328p "
)

// Image is what a file in the Intel HEX format puts into the chip.
type Image struct {
	Name  string // of the firmware, as it announces itself
	Bytes int
}

// Parse checks a whole file before anything is done to a board: the form and checksum of each record, that it ends,
// that it fits, and that it is firmware of ours. Source: Intel, Hexadecimal Object File Format Specification, revision
// A, 1988 (from memory).
func Parse(text []byte) (Image, error) {
	var m memory
	number := 0
	for line := range bytes.Lines(text) {
		number++
		if line = bytes.TrimSpace(line); len(line) == 0 {
			continue
		}
		if err := m.addRecord(line); err != nil {
			return Image{}, fmt.Errorf("line %d: %w", number, err)
		}
	}
	if !m.ended {
		return Image{}, errors.New("it has no end record: it is not an Intel HEX file, or it was cut off")
	}
	name, ok := NameIn(m.flash[:])
	if !ok {
		return Image{}, errors.New("it is not firmware of Stillwater's")
	}
	return Image{Name: name, Bytes: m.used}, nil
}

// memory is the flash memory that a file describes.
type memory struct {
	flash   [FlashSize]byte
	written [FlashSize]bool
	used    int
	ended   bool
}

// The types of records.
const (
	recordData    = 0
	recordEnd     = 1
	recordSegment = 2 // base address, in units of 16
	recordStart   = 3 // start address, which an AVR does not use, as that of type 5
	recordUpper   = 4 // upper half of the address
	recordStart32 = 5
)

// addRecord adds one record: a colon, then in hexadecimal the number of data bytes, a big-endian address, the type, the
// data, and what makes the sum of all bytes 0.
func (m *memory) addRecord(line []byte) error {
	const head, tail = 4, 1
	bad := errors.New("it is not a record of an Intel HEX file")
	record := make([]byte, hex.DecodedLen(len(line)-1))
	if line[0] != ':' {
		return bad
	}
	if _, err := hex.Decode(record, line[1:]); err != nil || len(record) < head+tail {
		return bad
	}
	var sum byte
	for _, b := range record {
		sum += b
	}
	data, at := record[head:len(record)-tail], int(record[1])<<8|int(record[2])
	switch {
	case len(data) != int(record[0]) || sum != 0:
		return errors.New("its length or checksum is wrong: the file was damaged")
	case m.ended:
		return errors.New("something follows the end record")
	}
	switch record[3] {
	case recordData:
		if at+len(data) > FlashSize-bootSize {
			return errors.New("it reaches past what an ATmega328P has beside its bootloader")
		}
		for i := range data {
			if m.written[at+i] {
				return fmt.Errorf("address %04X is there twice: the file was put together wrongly", at+i)
			}
			m.written[at+i] = true
		}
		m.used += copy(m.flash[at:], data)
	case recordEnd:
		m.ended = true
	case recordSegment, recordUpper:
		if len(bytes.Trim(data, "\x00")) > 0 {
			return errors.New("it is for a larger chip")
		}
	case recordStart, recordStart32:
	default:
		return fmt.Errorf("no record of an Intel HEX file is of type %02X", record[3])
	}
	return nil
}

// NameIn finds the name of our firmware in flash memory: all its 16 bytes are there, as they are sent.
func NameIn(flash []byte) (string, bool) {
	at := bytes.Index(flash, []byte(namePrefix))
	if at < 0 || at+wire.MaxName > len(flash) {
		return "", false
	}
	name, rest, _ := bytes.Cut(flash[at:at+wire.MaxName], []byte{0})
	if len(bytes.Trim(rest, "\x00")) > 0 {
		return "", false
	}
	_, err := wire.MakeName(string(name))
	return string(name), err == nil
}
