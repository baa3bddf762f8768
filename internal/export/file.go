package export

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"

	"stillwater/internal/textfile"
)

// ToFile writes an export of the journal at journalPath to a file, replacing an existing one only when all of it is on
// the disk. It gets the rights of the one that it replaces, or else those that the person's new files get.
func ToFile(path, journalPath string, write func(io.Writer) error) error {
	before, err := replaceable(path, journalPath)
	if err != nil {
		return err
	}
	mode := fs.FileMode(0o666)
	if before != nil {
		mode = before.Mode().Perm()
	}
	err = textfile.ReplaceBy(path, mode, func(f *os.File) error {
		if before != nil { // whatever new files do not get
			if err := f.Chmod(mode); err != nil {
				return err
			}
		}
		out := bufio.NewWriter(f)
		return errors.Join(write(out), out.Flush())
	})
	switch {
	case errors.Is(err, context.Canceled):
		return fmt.Errorf("stopped before %s was written; a file that was there is as it was: %w", path, err)
	case err != nil:
		return fmt.Errorf("%s: %w; a file that was there is as it was: name a file in a folder you may write to", path, err)
	}
	return nil
}

// replaceable is the file that an export replaces, nil if there is none. It keeps an export from taking the place of
// what it exports, and of what is no file.
func replaceable(path, journalPath string) (fs.FileInfo, error) {
	info, err := os.Stat(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	own, err := os.Stat(journalPath)
	if err == nil && os.SameFile(info, own) {
		return nil, fmt.Errorf("%s is the journal itself; name another file", path)
	}
	if !info.Mode().IsRegular() {
		return nil, fmt.Errorf("%s is not a regular file; name another", path)
	}
	return info, nil
}
