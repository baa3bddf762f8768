// Package textfile reads text files that a person may have edited: bounded, regular files only, in UTF-8 with or
// without a byte-order mark. It also replaces a file atomically.
package textfile

import (
	"bytes"
	"errors"
	"io"
	"io/fs"
	"os"
	"unicode/utf8"
)

// The errors of a text file.
var (
	ErrFolder     = errors.New("it is a folder")
	ErrNotRegular = errors.New("it is not a regular file")
	ErrTooLarge   = errors.New("it is larger than any such file")
	ErrUTF16      = errors.New("it is UTF-16")
)

// Read returns the bytes of a file of at most limit bytes. A device or a pipe, which may never end, is refused without
// being opened.
func Read(path string, limit int64) ([]byte, error) {
	info, err := os.Stat(path)
	switch {
	case err != nil:
		return nil, err
	case info.IsDir():
		return nil, &fs.PathError{Op: "read", Path: path, Err: ErrFolder}
	case !info.Mode().IsRegular():
		return nil, &fs.PathError{Op: "read", Path: path, Err: ErrNotRegular}
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	text, err := io.ReadAll(io.LimitReader(f, limit+1))
	if err == nil && int64(len(text)) > limit {
		err = &fs.PathError{Op: "read", Path: path, Err: ErrTooLarge}
	}
	return text, err
}

// NotUTF8 is the error of a text that is not UTF-8 from this byte on.
type NotUTF8 int

// Error says what is wrong; where, the number itself says.
func (NotUTF8) Error() string { return "it is not UTF-8" }

// Decode returns a text without the byte-order mark that some editors write. The error is ErrUTF16 or NotUTF8.
func Decode(text []byte) ([]byte, error) {
	if bytes.HasPrefix(text, []byte{0xff, 0xfe}) || bytes.HasPrefix(text, []byte{0xfe, 0xff}) {
		return nil, ErrUTF16
	}
	plain := bytes.TrimPrefix(text, []byte("\ufeff"))
	for left := plain; len(left) > 0; {
		r, size := utf8.DecodeRune(left)
		if r == utf8.RuneError && size <= 1 {
			return nil, NotUTF8(len(text) - len(left))
		}
		left = left[size:]
	}
	return plain, nil
}
