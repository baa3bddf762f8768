package journal

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
)

// header is the beginning of an SQLite database, and of its first page, which lists the tables:
// https://www.sqlite.org/fileformat2.html, sections 1.3 and 1.6.
type header [108]byte

const headerMagic = "SQLite format 3\x00"

func (h *header) number(at int) int { return int(int32(binary.BigEndian.Uint32(h[at:]))) }

func (h *header) userVersion() int   { return h.number(60) }
func (h *header) applicationID() int { return h.number(68) }

// empty says that there is no table.
func (h *header) empty() bool {
	const leaf = 13
	return h[100] == leaf && binary.BigEndian.Uint16(h[103:]) == 0
}

// Examine says what Open would say of the file at path, as far as that can be seen without SQLite, which leaves files
// beside a database that it only reads. The error wraps ErrForeign or ErrNewer. No file is no error.
func Examine(path string) error {
	info, err := os.Stat(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil
	case err != nil:
		return err
	case !info.Mode().IsRegular():
		return fmt.Errorf("%w: not a regular file", ErrForeign)
	case info.Size() <= 1: // SQLite takes one byte for none
		return nil
	}
	var h header
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	_, err = io.ReadFull(f, h[:])
	if err := f.Close(); err != nil {
		return err
	}
	switch {
	case errors.Is(err, io.ErrUnexpectedEOF) || string(h[:len(headerMagic)]) != headerMagic:
		return fmt.Errorf("%w: it is not a database", ErrForeign)
	case err != nil:
		return err
	}
	return h.check(path)
}

// check looks at what a database says of itself. What was added last may still be in the file beside it.
func (h *header) check(path string) error {
	steps, err := listMigrations(migrations)
	if err != nil {
		return err
	}
	beside, err := os.Stat(path + "-wal")
	added := err == nil && beside.Size() > 0
	unmarked := h.applicationID() == 0 && h.userVersion() == 0 && (h.empty() || added)
	switch {
	case !unmarked && h.applicationID() != applicationID:
		return fmt.Errorf("%w: it is another program's database", ErrForeign)
	case h.userVersion() > len(steps):
		return fmt.Errorf("%w: it has version %d, this program knows %d", ErrNewer, h.userVersion(), len(steps))
	}
	return nil
}
