package unarmed

import (
	"context"
	"errors"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
)

var errBroken = errors.New("broken")

func TestDo(t *testing.T) {
	for name, c := range map[string]struct {
		armedAfter time.Duration // 0: from the beginning; below: never
		work       func(context.Context) error
		want       error
		takes      time.Duration
	}{
		"nothing is armed":   {-1, func(context.Context) error { time.Sleep(time.Second); return nil }, nil, time.Second},
		"the work fails":     {-1, func(context.Context) error { return errBroken }, errBroken, 0},
		"something is armed": {0, func(context.Context) error { return errBroken }, ErrArmed, 0},
		"armed meanwhile":    {time.Second, untilEnded, ErrArmed, time.Second + Check},
		"armed as it is done": {time.Second, func(ctx context.Context) error { <-ctx.Done(); return nil }, nil,
			time.Second + Check},
		"nobody waits for it": {-1, untilEnded, context.DeadlineExceeded, time.Minute},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
				defer cancel()
				var armed atomic.Bool
				armed.Store(c.armedAfter == 0)
				if c.armedAfter > 0 {
					time.AfterFunc(c.armedAfter, func() { armed.Store(true) })
				}
				start := time.Now()
				assert.Equal(t, c.want, Do(ctx, armed.Load, c.work))
				assert.LessOrEqual(t, time.Since(start), c.takes)
			})
		})
	}
}

// untilEnded is work that goes on until it is ended.
func untilEnded(ctx context.Context) error {
	<-ctx.Done()
	return ctx.Err()
}
