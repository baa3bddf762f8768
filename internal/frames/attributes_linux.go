package frames

import (
	"errors"
	"fmt"
	"os"
	"strings"

	"golang.org/x/sys/unix"
)

// maxAttribute bounds the extended attributes' names and each value: what Linux allows.
const maxAttribute = 64 << 10

// copyAttributes gives a file the extended attributes of another. What the system gives each file by itself (labels of
// its security) is left to it where it may not be set.
func copyAttributes(to, from *os.File) error {
	buffer := make([]byte, maxAttribute)
	n, err := unix.Flistxattr(int(from.Fd()), buffer)
	if errors.Is(err, unix.ENOTSUP) {
		return nil
	}
	if err != nil {
		return err
	}
	for name := range strings.SplitSeq(strings.TrimSuffix(string(buffer[:n]), "\x00"), "\x00") {
		if name == "" {
			continue
		}
		value := make([]byte, maxAttribute)
		n, err := unix.Fgetxattr(int(from.Fd()), name, value)
		if err == nil {
			err = unix.Fsetxattr(int(to.Fd()), name, value[:n], 0)
		}
		if err != nil && !strings.HasPrefix(name, "security.") {
			return fmt.Errorf("%s: %w", name, err)
		}
	}
	return nil
}
