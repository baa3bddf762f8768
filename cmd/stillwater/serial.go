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

// askSerial opens the board's port, asks the board what it is, and listens to its clock for a time. Opening the port
// resets many boards: their outputs go off. Nothing is armed or switched.
func askSerial(ctx context.Context, b config.Board, listen time.Duration) (facts serialFacts, err error) {
	facts.Port, err = portOf(b, "")
	if err != nil {
		return facts, err
	}
	port, err := serialport.Open(facts.Port, b.Baud)
	if err != nil {
		return facts, err
	}
	facts.LowLatency = port.LowLatency
	client, err := board.Dial(ctx, port, board.Options{Log: slog.New(slog.DiscardHandler), Boot: serialBoot})
	if err != nil {
		return facts, noBoardOn(facts.Port, err)
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
