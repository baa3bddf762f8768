package main

import (
	"bytes"
	"encoding/hex"
	"errors"
	"fmt"

	"stillwater/internal/wire"
)

const (
	// flashSize is that of an ATmega328P, bootSize the least that a bootloader takes of its end (data sheet, boot size
	// configuration; from memory).
	flashSize = 32 * 1024
	bootSize  = 512
	// chipName begins the name of each version of our firmware.
	chipName = "m328p "
)

// firmwareImage is what a file in the Intel HEX format puts into the chip.
type firmwareImage struct {
	Name  string // of the firmware, as it announces itself
	Bytes int
}

// readImage checks a file whole, before anything is done to a board: the form and checksum of each record, that it
// ends, that it fits, and that it is firmware of ours. Source: Intel, Hexadecimal Object File Format Specification,
// revision A, 1988 (from memory).
func readImage(text []byte) (firmwareImage, error) {
	var c chip
	number := 0
	for line := range bytes.Lines(text) {
		number++
		if line = bytes.TrimSpace(line); len(line) == 0 {
			continue
		}
		if err := c.take(line); err != nil {
			return firmwareImage{}, fmt.Errorf("line %d: %w", number, err)
		}
	}
	if !c.ended {
		return firmwareImage{}, errors.New("it has no end record: it is no Intel HEX file, or it was cut off")
	}
	name, ok := c.name()
	if !ok {
		return firmwareImage{}, errors.New("it is no firmware of Stillwater's")
	}
	return firmwareImage{Name: name, Bytes: c.used}, nil
}

// chip is the flash memory that a file describes.
type chip struct {
	flash   [flashSize]byte
	written [flashSize]bool
	used    int
	ended   bool
}

// The types of records. The others say where to start, which an AVR does not ask.
const (
	recordData    = 0
	recordEnd     = 1
	recordSegment = 2 // the address counts from here, times 16
	recordUpper   = 4 // the upper half of the address
)

// take takes one record: a colon, then in hexadecimal the number of data bytes, a big-endian address, the type, the
// data, and what makes the sum of all bytes 0.
func (c *chip) take(line []byte) error {
	const head, tail = 4, 1
	bad := errors.New("it is no record of an Intel HEX file")
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
	case c.ended:
		return errors.New("something follows the end record")
	}
	switch record[3] {
	case recordData:
		if at+len(data) > flashSize-bootSize {
			return errors.New("it reaches past what an ATmega328P has beside its bootloader")
		}
		for i := range data {
			if c.written[at+i] {
				return fmt.Errorf("address %04X is there twice: the file was put together wrongly", at+i)
			}
			c.written[at+i] = true
		}
		c.used += copy(c.flash[at:], data)
	case recordEnd:
		c.ended = true
	case recordSegment, recordUpper:
		if len(bytes.Trim(data, "\x00")) > 0 {
			return errors.New("it is for a larger chip")
		}
	}
	return nil
}

// name is what the firmware calls itself: the whole 16 bytes are in the flash, as they are sent.
func (c *chip) name() (string, bool) {
	at := bytes.Index(c.flash[:], []byte(chipName))
	if at < 0 || at+wire.MaxName > flashSize {
		return "", false
	}
	name, rest, _ := bytes.Cut(c.flash[at:at+wire.MaxName], []byte{0})
	if len(bytes.Trim(rest, "\x00")) > 0 {
		return "", false
	}
	_, err := wire.MakeName(string(name))
	return string(name), err == nil
}
