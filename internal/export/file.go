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
// the disk.
func ToFile(path, journalPath string, write func(io.Writer) error) error {
	if err := replaceable(path, journalPath); err != nil {
		return err
	}
	err := textfile.ReplaceBy(path, 0o600, func(f *os.File) error {
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

// replaceable keeps an export from taking the place of what it exports, and of what is no file.
func replaceable(path, journalPath string) error {
	info, err := os.Stat(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	own, err := os.Stat(journalPath)
	if err == nil && os.SameFile(info, own) {
		return fmt.Errorf("%s is the journal itself; name another file", path)
	}
	if !info.Mode().IsRegular() {
		return fmt.Errorf("%s is not a regular file; name another", path)
	}
	return nil
}
