package frames

import (
	"syscall"
	"time"
)

// Came is when a file came into the folder by this machine's clock, whatever date it was given: when its entry changed
// last.
func (f *Folder) Came(file File) (time.Time, error) {
	info, err := f.root.Lstat(file.Name)
	if err != nil {
		return time.Time{}, err
	}
	if of, ok := info.Sys().(*syscall.Stat_t); ok {
		return time.Unix(of.Ctim.Unix()), nil
	}
	return info.ModTime(), nil
}
