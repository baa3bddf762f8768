package frames

import (
	"bytes"
	"context"
	"io"
)

// samePart is how much of two files is in memory while they are compared, bytes of each.
const samePart = 64 << 10

// Same reports whether two files have the same content. It reads no further than the first difference.
func (f *Folder) Same(ctx context.Context, a, b File) (same bool, _ error) {
	if a.Size != b.Size {
		return false, nil
	}
	err := f.open(ctx, a, func(one untilDone, size int64) error {
		return f.open(ctx, b, func(other untilDone, otherSize int64) (err error) {
			same, err = haveSameBytes(io.NewSectionReader(one, 0, size), io.NewSectionReader(other, 0, otherSize))
			return err
		})
	})
	return same && err == nil, err
}

func haveSameBytes(a, b io.Reader) (bool, error) {
	partA, partB := make([]byte, samePart), make([]byte, samePart)
	for {
		n, errA := io.ReadFull(a, partA)
		m, errB := io.ReadFull(b, partB)
		switch {
		case !bytes.Equal(partA[:n], partB[:m]):
			return false, nil
		case isEnd(errA) && isEnd(errB):
			return true, nil
		case errA != nil && !isEnd(errA):
			return false, errA
		case errB != nil && !isEnd(errB):
			return false, errB
		}
	}
}

func isEnd(err error) bool { return err == io.EOF || err == io.ErrUnexpectedEOF }
