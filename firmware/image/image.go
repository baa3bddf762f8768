// Package image is the firmware's image: it is embedded if it was built before this program, and read and checked.
//
// "make -C firmware" writes it to built/stillwater.hex. A program built without it, on a machine without the
// cross-compiler, has none and works all the same; only "stillwater flash" must then be given a file.
package image

import (
	"embed"
	"errors"
	"io/fs"
)

//go:embed built
var built embed.FS

// Hex is the firmware in the Intel HEX format; false: this program carries none.
func Hex() ([]byte, bool) {
	text, err := built.ReadFile("built/stillwater.hex")
	if errors.Is(err, fs.ErrNotExist) {
		return nil, false
	}
	return text, err == nil
}
