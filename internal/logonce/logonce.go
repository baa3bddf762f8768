// Package logonce logs a lasting problem twice: when it begins, and when it is over.
package logonce

import (
	"context"
	"errors"
	"log/slog"
)

// Problem is a failure that may last over many tries.
type Problem struct {
	Begins, Ends string               // what is logged
	Say          func(problem string) // is called with it too, and with "" when it is over; nil: only the log says it
	last         string
}

// Set reports how the last try ended: nil means that nothing is wrong. A cancelled try changes nothing.
func (p *Problem) Set(log *slog.Logger, err error, args ...any) {
	if errors.Is(err, context.Canceled) {
		return
	}
	words := ""
	if err != nil {
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
