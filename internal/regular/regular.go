// Package regular opens regular files only, and waits for none: opening a pipe lasts until something has its other end
// open, and opening a device may do anything. In folders that others write to, either may have a file's name.
package regular

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
)

// ErrNotRegular means that something was not opened because it is not a regular file.
var ErrNotRegular = errors.New("not a regular file")

// Problem returns nil for a regular file, and otherwise says what it is; the error wraps ErrNotRegular.
func Problem(mode fs.FileMode) error {
	kind := "something else"
	switch {
	case mode.IsRegular():
		return nil
	case mode.IsDir():
		kind = "a folder"
	case mode&fs.ModeSymlink != 0:
		kind = "a link"
	case mode&fs.ModeNamedPipe != 0:
		kind = "a pipe"
	case mode&fs.ModeSocket != 0:
		kind = "a socket"
	case mode&fs.ModeDevice != 0:
		kind = "a device"
	}
	return fmt.Errorf("it is %s, %w", kind, ErrNotRegular)
}

// Open opens a file for reading. A symbolic link is refused.
func Open(path string) (*os.File, error) { return OpenFile(path, os.O_RDONLY, 0) }

// OpenFile is os.OpenFile for a regular file. A symbolic link is refused.
func OpenFile(path string, flag int, perm fs.FileMode) (*os.File, error) {
	return open(system{}, path, flag|noFollow, perm)
}

// OpenIn is OpenFile for a file in a folder.
func OpenIn(folder *os.Root, name string, flag int, perm fs.FileMode) (*os.File, error) {
	return open(folder, name, flag, perm)
}

// OpenRoot is os.OpenRoot for a folder.
func OpenRoot(path string) (*os.Root, error) {
	info, err := os.Stat(path)
	if err != nil {
		return nil, err
	}
	if !info.IsDir() {
		return nil, &fs.PathError{Op: "open", Path: path, Err: errors.New("it is not a folder")}
	}
	return openRoot(path)
}

// openRoot opens what is a folder still: of all else there is no such name, and nothing is waited for.
func openRoot(path string) (*os.Root, error) {
	return os.OpenRoot(path + string(filepath.Separator) + ".")
}

// Files are the files of a folder, for listing: whatever takes the place of a folder in it meanwhile is not waited for.
func Files(folder *os.Root) fs.FS { return files{folder.FS(), folder} }

type files struct {
	fs.FS
	root *os.Root
}

// ReadDir implements fs.ReadDirFS.
func (f files) ReadDir(name string) ([]fs.DirEntry, error) {
	folder, err := f.root.OpenFile(name, os.O_RDONLY|noWait, 0)
	if err != nil {
		return nil, err
	}
	defer folder.Close()
	list, err := folder.ReadDir(-1)
	slices.SortFunc(list, func(a, b fs.DirEntry) int { return strings.Compare(a.Name(), b.Name()) })
	return list, err
}

// folder has files.
type folder interface {
	Lstat(name string) (fs.FileInfo, error)
	OpenFile(name string, flag int, perm fs.FileMode) (*os.File, error)
}

// open opens a file without waiting, and then looks at what was opened, as something else may have its name by then.
// What is something else already is not opened: that alone can have effects on a device.
func open(in folder, name string, flag int, perm fs.FileMode) (*os.File, error) {
	info, err := in.Lstat(name)
	switch {
	case err == nil && !info.Mode().IsRegular():
		return nil, &fs.PathError{Op: "open", Path: name, Err: Problem(info.Mode())}
	case err != nil && !(flag&os.O_CREATE != 0 && errors.Is(err, fs.ErrNotExist)):
		return nil, err
	}
	file, err := in.OpenFile(name, flag|noWait, perm)
	if err != nil {
		return nil, err
	}
	if info, err = file.Stat(); err == nil {
		err = Problem(info.Mode())
	}
	if err != nil {
		return nil, errors.Join(&fs.PathError{Op: "open", Path: name, Err: err}, file.Close())
	}
	return file, nil
}

// system has the files of all folders.
type system struct{}

// Lstat implements folder.
func (system) Lstat(name string) (fs.FileInfo, error) { return os.Lstat(name) }

// OpenFile implements folder.
func (system) OpenFile(name string, flag int, perm fs.FileMode) (*os.File, error) {
	return os.OpenFile(name, flag, perm)
}
