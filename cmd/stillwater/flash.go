package main

import (
	"cmp"
	"context"
	"errors"
	"flag"
	"fmt"
	"io"

	"stillwater/firmware/flash"
	"stillwater/firmware/image"
	"stillwater/internal/commandline"
	"stillwater/internal/config"
	"stillwater/internal/render"
	"stillwater/internal/serialboard"
	"stillwater/internal/serialport"
)

const flashUsage = `stillwater flash writes Stillwater's firmware to a board with an ATmega328P, using avrdude.
Disconnect flashes, valves and the camera first: pins may move while the chip is written.

`

// flashOptions are the flags of "flash".
type flashOptions struct {
	port, image, config, programmer string
	baud                            int
	dry                             bool
}

func flashFlags() (*flashOptions, *flag.FlagSet) {
	o, flags := &flashOptions{}, flag.NewFlagSet("flash", flag.ContinueOnError)
	flags.SetOutput(io.Discard)
	flags.StringVar(&o.port, "port", "", "serial `PORT` of the board (default: the configuration's, or the only one)")
	flags.StringVar(&o.image, "image", "", "firmware `FILE` in the Intel HEX format (default: the one in this program)")
	flags.StringVar(&o.config, "config", "", "configuration `FILE` (default: stillwater.toml in the usual places)")
	flags.StringVar(&o.programmer, "programmer", flash.Bootloader,
		"programmer as avrdude names it: the default is the board's own bootloader; another erases that")
	flags.IntVar(&o.baud, "baud", 0, "`SPEED` of the bootloader, baud (default: 115200, then 57600)")
	flags.BoolVar(&o.dry, "dry-run", false, "print what would be run, and run nothing")
	return o, flags
}

// flash puts firmware on a board.
func (m *Main) flash(ctx context.Context, args []string) error {
	o, flags := flashFlags()
	switch err := m.onlyFlags(flags, args, flashUsage, "", "; the file is named by --image"); {
	case err != nil:
		return err
	case o.baud < 0:
		return fmt.Errorf("%w: flash: --baud %d: give the bootloader's speed, such as 57600", errUsage, o.baud)
	}
	if err := m.runFlash(ctx, o); err != nil {
		return fmt.Errorf("flash: %w", err)
	}
	return nil
}

func (m *Main) runFlash(ctx context.Context, o *flashOptions) (err error) {
	text, from, err := flash.ReadImage(o.image)
	if err != nil {
		return err
	}
	firmware, err := image.Parse(text)
	if err != nil {
		return fmt.Errorf("%s: %w: nothing was written", from, err)
	}
	target, err := o.target()
	if err != nil {
		return err
	}
	job, err := flash.New(flash.Options{Image: text, Programmer: o.programmer, Port: target.Port, Baud: o.baud})
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, job.Close()) }()
	if o.dry {
		for _, words := range job.Commands(cmp.Or(o.image, "stillwater.hex")) {
			fmt.Fprintln(m.Stdout, commandline.Quote(words))
		}
		return nil
	}
	where := "the board"
	if o.bootloader() {
		where = target.Port
	}
	what := fmt.Sprintf("%s, %d bytes, to %s", firmware.Name, firmware.Bytes, where)
	if err := m.writeFirmware(ctx, job, what); err != nil {
		return err
	}
	if !o.bootloader() {
		fmt.Fprintln(m.Stdout, "Done. Plug the board in at its own port; stillwater check then says what it runs.")
		return nil
	}
	return m.verifyFirmware(ctx, target, firmware.Name)
}

// bootloader reports whether the board's own bootloader writes, and no programmer.
func (o *flashOptions) bootloader() bool { return o.programmer == flash.Bootloader }

// target is the board to write, with its port if it is to be written through one.
func (o *flashOptions) target() (config.Board, error) {
	cfg, err := config.Find(o.config)
	if err != nil && (o.config != "" || !errors.Is(err, config.ErrNotFound)) {
		return config.Board{}, err
	}
	b := cfg.Board
	if b.Kind != config.Serial {
		b = config.Board{Kind: config.Serial, Baud: config.DefaultBaud}
	}
	b.Socket = "" // the board is asked directly
	if !o.bootloader() {
		b.Port = o.port
		return b, nil
	}
	b.Port = cmp.Or(o.port, b.Port)
	if b.Port, err = serialboard.FindPort(b, ""); err != nil {
		return b, fmt.Errorf("%w (--port PORT names one)", err)
	}
	return b, nil
}

// writeFirmware writes while nobody else who asks gets the port. Progress is shown on a terminal.
func (m *Main) writeFirmware(ctx context.Context, job *flash.Job, what string) (err error) {
	release, err := job.Lock()
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, release()) }()
	fmt.Fprintf(m.Stdout, "Writing %s\n", what)
	var progress io.Writer
	if render.IsTerminal(m.Stderr) {
		progress = m.Stderr
	}
	return job.Write(ctx, progress)
}

// verifyFirmware asks the board what it is now.
func (m *Main) verifyFirmware(ctx context.Context, target config.Board, want string) error {
	found, err := serialboard.Probe(ctx, config.Config{Board: target}, 0)
	if errors.Is(err, serialport.ErrBusy) { // a Stillwater that waited for a board with firmware
		fmt.Fprintf(m.Stdout, "Done. The board could not be asked what it runs: %v\n", err)
		return nil
	}
	if err != nil {
		return fmt.Errorf("it was written, but the board does not answer: %w", err)
	}
	if got := found.Identity.Firmware; got != want {
		return fmt.Errorf("it was written, but the board says that it runs %s, not %s: run stillwater flash again", got, want)
	}
	fmt.Fprintf(m.Stdout, "Done: the board says that it runs %s.\n", want)
	return nil
}
