package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"time"

	"stillwater/firmware/image"
	"stillwater/internal/board"
	"stillwater/internal/config"
	"stillwater/internal/control"
	"stillwater/internal/serialport"
	"stillwater/internal/spawn"
)

// serialBoot is for a board to say what it is after its port was opened, which resets many: some seconds of bootloader,
// and several questions.
const serialBoot = 8 * time.Second

// saysFlash is what to do about a board without the right firmware.
const saysFlash = "stop Stillwater and run stillwater flash, which puts its firmware on the board"

// onSerial fills in the options of a control whose board is on a serial port.
func (m *Main) onSerial(opts *control.Options, conf config.Config, log *slog.Logger) {
	s := &serialBoard{conf: conf, log: log}
	opts.Name = "timing board"
	opts.Wire = control.Announced(conf.Board)
	opts.Dial = func(ctx context.Context) (control.Device, error) {
		client, err := s.dial(ctx)
		if err != nil {
			return nil, err
		}
		return client, nil
	}
}

// serialBoard reaches one board again and again.
type serialBoard struct {
	conf config.Config
	log  *slog.Logger
	port string // on which it answered last
}

// dial opens the port and meets the board on it. The error says what to do.
func (s *serialBoard) dial(ctx context.Context) (*board.Client, error) {
	link, port, err := s.open(ctx)
	if err != nil {
		return nil, err
	}
	client, err := board.Dial(ctx, link, board.Options{Log: s.log, Boot: serialBoot})
	if err != nil {
		return nil, noBoardOn(port, err)
	}
	s.port = port
	if name := client.Identity().Firmware; otherFirmware(name) != "" {
		s.log.Warn("the board's firmware is not the one of this program", "board", name, "program", otherFirmware(name),
			"remedy", saysFlash)
	}
	return client, nil
}

// open is the link to the board: its port, or the socket of the service that has it.
func (s *serialBoard) open(ctx context.Context) (link io.ReadWriteCloser, port string, err error) {
	if socket := s.conf.Board.Socket; socket != "" {
		if link, err = spawn.Dial(ctx, socket, s.conf.Sum); err != nil {
			return nil, "", err
		}
		return &relayed{ReadWriteCloser: link}, socket, nil
	}
	if port, err = portOf(s.conf.Board, s.port); err != nil {
		return nil, "", err
	}
	p, err := serialport.Open(port, s.conf.Board.Baud)
	if err != nil {
		return nil, "", err
	}
	return p, port, nil
}

// portOf is the configured port, or the one on which the board was before, or the only one. A board that was unplugged
// must not be looked for on whatever else is plugged in meanwhile.
func portOf(b config.Board, before string) (string, error) {
	if b.Port != "" {
		return b.Port, nil
	}
	if before != "" {
		if _, err := os.Lstat(before); err == nil {
			return before, nil
		}
	}
	return serialport.Find()
}

// noBoardOn says what to do when no board of ours answers on an open port.
func noBoardOn(port string, err error) error {
	stranger, version := new(board.NotABoardError), new(board.VersionError)
	switch {
	case errors.As(err, &stranger) && stranger.Frames == 0, errors.As(err, &version) && version.Older():
		return fmt.Errorf("%s: %w; %s", port, err, saysFlash)
	}
	return fmt.Errorf("%s: %w", port, err)
}

// otherFirmware is the name of this program's own firmware when the board runs another version of it; "" when it is the
// same, or nothing can be said.
func otherFirmware(name string) string {
	hex, ok := image.Hex()
	if !ok {
		return ""
	}
	own, err := readImage(hex)
	if err != nil || own.Name == name {
		return ""
	}
	return own.Name
}
