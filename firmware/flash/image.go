package flash

import (
	"errors"
	"fmt"
	"io/fs"

	"stillwater/firmware/image"
	"stillwater/internal/textfile"
)

// maxImage is more than an image of the whole chip takes with one byte in each record.
const maxImage = 1 << 20

// ReadImage returns the firmware in a file, or with "" the one that this program carries, and where it is from.
func ReadImage(path string) (text []byte, from string, err error) {
	if path != "" {
		text, err = textfile.Read(path, maxImage)
		if err == nil {
			text, err = textfile.Decode(text)
		}
		if e := new(fs.PathError); errors.As(err, &e) {
			err = e.Err // the path is said already
		}
		if err != nil {
			err = fmt.Errorf("--image %q: %w; name a firmware file in the Intel HEX format, or leave it out to write the "+
				"firmware in this program", path, err)
		}
		return text, path, err
	}
	text, ok := image.Hex()
	if !ok {
		return nil, "", errors.New("this program was built without the firmware: take the package of a release, or build " +
			"the firmware (make -C firmware, which needs gcc-avr and avr-libc) and give it with --image " +
			"firmware/image/built/stillwater.hex")
	}
	return text, "the firmware in this program", nil
}
