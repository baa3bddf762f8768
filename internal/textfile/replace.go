package textfile

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"

	"stillwater/internal/regular"
)

// Replace replaces a file by a text, atomically: after a loss of power the file has the old text or the new one. The
// text is on the disk when Replace returns.
func Replace(path string, text []byte, mode fs.FileMode) error {
	next := path + ".new"
	file, err := regular.OpenFile(next, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, mode)
	if err != nil {
		return err
	}
	_, err = file.Write(text)
	if err := errors.Join(err, file.Sync(), file.Close()); err != nil {
		return errors.Join(err, os.Remove(next))
	}
	if err := os.Rename(next, path); err != nil {
		return errors.Join(err, os.Remove(next))
	}
	return syncFolder(filepath.Dir(path))
}

// syncFolder has a new name in a folder on the disk.
func syncFolder(path string) error {
	dir, err := os.Open(path)
	if err != nil {
		return err
	}
	err = dir.Sync()
	if errors.Is(err, errors.ErrUnsupported) { // not every file system can
		err = nil
	}
	return errors.Join(err, dir.Close())
}
