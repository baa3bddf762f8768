package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"

	"stillwater/internal/config"
	"stillwater/internal/control"
	"stillwater/internal/serialboard"
)

// onSerial fills in the options of a control whose board is on a serial port.
func (m *Main) onSerial(opts *control.Options, conf config.Config, log *slog.Logger) {
	dialer := &serialboard.Dialer{Config: conf, Log: log}
	opts.Name = "timing board"
	opts.Wire = control.AnnouncedWiring(conf.Board.Pins)
	opts.Dial = func(ctx context.Context) (control.Device, error) {
		client, err := dialer.Dial(ctx)
		if err != nil {
			return nil, err
		}
		return client, nil
	}
}

// relayBoard is the board's service for a board on a serial port.
func (m *Main) relayBoard(ctx context.Context, f *boardFlags, cfg config.Config) error {
	err := serialboard.Relay(ctx, cfg, f.listen, m.Getenv)
	if errors.Is(err, serialboard.ErrNoSocket) {
		return fmt.Errorf("%w: board: %w", errUsage, err)
	}
	if err != nil {
		return fmt.Errorf("board: %w", err)
	}
	return nil
}
