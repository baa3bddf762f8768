package serialboard

import (
	"context"
	"time"

	"stillwater/internal/board"
	"stillwater/internal/clocksync"
	"stillwater/internal/config"
	"stillwater/internal/serialport"
)

// Facts are what a board on a serial port says of itself, and what its clock was found to be.
type Facts struct {
	Port       string
	Identity   board.Identity
	LowLatency bool
	Clock      clocksync.Estimate
	Learned    bool // Clock holds
}

// Ask dials the board, asks it what it is, and listens to its clock for a time. Opening the port resets many boards:
// their outputs go off. Nothing is armed or switched.
func Ask(ctx context.Context, conf config.Config, listen time.Duration) (facts Facts, err error) {
	d := Dialer{Config: conf}
	link, port, err := d.open(ctx)
	if err != nil {
		return facts, err
	}
	facts.Port = port
	if p, direct := link.(*serialport.Port); direct {
		facts.LowLatency = p.LowLatency
	}
	client, err := d.identify(ctx, link, port)
	if err != nil {
		return facts, err
	}
	defer client.Close()
	facts.Identity = client.Identity()
	over := time.After(listen)
	for {
		select {
		case event := <-client.Events():
			if event.Gone != nil {
				return facts, event.Gone
			}
		case <-over:
			facts.Clock, facts.Learned = client.ClockEstimate()
			return facts, nil
		case <-ctx.Done():
			return facts, ctx.Err()
		}
	}
}
