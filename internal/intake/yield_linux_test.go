package intake

import (
	"context"
	"sync"
	"sync/atomic"
	"testing"

	"github.com/stretchr/testify/assert"
	"golang.org/x/sys/unix"

	"stillwater/internal/record"
)

// byThread is a journal that counts what threads write that did not yield.
type byThread struct {
	Journal
	yielded      sync.Map // by the kernel's number of the thread
	kept, others atomic.Int64
}

func (j *byThread) KeepFrame(ctx context.Context, f record.Frame) error {
	j.kept.Add(1)
	if _, yielded := j.yielded.Load(unix.Gettid()); !yielded {
		j.others.Add(1)
	}
	return j.Journal.KeepFrame(ctx, f)
}

// Frames are read and looked at by a thread that yields to all others.
func TestLookingYields(t *testing.T) {
	x := newStudio(t)
	j := &byThread{Journal: x.journal}
	x.o.Journal, x.o.Yield = j, func() { j.yielded.Store(unix.Gettid(), true) }
	x.start()
	x.sendAll()
	x.untilFramed(7)
	assert.Positive(t, j.kept.Load())
	assert.Zero(t, j.others.Load())
}
