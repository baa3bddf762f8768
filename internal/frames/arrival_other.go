//go:build !linux

package frames

import "time"

// Came is when a file came into the folder, as far as its date says.
func (f *Folder) Came(file File) (time.Time, error) {
	info, err := f.root.Lstat(file.Name)
	if err != nil {
		return time.Time{}, err
	}
	return info.ModTime(), nil
}
