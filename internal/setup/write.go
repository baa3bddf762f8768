package setup

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"stillwater/internal/textfile"
)

// maxBackups is how many older files are kept beside a configuration.
const maxBackups = 50

// ErrChanged means that a file changed since it was read: somebody else wrote it meanwhile.
var ErrChanged = errors.New("the file was changed meanwhile: nothing was written; run setup again")

// Read returns a configuration's text; nil, and no error, where there is none. A link is followed.
func Read(path string) ([]byte, error) {
	text, err := textfile.Read(path, 64<<10)
	if errors.Is(err, fs.ErrNotExist) {
		if _, link := os.Lstat(path); link == nil {
			return nil, fmt.Errorf("%s is a broken link: remove it, or create its target", path)
		}
		return nil, nil
	}
	return text, err
}

// Write replaces a text, nil for no file, and keeps the old one beside the file, under a name that is not taken.
// Readers of the file get the one or the other, whole, also after a power cut. Owner and permissions stay. The error is
// ErrChanged if the file no longer is what it was.
func Write(path string, before, after []byte) (backup string, err error) {
	if real, err := filepath.EvalSymlinks(path); err == nil {
		path = real
	}
	now, err := Read(path)
	switch {
	case err != nil:
		return "", err
	case !bytes.Equal(now, before):
		return "", ErrChanged
	case bytes.Equal(before, after) && before != nil:
		return "", nil
	}
	mode := fs.FileMode(0o644)
	var old fs.FileInfo
	if before != nil {
		if old, err = os.Stat(path); err != nil {
			return "", err
		}
		mode = old.Mode().Perm()
		if backup, err = keep(path, before, old); err != nil {
			return "", err
		}
	}
	return backup, textfile.ReplaceBy(path, mode, func(f *os.File) error { return fill(f, after, mode, old) })
}

// keep writes the older text beside the file.
func keep(path string, text []byte, old fs.FileInfo) (string, error) {
	for i := range maxBackups {
		backup := path + ".bak"
		if i > 0 {
			backup = fmt.Sprintf("%s.bak%d", path, i+1)
		}
		err := create(backup, text, old.Mode().Perm(), old)
		if !errors.Is(err, fs.ErrExist) {
			return backup, err
		}
		if same, _ := os.ReadFile(backup); bytes.Equal(same, text) {
			return backup, nil
		}
	}
	return "", fmt.Errorf("%s.bak to %s.bak%d are there already: nothing was written; remove those that you do not need",
		path, path, maxBackups)
}

// create makes a file that is not there yet, on the disk when it returns. A name that is taken, also by a link, is an
// error.
func create(path string, text []byte, mode fs.FileMode, old fs.FileInfo) error {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, mode)
	if err != nil {
		return err
	}
	if err := errors.Join(fill(f, text, mode, old), f.Sync(), f.Close()); err != nil {
		return errors.Join(err, os.Remove(path))
	}
	return nil
}

// fill writes a text into a new file that gets a mode, and the owner of the old one, if there is one.
func fill(f *os.File, text []byte, mode fs.FileMode, old fs.FileInfo) error {
	_, err := f.Write(text)
	err = errors.Join(err, f.Chmod(mode))
	if old != nil {
		err = errors.Join(err, textfile.SameOwner(f, old))
	}
	return err
}
