package main

import (
	"context"
	"log/slog"
	"time"

	"stillwater/internal/board"
	"stillwater/internal/clocksync"
	"stillwater/internal/config"
	"stillwater/internal/serialport"
)

// serialFacts are what a board on a serial port says of itself, and what its clock was found to be.
type serialFacts struct {
	Port       string
	Identity   board.Identity
	LowLatency bool
	Clock      clocksync.Estimate
	Learned    bool // Clock holds
}

// askSerial reaches the board, asks what it is, and listens to its clock for a time. Opening the port resets many
// boards: their outputs go off. Nothing is armed or switched.
func askSerial(ctx context.Context, conf config.Config, listen time.Duration) (facts serialFacts, err error) {
	quiet := slog.New(slog.DiscardHandler)
	link, at, err := (&serialBoard{conf: conf, log: quiet}).open(ctx)
	if err != nil {
		return facts, err
	}
	facts.Port = at
	if port, direct := link.(*serialport.Port); direct {
		facts.LowLatency = port.LowLatency
	}
	client, err := board.Dial(ctx, link, board.Options{Log: quiet, Boot: serialBoot})
	if err != nil {
		return facts, noBoardOn(at, err)
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
			facts.Clock, facts.Learned = client.Clock()
			return facts, nil
		case <-ctx.Done():
			return facts, ctx.Err()
		}
	}
}
