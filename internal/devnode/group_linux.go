// Package devnode finds out who may open a device.
package devnode

import (
	"os"
	"os/user"
	"strconv"
	"syscall"
)

// Group is the group whose members may read and write a device, "" if there is none or only root's.
func Group(path string) string {
	info, err := os.Stat(path)
	if err != nil {
		return ""
	}
	status, ok := info.Sys().(*syscall.Stat_t)
	if !ok || info.Mode().Perm()&0o060 != 0o060 || status.Gid == 0 {
		return ""
	}
	group, err := user.LookupGroupId(strconv.Itoa(int(status.Gid)))
	if err != nil {
		return ""
	}
	return group.Name
}
