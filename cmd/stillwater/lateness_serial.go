package main

import (
	"context"
	"fmt"
	"log/slog"
	"strconv"
	"time"

	"stillwater/internal/board"
	"stillwater/internal/config"
	"stillwater/internal/control"
)

// latenessOnSerial is for a board on a serial port, which has its pins built in. What it is measured by is its own
// clock: a wire from an output to an input shows what the chip makes of its plan, and nothing of how fast that clock
// is, which stillwater check tells.
func (m *Main) latenessOnSerial(ctx context.Context, o *latenessOptions, cfg config.Config, about latenessAbout) (
	tools latenessTools, err error,
) {
	if o.peer {
		return tools, fmt.Errorf("%w: lateness: --peer compares with what this machine can do, and a board on a serial port "+
			"times by itself: leave it out", errUsage)
	}
	serial := &serialBoard{conf: cfg, log: slog.New(slog.DiscardHandler)}
	bench := &latenessBench{interval: o.interval, output: -1, input: -1, progress: m.latenessProgress(o.count)}
	if bench.client, err = serial.dial(ctx); err != nil {
		return tools, err
	}
	defer func() {
		if err != nil {
			bench.client.Close()
		}
	}()
	id := bench.client.Identity()
	if err = bench.choose(o, pinsOf(cfg.Board, id)); err != nil {
		return tools, err
	}
	about.Output, about.Input = strconv.Quote(o.output), o.input
	about.Drive, about.Granted = "a board of its own: "+id.Firmware, "nothing: the board needs nothing of this machine"
	fmt.Fprintf(m.Stderr, "This switches output %q, which is connected to whatever hangs on it, %d times, one in %v.\n",
		o.output, o.count, restOf(id.Outputs[bench.output].Kind))
	load, err := o.startLoad(ctx)
	if err != nil {
		return tools, err
	}
	about.Load = load.name
	// Whatever the board was before this, it is at rest now, and the words of its start are read.
	quiet, cancel := context.WithTimeout(ctx, time.Second)
	defer cancel()
	if err = bench.client.Disarm(quiet); err != nil {
		load.stop()
		return tools, err
	}
	tools.measure = bench.measure
	tools.about = func() latenessAbout { return about }
	tools.close = func() error {
		load.stop()
		return bench.client.Close()
	}
	return tools, nil
}

// pinsOf are the pins of a board that announced them, as a configuration would have listed them.
func pinsOf(conf config.Board, id board.Identity) config.Board {
	conf.Inputs, conf.Outputs = nil, nil
	for _, in := range id.Inputs {
		conf.Inputs = append(conf.Inputs, config.Input{Name: in.Name, Role: control.RoleOf(in)})
	}
	for _, out := range id.Outputs {
		conf.Outputs = append(conf.Outputs, config.Output{Name: out.Name, Kind: out.Kind})
	}
	return conf
}
