package intake

import (
	"context"
	"log/slog"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"stillwater/internal/proctest"
	"stillwater/internal/record"
)

// stuck is a record that does not answer, whatever its context says: as a disk of the network that is gone.
type stuck struct {
	Journal
	asked, answer chan struct{}
}

func (s *stuck) Frames(context.Context, int64) ([]record.Frame, error) {
	select {
	case s.asked <- struct{}{}:
	default:
	}
	<-s.answer
	return nil, record.ErrNotFound
}

// The end does not wait for a file that is never read, and says so.
func TestEndWaitsForNoDisk(t *testing.T) {
	x := newStudio(t)
	log := new(proctest.Log)
	disk := &stuck{Journal: x.journal, asked: make(chan struct{}, 1), answer: make(chan struct{})}
	defer close(disk.answer)
	x.Intake = New(Options{Dir: x.journal.Path() + "-frames", Journal: disk, Log: slog.New(slog.NewTextHandler(log, nil))})
	x.patience = time.Millisecond
	end := x.Start(t.Context(), x.screen)
	<-disk.asked
	end()
	assert.Contains(t, log.String(), "stopping without waiting any longer: a disk or the camera does not answer")
}
