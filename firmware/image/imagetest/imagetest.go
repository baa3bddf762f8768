// Package imagetest makes firmware images that no compiler made. For tests only.
package imagetest

import (
	"encoding/hex"
	"strings"

	"stillwater/internal/wire"
)

// The types of records, as in package image.
const data, end = 0, 1

// Record is one line of an Intel HEX file.
func Record(at int, kind byte, content []byte) string {
	r := append([]byte{byte(len(content)), byte(at >> 8), byte(at), kind}, content...)
	var sum byte
	for _, b := range r {
		sum += b
	}
	return ":" + strings.ToUpper(hex.EncodeToString(append(r, -sum))) + "\r\n"
}

// Firmware is a program for the chip with a name in it, and its file.
func Firmware(name string, size int) (flash []byte, text string) {
	flash = make([]byte, size)
	for i := range flash {
		flash[i] = byte(i*7 + i>>8)
	}
	announced := make([]byte, wire.MaxName)
	copy(announced, name)
	copy(flash[size/2:], announced)
	var file strings.Builder
	for at := 0; at < len(flash); at += 16 {
		file.WriteString(Record(at, data, flash[at:min(at+16, len(flash))]))
	}
	file.WriteString(Record(0, end, nil))
	return flash, file.String()
}
