package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/signal"
	"strconv"
	"syscall"

	"stillwater/internal/config"
	"stillwater/internal/gpioboard"
	"stillwater/internal/realtime"
	"stillwater/internal/service"
	"stillwater/internal/spawn"
)

// boardFlags are the flags of the board process.
type boardFlags struct {
	config, sum, listen     string
	null, status            bool
	priority, cpu, watchdog int
}

func (m *Main) parseBoard(args []string) (*boardFlags, error) {
	flags, f := flag.NewFlagSet("board", flag.ContinueOnError), &boardFlags{}
	flags.SetOutput(io.Discard)
	flags.StringVar(&f.config, "config", "", "configuration `FILE` (default: stillwater.toml in the usual places)")
	flags.StringVar(&f.sum, "sum", "", "refuse a configuration unless its text has this `SHA-256`")
	flags.StringVar(&f.listen, "listen", "", "run as a service that the daemon reaches at this unix socket, a `FILE` "+
		"(a socket that systemd opened needs no flag)")
	flags.BoolVar(&f.null, "null", false, "switch nothing: a board without pins, for stillwater lateness")
	flags.IntVar(&f.priority, "priority", config.DefaultPriority, "with --null: real-time priority to ask for, 0 for none")
	flags.IntVar(&f.cpu, "cpu", config.AnyCPU, "with --null: processor to run on, -1 for any")
	flags.BoolVar(&f.status, "status", false, "print one line of JSON: how outputs are driven, what the system granted")
	flags.IntVar(&f.watchdog, "watchdog", 0, "started by the board process: switch its outputs, `NUMBER` descriptors, "+
		"off when it is gone")
	const about = "stillwater board drives the pins of this machine: it fires, and does nothing else.\n" +
		"The daemon starts it, or the service manager; by hand it needs --listen.\n\n"
	return f, m.onlyFlags(flags, args, about, "", "")
}

// board is the process that has the pins.
func (m *Main) board(ctx context.Context, args []string) error {
	// The log may go to a daemon that is gone: writing to it must not end this process before its outputs are safe. And no
	// terminal shall pause it while one is on.
	signal.Ignore(append(suspendSignals(), syscall.SIGPIPE)...)
	f, err := m.parseBoard(args)
	if err != nil {
		return err
	}
	o := gpioboard.Options{Sum: f.sum, Socket: f.listen, Pins: m.pinsOfBoard(), Watchdog: m.watchdogCommand,
		Getenv: m.Getenv}
	if f.watchdog > 0 {
		return spawn.Watch(f.watchdog, o.Pins.SwitchOff)
	}
	// By itself the runtime ends a process on this signal without a word to anybody.
	ctx, stop := signal.NotifyContext(ctx, syscall.SIGQUIT)
	defer stop()
	if f.status {
		o.Status = m.Stdout
	}
	if f.null {
		if _, err := realtime.NewLink(spawn.LinkFD); err != nil {
			return fmt.Errorf("board: stillwater lateness starts this with a link to itself: %w", err)
		}
		o.Config.Board, o.Pins = gpioboard.NullConfig(f.priority, f.cpu), gpioboard.NullPins()
		return gpioboard.Run(ctx, o)
	}
	o.Config, err = config.Find(f.config)
	if errors.Is(err, config.ErrNotFound) {
		return fmt.Errorf("board: %w; write one, or name it with --config", err)
	}
	if err != nil {
		return err
	}
	switch o.Config.Board.Kind {
	case config.Serial:
		return m.relayBoard(ctx, f, o.Config)
	case config.GPIO:
		return gpioboard.Run(ctx, o)
	}
	return fmt.Errorf("%w: board: %s has no GPIO board; the daemon runs the simulated one itself", errUsage, o.Config.Path)
}

func (m *Main) pinsOfBoard() gpioboard.Pins {
	if m.boardPins.OpenOutputs != nil {
		return m.boardPins
	}
	return gpioboard.ChipPins()
}

// watchdogCommand is how the board process starts its watchdog: this same program again.
func (m *Main) watchdogCommand(held int) (spawn.Command, error) {
	path, err := os.Executable()
	if err != nil {
		return spawn.Command{}, fmt.Errorf("find this executable, to start the outputs' watchdog: %w", err)
	}
	return spawn.Command{Path: path, Args: []string{"board", "--watchdog", strconv.Itoa(held)}, Env: service.Environ(),
		Stderr: m.Stderr}, nil
}
