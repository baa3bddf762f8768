// Package serialboard is a board on a serial port, from this machine's side: it finds and dials it, asks it what it is,
// and relays between its port and one host at a time for a service that has the port.
package serialboard

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
	"stillwater/internal/serialport"
	"stillwater/internal/spawn"
)

// bootTimeout is how long a board may take to identify itself after its port was opened, which resets many: some
// seconds of bootloader, and several requests.
const bootTimeout = 8 * time.Second

// FlashRemedy is what to do about a board without the right firmware.
const FlashRemedy = "stop Stillwater and run stillwater flash, which puts its firmware on the board"

// Dialer dials one board again and again.
type Dialer struct {
	Config config.Config
	Log    *slog.Logger // nil: discarded

	port string // on which it answered last
}

func (d *Dialer) log() *slog.Logger {
	if d.Log == nil {
		return slog.New(slog.DiscardHandler)
	}
	return d.Log
}

// Dial opens the port and identifies the board on it. The error says what to do.
func (d *Dialer) Dial(ctx context.Context) (*board.Client, error) {
	link, port, err := d.open(ctx)
	if err != nil {
		return nil, err
	}
	client, err := d.identify(ctx, link, port)
	if err != nil {
		return nil, err
	}
	d.port = port
	if name := client.Identity().Firmware; OwnFirmware(name) != "" {
		d.log().Warn("the board's firmware is not the one of this program", "board", name, "program", OwnFirmware(name),
			"remedy", FlashRemedy)
	}
	return client, nil
}

func (d *Dialer) identify(ctx context.Context, link io.ReadWriteCloser, port string) (*board.Client, error) {
	client, err := board.Dial(ctx, link, board.Options{Log: d.log(), Boot: bootTimeout})
	if err != nil {
		return nil, dialError(port, err)
	}
	return client, nil
}

// open opens the link to the board: its port, or the socket of the service that has it.
func (d *Dialer) open(ctx context.Context) (link io.ReadWriteCloser, port string, err error) {
	if socket := d.Config.Board.Socket; socket != "" {
		if link, err = spawn.Dial(ctx, socket, d.Config.Sum); err != nil {
			return nil, "", err
		}
		return &relayedLink{ReadWriteCloser: link}, socket, nil
	}
	if port, err = FindPort(d.Config.Board, d.port); err != nil {
		return nil, "", err
	}
	p, err := serialport.Open(port, d.Config.Board.Baud)
	if err != nil {
		return nil, "", err
	}
	return p, port, nil
}

// FindPort is the configured port, or the one that the board was on last, or the only one there is. While the last one
// is there no other is tried: an unplugged board must not be looked for on another device.
func FindPort(b config.Board, last string) (string, error) {
	if b.Port != "" {
		return b.Port, nil
	}
	if last != "" {
		if _, err := os.Lstat(last); err == nil {
			return last, nil
		}
	}
	return serialport.Find()
}

// dialError adds what to do when no board of ours answers on an open port.
func dialError(port string, err error) error {
	other, version := new(board.NotABoardError), new(board.VersionError)
	switch {
	case errors.As(err, &other) && other.Frames == 0, errors.As(err, &version) && version.Older():
		return fmt.Errorf("%s: %w; %s", port, err, FlashRemedy)
	}
	return fmt.Errorf("%s: %w", port, err)
}

// OwnFirmware is the name of this program's own firmware if the board runs another version of it; "" when it is the
// same, or this program has none.
func OwnFirmware(name string) string {
	hex, ok := image.Hex()
	if !ok {
		return ""
	}
	own, err := image.Parse(hex)
	if err != nil || own.Name == name {
		return ""
	}
	return own.Name
}
