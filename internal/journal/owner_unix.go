//go:build unix

package journal

import (
	"fmt"
	"os"
	"os/user"
	"syscall"
)

// foreignOwner names the owner of a file, and this user, if they differ.
func foreignOwner(path string) (owner, self string) {
	info, err := os.Stat(path)
	if err != nil {
		return "", ""
	}
	of, ok := info.Sys().(*syscall.Stat_t)
	if !ok || int(of.Uid) == os.Geteuid() || os.Geteuid() == 0 {
		return "", ""
	}
	return userName(int(of.Uid)), userName(os.Geteuid())
}

func userName(id int) string {
	if u, err := user.LookupId(fmt.Sprint(id)); err == nil {
		return u.Username
	}
	return fmt.Sprint("user ", id)
}

// chownLikeFolder gives a file that root made to the owner of its folder.
func chownLikeFolder(f *os.File, folder string) error {
	info, err := os.Stat(folder)
	if err != nil || os.Geteuid() != 0 {
		return err
	}
	of, ok := info.Sys().(*syscall.Stat_t)
	if !ok || of.Uid == 0 {
		return nil
	}
	return f.Chown(int(of.Uid), int(of.Gid))
}

// refuseHardLinks refuses a file that has several names (hard links): what is in the -wal file goes with one of them,
// and is lost or does damage by the other.
func refuseHardLinks(path string, f *os.File) error {
	info, err := f.Stat()
	if err != nil {
		return fmt.Errorf("journal %s: %w", path, err)
	}
	if of, ok := info.Sys().(*syscall.Stat_t); ok && of.Nlink > 1 {
		return fmt.Errorf("journal %s: the file has %d names (hard links), and SQLite keeps a part of it under one of them "+
			"only; remove the other names, or put a copy in its place", path, of.Nlink)
	}
	return nil
}
