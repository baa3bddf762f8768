package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"log/slog"
	"os/signal"
	"syscall"
	"time"

	"stillwater/internal/config"
	"stillwater/internal/realtime"
	"stillwater/internal/spawn"
	"stillwater/internal/trigger"
)

// What the Linux GPIO board promises. Aims, not measured on real hardware: an ordinary kernel keeps no promise.
const (
	boardLead       = 500 * time.Microsecond
	boardSafeWithin = 20 * time.Millisecond
	// consumer is what the kernel shows as the holder of our lines.
	consumer = "stillwater"
)

// startBoard starts the board process for a GPIO configuration and returns its link. Closing that ends the process;
// once the process is gone, reading gives a *spawn.Exited.
func (m *Main) startBoard(cfg config.Config) (*spawn.Process, error) {
	return spawn.Start(spawn.Command{
		Args:   []string{"board", "--config", cfg.Path, "--sum", cfg.Sum},
		Stderr: m.Stderr,
	})
}

// board is the process that has the pins: it speaks the board protocol on the socket it was started with and holds
// nothing but pins and time. Whatever ends it, outputs go safe first.
func (m *Main) board(ctx context.Context, args []string) error {
	// The log may go to a daemon that is gone: writing to it must not end this process before its outputs are safe.
	signal.Ignore(syscall.SIGPIPE)
	flags := flag.NewFlagSet("board", flag.ContinueOnError)
	flags.SetOutput(m.Stderr)
	path := flags.String("config", "", "configuration `file`")
	sum := flags.String("sum", "", "refuse a configuration whose text has another SHA-256")
	null := flags.Bool("null", false, "switch nothing: a board without pins, for stillwater lateness")
	priority := flags.Int("priority", config.DefaultPriority, "with --null: real-time priority to ask for, 0 for none")
	cpu := flags.Int("cpu", config.AnyCPU, "with --null: processor to stay on")
	if err := flags.Parse(args); err != nil {
		return fmt.Errorf("%w: board: %w", errUsage, err)
	}
	if *null {
		return m.nullBoard(ctx, *priority, *cpu)
	}
	cfg, err := config.Find(*path)
	if err != nil {
		return err
	}
	if cfg.Board.Kind != config.GPIO {
		return fmt.Errorf("%w: board: %s has no GPIO board; the daemon runs the simulated one itself", errUsage, cfg.Path)
	}
	if *sum != "" && *sum != cfg.Sum {
		return fmt.Errorf("board: %s was changed since the daemon read it; restart the daemon", cfg.Path)
	}
	link, err := realtime.NewLink(spawn.LinkFD)
	if err != nil {
		return fmt.Errorf("board: the daemon starts this with a link to itself: %w", err)
	}
	return runBoard(ctx, cfg.Board, link, openLines)
}

// What the board's log says, which stillwater lateness looks for.
const (
	saysGranted = "board: the system granted "
	saysMissing = "board: there is "
	saysDrive   = "board: outputs are driven by "
)

// enterRealtime makes this the board's thread, and says in the log what the system granted.
func enterRealtime(b config.Board) *realtime.Thread {
	thread := realtime.Enter(realtime.Want{Priority: b.Priority, CPU: b.CPU})
	slog.Info(saysGranted + thread.Report.Granted())
	for _, g := range thread.Report.Missing() {
		slog.Warn(saysMissing + g.String())
	}
	return thread
}

// runBoard opens the lines and runs the board until ctx is done or the link has gone.
func runBoard(ctx context.Context, b config.Board, link *realtime.Link, open func(config.Board) (lines, error)) (
	err error,
) {
	lines, err := open(b)
	if err != nil {
		return fmt.Errorf("board: %w", err)
	}
	// Closing the outputs switches them off. Deferred before all else that can fail, it comes last, also after a panic.
	defer func() { err = errors.Join(err, lines.outputs.Close()) }()
	defer lines.inputs.Close()
	thread := enterRealtime(b)
	defer thread.Close()
	levels, err := lines.inputs.Levels()
	if err != nil {
		return fmt.Errorf("board: %w", err)
	}
	state, err := trigger.New(boardConfig(b, levels))
	if err != nil {
		return fmt.Errorf("board: %w", err)
	}
	l, err := newLoop(ctx, state, lines.inputs, lines.outputs, link, levels)
	if err != nil {
		return fmt.Errorf("board: %w", err)
	}
	defer l.waiter.Close()
	l.thread = thread
	if err := l.run(ctx); err != nil {
		return fmt.Errorf("board: %w", err)
	}
	return nil
}
