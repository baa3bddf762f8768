// Package logonce logs a problem that lasts once when it begins, and once when it is over.
package logonce

import (
	"context"
	"errors"
	"log/slog"
)

// Problem is something that may be tried over and over again, and fails.
type Problem struct {
	Begins, Ends string               // what is logged
	Say          func(problem string) // is called with it too, and with "" when it is over; nil: only the log says it
	last         string
}

// Set says how the last try went: err is what is wrong, nil nothing is. That nobody waits any more is no problem.
func (p *Problem) Set(log *slog.Logger, err error, args ...any) {
	words := ""
	if err != nil && !errors.Is(err, context.Canceled) {
		words = err.Error()
	}
	switch {
	case words == p.last:
	case words == "":
		log.Info(p.Ends, args...)
	default:
		log.Warn(p.Begins, append([]any{"err", words}, args...)...)
	}
	if p.Say != nil && words != p.last {
		p.Say(words)
	}
	p.last = words
}
