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

// ErrChanged means that a file is not what it was when it was read: somebody else wrote it meanwhile.
var ErrChanged = errors.New("the file was changed meanwhile: nothing was written; run setup again")

// Read returns a configuration's text; nil, and no error, where there is none. A link is followed.
func Read(path string) ([]byte, error) {
	text, err := textfile.Read(path, 64<<10)
	if errors.Is(err, fs.ErrNotExist) {
		if _, link := os.Lstat(path); link == nil {
			return nil, fmt.Errorf("%s is a link to nothing: remove it, or make what it leads to", path)
		}
		return nil, nil
	}
	return text, err
}

// Write puts a text in the place of what was there before, nil for no file, and keeps that beside it, under a name that
// is not taken. Whoever reads the file reads the one or the other, whole, also after a power cut. Owner and permissions
// stay. The error is ErrChanged if the file is not what it was.
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
	temporary := filepath.Join(filepath.Dir(path), "."+filepath.Base(path)+".new")
	if err := create(temporary, after, mode, old); err != nil {
		return backup, err
	}
	if err := os.Rename(temporary, path); err != nil {
		return backup, errors.Join(err, os.Remove(temporary))
	}
	return backup, syncFolder(filepath.Dir(path))
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
// error; the temporary one of a run that was cut off is replaced.
func create(path string, text []byte, mode fs.FileMode, old fs.FileInfo) (err error) {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, mode)
	if errors.Is(err, fs.ErrExist) && filepath.Ext(path) == ".new" {
		if err := os.Remove(path); err != nil {
			return err
		}
		f, err = os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, mode)
	}
	if err != nil {
		return err
	}
	_, err = f.Write(text)
	err = errors.Join(err, f.Chmod(mode), sameOwner(f, old), f.Sync(), f.Close())
	if err != nil {
		return errors.Join(err, os.Remove(path))
	}
	return nil
}

func syncFolder(dir string) error {
	f, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}
