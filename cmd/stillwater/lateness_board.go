package main

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"time"

	"stillwater/internal/board"
	"stillwater/internal/config"
	"stillwater/internal/control"
	"stillwater/internal/lateness/bench"
	"stillwater/internal/render"
	"stillwater/internal/serialboard"
	"stillwater/internal/wiring"
)

// latenessBoard starts or dials the board to measure, and says how.
func (m *Main) latenessBoard(ctx context.Context, o *latenessOptions, cfg config.Config) (
	*board.Client, bench.Options, error,
) {
	b := bench.Options{Count: o.count, Rounds: o.rounds, Interval: o.interval, Seed: o.seed, Load: o.load, Peer: o.peer,
		Priority: o.priority, CPU: o.cpu, Output: bench.NoPin, Input: bench.NoPin, Progress: m.latenessProgress(o.count)}
	switch {
	case o.config == "":
		b.Setup.Output = "nothing (a board without pins)"
		client, err := m.startMeasured(ctx, &b, "--null", "--priority", strconv.Itoa(o.priority), "--cpu",
			strconv.Itoa(o.cpu))
		return client, b, err
	case cfg.Board.Kind == config.Serial:
		client, err := m.dialMeasured(ctx, o, cfg, &b)
		return client, b, err
	}
	if err := o.choose(cfg.Board, &b); err != nil {
		return nil, b, err
	}
	b.Priority, b.CPU = cfg.Board.Priority, cfg.Board.CPU
	m.warnOfSwitching(o, bench.RestOf(cfg.Board.Outputs[b.Output].Kind), " Interrupt it (Ctrl-C) to stop.")
	client, err := m.startMeasured(ctx, &b, "--config", cfg.Path, "--sum", cfg.Sum)
	if err != nil {
		err = fmt.Errorf("%w (if the daemon or a board service is running, it holds the outputs: stop it first)", err)
	}
	return client, b, err
}

// startMeasured starts a board process.
func (m *Main) startMeasured(ctx context.Context, b *bench.Options, args ...string) (*board.Client, error) {
	client, status, err := bench.StartBoard(ctx, append([]string{"board"}, args...), m.Stderr)
	b.Setup.Drive, b.Setup.Granted, b.Setup.Missing = status.Drive, status.Granted, status.Missing
	return client, err
}

// dialMeasured dials a board on a serial port, which has its pins built in. It is measured by its own clock: a wire
// from an output to an input shows how well the chip keeps to its plan, and nothing of how fast its clock is, which
// stillwater check shows.
func (m *Main) dialMeasured(ctx context.Context, o *latenessOptions, cfg config.Config, b *bench.Options) (
	*board.Client, error,
) {
	if o.peer {
		return nil, fmt.Errorf("%w: lateness: --peer compares with what this machine can do, and a board on a serial port "+
			"times by itself: leave it out", errUsage)
	}
	dialer := &serialboard.Dialer{Config: cfg}
	client, err := dialer.Dial(ctx)
	if err != nil {
		return nil, err
	}
	if err := m.prepareMeasured(ctx, client, o, cfg, b); err != nil {
		return nil, errors.Join(err, client.Close())
	}
	return client, nil
}

// prepareMeasured chooses the pins of a board that announced them, and disarms it.
func (m *Main) prepareMeasured(ctx context.Context, client *board.Client, o *latenessOptions, cfg config.Config,
	b *bench.Options,
) error {
	id := client.Identity()
	if err := o.choose(announcedPins(cfg.Board, id), b); err != nil {
		return err
	}
	b.Setup.Drive, b.Setup.Granted = "a board of its own: "+id.Firmware, "nothing: the board needs nothing of this machine"
	m.warnOfSwitching(o, bench.RestOf(id.Outputs[b.Output].Kind), "")
	// Whatever the board was doing before, it is at rest after this, and what it sent at its start is read.
	soon, cancel := context.WithTimeout(ctx, time.Second)
	defer cancel()
	return client.Disarm(soon)
}

func (m *Main) warnOfSwitching(o *latenessOptions, interval time.Duration, more string) {
	fmt.Fprintf(m.Stderr, "This switches output %q, which is connected to whatever hangs on it, %d times, one in %v.%s\n",
		o.output, o.count, interval, more)
}

// choose takes the pins that the flags name.
func (o *latenessOptions) choose(board config.Board, b *bench.Options) error {
	if err := b.Choose(board, o.output, o.input); err != nil {
		return fmt.Errorf("%w: lateness: --%w", errUsage, err)
	}
	return nil
}

// announcedPins are the pins that a board announced, as a configuration would have listed them.
func announcedPins(conf config.Board, id board.Identity) config.Board {
	conf.Inputs, conf.Outputs = nil, nil
	for _, in := range id.Inputs {
		conf.Inputs = append(conf.Inputs, wiring.Input{Name: in.Name, Role: control.RoleOf(in)})
	}
	for _, out := range id.Outputs {
		conf.Outputs = append(conf.Outputs, wiring.Output{Name: out.Name, Kind: out.Kind})
	}
	return conf
}

// latenessProgress shows the progress on a terminal.
func (m *Main) latenessProgress(of int) func(int) {
	if !render.IsTerminal(m.Stderr) {
		return func(int) {}
	}
	return func(done int) {
		fmt.Fprintf(m.Stderr, "\r%d of %d pulses", done, of)
		if done >= of {
			fmt.Fprint(m.Stderr, "\r\x1b[K")
		}
	}
}
