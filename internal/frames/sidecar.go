package frames

import (
	"bytes"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path"

	"stillwater/internal/xmp"
)

// Sidecar has a frame's sidecar file, of the frame's name with the end .xmp, made or changed: change is handed what is
// there, nil for none, and returns what is to be there. Nothing is written where that is the same, or with dry. The new
// one takes the place of the old when all of it is on the disk; a file that is written to meanwhile stays as it is, and
// the error wraps ErrChanging. Errors name the file.
func (f *Folder) Sidecar(frame Frame, dry bool, change func(old []byte) ([]byte, error)) (name string, changed bool,
	err error) {
	name = frame.Name + ".xmp"
	info, err := f.root.Lstat(name)
	if errors.Is(err, fs.ErrNotExist) { // some programs write it large
		if large, e := f.root.Lstat(frame.Name + ".XMP"); e == nil {
			name, info, err = frame.Name+".XMP", large, nil
		}
	}
	var old []byte
	switch {
	case errors.Is(err, fs.ErrNotExist):
		info, err = nil, nil
	case err == nil && !info.Mode().IsRegular():
		err = errors.New("it is not a regular file")
	case err == nil:
		old, err = f.readSidecar(name)
	}
	if err != nil {
		return name, false, nameError(name, err)
	}
	made, err := change(old)
	if err != nil {
		return name, false, nameError(name, err)
	}
	if bytes.Equal(old, made) {
		return name, false, nil
	}
	if !dry {
		err = f.replace(name, info, made)
	}
	if err != nil {
		return name, false, nameError(name, err)
	}
	return name, true, nil
}

func (f *Folder) readSidecar(name string) ([]byte, error) {
	opened, err := f.root.Open(name)
	if err != nil {
		return nil, err
	}
	defer opened.Close()
	return io.ReadAll(io.LimitReader(opened, xmp.MaxBytes+1)) // one more is refused by who reads it
}

// replace puts a file in the place of the one that was there, nil for none.
func (f *Folder) replace(name string, before fs.FileInfo, content []byte) error {
	mode := fs.FileMode(0o666)
	if before != nil {
		mode = before.Mode().Perm()
	}
	temporary := path.Join(path.Dir(name), "."+rand.Text()+".tmp")
	file, err := f.root.OpenFile(temporary, os.O_WRONLY|os.O_CREATE|os.O_EXCL, mode)
	if err != nil {
		return err
	}
	_, err = file.Write(content)
	err = errors.Join(err, file.Sync(), file.Close())
	if err == nil && !f.isStill(name, before) {
		err = ErrChanging
	}
	if err == nil {
		err = f.root.Rename(temporary, name)
	}
	if err != nil {
		return errors.Join(err, f.root.Remove(temporary))
	}
	return f.syncFolder(path.Dir(name))
}

// isStill reports whether a file is as it was.
func (f *Folder) isStill(name string, before fs.FileInfo) bool {
	now, err := f.root.Lstat(name)
	if before == nil {
		return errors.Is(err, fs.ErrNotExist)
	}
	return err == nil && os.SameFile(now, before) && now.Size() == before.Size() && now.ModTime().Equal(before.ModTime())
}

// syncFolder has the new name on the disk, where the system can do that.
func (f *Folder) syncFolder(name string) error {
	folder, err := f.root.Open(name)
	if err != nil {
		return err
	}
	_ = folder.Sync() // not every file system has it for folders
	return folder.Close()
}

// nameError is an error of a file with its name, without the system's own words for it.
func nameError(name string, err error) error {
	if e := new(fs.PathError); errors.As(err, &e) {
		err = e.Err
	}
	return fmt.Errorf("%s: %w", name, err)
}
