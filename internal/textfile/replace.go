package textfile

import (
	"errors"
	"io/fs"
	"os"
)

// Replace has a text in a file, in place of what was there. It is on the disk before it counts: after a loss of power
// the file has the one or the other.
func Replace(path string, text []byte, mode fs.FileMode) error {
	next := path + ".new"
	file, err := os.OpenFile(next, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, mode)
	if err != nil {
		return err
	}
	_, err = file.Write(text)
	if err := errors.Join(err, file.Sync(), file.Close()); err != nil {
		return errors.Join(err, os.Remove(next))
	}
	return os.Rename(next, path)
}
