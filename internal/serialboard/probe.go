package serialboard

import (
	"context"
	"time"

	"stillwater/internal/board"
	"stillwater/internal/clocksync"
	"stillwater/internal/config"
	"stillwater/internal/serialport"
)

// ProbeResult are what a board on a serial port says of itself, and what its clock was found to be.
type ProbeResult struct {
	Port       string
	Identity   board.Identity
	LowLatency bool
	Clock      clocksync.Estimate
	Learned    bool // Clock holds
}

// Probe dials the board, asks it what it is, and listens to its clock for a time. Opening the port resets many boards:
// their outputs go off. Nothing is armed or switched.
func Probe(ctx context.Context, conf config.Config, listen time.Duration) (result ProbeResult, err error) {
	d := Dialer{Config: conf}
	link, port, err := d.open(ctx)
	if err != nil {
		return result, err
	}
	result.Port = port
	if p, direct := link.(*serialport.Port); direct {
		result.LowLatency = p.LowLatency
	}
	client, err := d.identify(ctx, link, port)
	if err != nil {
		return result, err
	}
	defer client.Close()
	result.Identity = client.Identity()
	over := time.After(listen)
	for {
		select {
		case event := <-client.Events():
			if event.Gone != nil {
				return result, event.Gone
			}
		case <-over:
			result.Clock, result.Learned = client.ClockEstimate()
			return result, nil
		case <-ctx.Done():
			return result, ctx.Err()
		}
	}
}
