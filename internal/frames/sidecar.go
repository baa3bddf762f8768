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
	"strings"

	"stillwater/internal/regular"
	"stillwater/internal/textfile"
	"stillwater/internal/xmp"
)

// Sidecar makes or changes a frame's sidecar file, named as the frame with the ending .xmp: change gets the present
// content, nil for none, and returns the new one. Nothing is written if they are equal, or with dry. The new file takes
// the place of the old when all of it is on the disk; a file that is written to meanwhile stays as it is, and the error
// wraps ErrChanging. The new one has the old one's rights, owner and extended attributes; where that is impossible, and
// where the old one is write-protected, it stays as it is. Errors name the file.
func (f *Folder) Sidecar(frame Frame, dry bool, change func(old []byte) ([]byte, error)) (name string, changed bool,
	err error) {
	name, err = f.sidecarName(frame)
	var info fs.FileInfo
	if err == nil {
		info, err = f.root.Lstat(name)
	}
	var old []byte
	switch {
	case errors.Is(err, fs.ErrNotExist):
		info, err = nil, nil
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

// sidecarName returns the name of the sidecar in the folder, whose ending may be in either case, or the usual name if
// there is none.
func (f *Folder) sidecarName(frame Frame) (name string, _ error) {
	name = frame.Name + ".xmp"
	if _, err := f.root.Lstat(name); !errors.Is(err, fs.ErrNotExist) {
		return name, err
	}
	entries, err := fs.ReadDir(regular.Files(f.root), path.Dir(name))
	if err != nil {
		return name, err
	}
	var found []string
	for _, entry := range entries {
		if strings.HasPrefix(entry.Name(), path.Base(frame.Name)+".") && strings.EqualFold(entry.Name(), path.Base(name)) {
			found = append(found, path.Join(path.Dir(name), entry.Name()))
		}
	}
	switch len(found) {
	case 0:
		return name, nil
	case 1:
		return found[0], nil
	}
	return name, fmt.Errorf("there are several, %s and %s: keep one of them", path.Base(found[0]), path.Base(found[1]))
}

func (f *Folder) readSidecar(name string) ([]byte, error) {
	opened, err := regular.OpenIn(f.root, name, os.O_RDONLY, 0)
	if err != nil {
		return nil, err
	}
	defer opened.Close()
	return io.ReadAll(io.LimitReader(opened, xmp.MaxBytes+1)) // one more is refused by who reads it
}

// replace puts a file in the place of the one that was there, nil for none.
func (f *Folder) replace(name string, before fs.FileInfo, content []byte) error {
	if before != nil && before.Mode().Perm()&0o222 == 0 {
		return errors.New("it is write-protected: allow writing (chmod u+w) if it may be changed")
	}
	temporary := path.Join(path.Dir(name), "."+rand.Text()+".tmp")
	file, err := f.root.OpenFile(temporary, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o666)
	if err != nil {
		return err
	}
	_, err = file.Write(content)
	if err == nil && before != nil {
		err = f.likeBefore(file, name, before)
	}
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

// likeBefore gives a file the owner, the extended attributes and the rights of the one whose place it takes.
func (f *Folder) likeBefore(file *os.File, name string, before fs.FileInfo) error {
	old, err := regular.OpenIn(f.root, name, os.O_RDWR, 0)
	if err != nil {
		return err
	}
	defer old.Close()
	if err := textfile.SameOwner(file, before); err != nil {
		return fmt.Errorf("it belongs to another user, and would become this one's: run this as that user (%w)", err)
	}
	if err := copyAttributes(file, old); err != nil {
		return fmt.Errorf("its extended attributes would be lost: %w", err)
	}
	return file.Chmod(before.Mode().Perm())
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
