package textfile

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
)

// Replace replaces a file by a text, atomically: after a loss of power the file has the old text or the new one. The
// text is on the disk when Replace returns.
func Replace(path string, text []byte, mode fs.FileMode) error {
	return ReplaceBy(path, mode, func(file *os.File) error {
		_, err := file.Write(text)
		return err
	})
}

// ReplaceBy is Replace with the content that write writes. If write fails, the file is as it was. The new file has the
// mode from the beginning; write sets everything else.
func ReplaceBy(path string, mode fs.FileMode, write func(*os.File) error) error {
	next := filepath.Join(filepath.Dir(path), "."+filepath.Base(path)+".new")
	if err := os.Remove(next); err != nil && !errors.Is(err, fs.ErrNotExist) { // of a run that was cut off
		return err
	}
	file, err := os.OpenFile(next, os.O_WRONLY|os.O_CREATE|os.O_EXCL, mode)
	if err != nil {
		return err
	}
	if err := write(file); err != nil {
		return errors.Join(err, file.Close(), os.Remove(next))
	}
	if err := Place(file, path); err != nil {
		return errors.Join(err, os.Remove(next))
	}
	return nil
}

// Place closes a file that was written under another name in the folder, and renames it, atomically: after a loss of
// power the name leads to the old file or to this one, whole. Both are on the disk when Place returns.
func Place(file *os.File, path string) error {
	if err := errors.Join(file.Sync(), file.Close()); err != nil {
		return err
	}
	if err := os.Rename(file.Name(), path); err != nil {
		return err
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
