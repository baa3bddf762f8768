//go:build !linux

package check

import (
	"errors"
	"math"
	"os"
)

// usable says why this process may not write a file or device. A folder is believed.
func usable(path string) error {
	if info, err := os.Stat(path); err != nil || info.IsDir() {
		return err
	}
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	return errors.Join(err, f.Close())
}

// freeSpace is taken for plenty.
func freeSpace(string) (uint64, error) { return math.MaxUint64, nil }
