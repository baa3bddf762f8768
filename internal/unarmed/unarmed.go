// Package unarmed runs work while nothing is armed, and cancels it as soon as something is.
package unarmed

import (
	"context"
	"errors"
	"time"
)

// ErrArmed means that something was armed, so that the work was not begun or was cut short.
var ErrArmed = errors.New("something is armed")

// Check is how soon after an arming the work's context ends at the latest, and the wait before cancelled work may begin
// again.
const Check = 20 * time.Millisecond

// Do runs work unless something is armed. If something is armed meanwhile, the context of the work ends, with ErrArmed
// as its cause. Do returns when the work has: nil if it succeeded, the cause if its context ended and that is why it
// failed, or else its error.
func Do(ctx context.Context, armed func() bool, work func(context.Context) error) error {
	if armed() {
		return ErrArmed
	}
	ctx, stop := context.WithCancelCause(ctx)
	watched := make(chan struct{})
	go func() {
		defer close(watched)
		check := time.NewTicker(Check)
		defer check.Stop()
		for {
			select {
			case <-ctx.Done():
				return
			case <-check.C:
				if armed() {
					stop(ErrArmed)
				}
			}
		}
	}()
	err := work(ctx)
	if cause := context.Cause(ctx); cause != nil && err != nil {
		err = cause
	}
	stop(nil)
	<-watched
	return err
}
