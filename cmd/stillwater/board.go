package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"log/slog"
	"os"
	"os/signal"
	"strconv"
	"syscall"
	"time"

	"stillwater/internal/config"
	"stillwater/internal/gpiochip"
	"stillwater/internal/realtime"
	"stillwater/internal/service"
	"stillwater/internal/spawn"
)

// What the Linux GPIO board promises. Aims, not measured on real hardware: an ordinary kernel keeps no promise.
const (
	boardLead       = 500 * time.Microsecond
	boardSafeWithin = 20 * time.Millisecond
	// consumer is what the kernel shows as the holder of our lines.
	consumer = "stillwater"
)

// A board process that was killed leaves its outputs to its keeper for some milliseconds. The next one waits for them.
const (
	outputsWithin = 2 * time.Second
	outputsAgain  = 5 * time.Millisecond
)

// boardFlags are the flags of the board process.
type boardFlags struct {
	config, sum, listen string
	null                bool
	priority, cpu, keep int
}

func (m *Main) parseBoard(args []string) (*boardFlags, error) {
	flags, f := flag.NewFlagSet("board", flag.ContinueOnError), &boardFlags{}
	flags.SetOutput(io.Discard)
	flags.StringVar(&f.config, "config", "", "configuration `FILE` (default: stillwater.toml in the usual places)")
	flags.StringVar(&f.sum, "sum", "", "refuse a configuration whose text has another `SHA-256`")
	flags.StringVar(&f.listen, "listen", "", "be a service of its own, with this unix socket, a `FILE`, for the daemon "+
		"(a socket from systemd is taken by itself)")
	flags.BoolVar(&f.null, "null", false, "switch nothing: a board without pins, for stillwater lateness")
	flags.IntVar(&f.priority, "priority", config.DefaultPriority, "with --null: real-time priority to ask for, 0 for none")
	flags.IntVar(&f.cpu, "cpu", config.AnyCPU, "with --null: processor to stay on")
	flags.IntVar(&f.keep, "keep", 0, "started by the board process: switch its outputs, that many descriptors, off when "+
		"it is gone")
	const about = "stillwater board has the pins of this machine: it fires, and holds nothing but pins and time.\n" +
		"The daemon starts it, or the service manager; by hand it needs --listen.\n\n"
	return f, m.onlyFlags(flags, args, about, "", "")
}

// pinAccess is how a board's lines are taken, and how its keeper switches them off.
type pinAccess struct {
	outputs, inputs func(config.Board, *lines) error
	off             func(fd int) error
}

func (m *Main) boardPins() pinAccess {
	if m.access.outputs != nil {
		return m.access
	}
	return pinAccess{outputs: openOutputs, inputs: openInputs, off: gpiochip.SwitchOff}
}

// board is the process that has the pins: it speaks the board protocol with one host at a time and holds nothing but
// pins and time. Whatever ends it, outputs go safe first.
func (m *Main) board(ctx context.Context, args []string) error {
	// The log may go to a daemon that is gone: writing to it must not end this process before its outputs are safe. And no
	// terminal shall pause it while one is on.
	signal.Ignore(append(pauses(), syscall.SIGPIPE)...)
	f, err := m.parseBoard(args)
	if err != nil {
		return err
	}
	if f.keep > 0 {
		return spawn.Keep(f.keep, m.boardPins().off)
	}
	// By itself the runtime ends a process on this signal without a word to anybody.
	ctx, stop := signal.NotifyContext(ctx, syscall.SIGQUIT)
	defer stop()
	if f.null {
		return m.nullBoard(ctx, f.priority, f.cpu)
	}
	cfg, err := config.Find(f.config)
	if errors.Is(err, config.ErrNotFound) {
		return fmt.Errorf("board: %w; write one, or name it with --config", err)
	}
	if err != nil {
		return err
	}
	if cfg.Board.Kind == config.Serial {
		return m.relayBoard(ctx, f, cfg)
	}
	if cfg.Board.Kind != config.GPIO {
		return fmt.Errorf("%w: board: %s has no GPIO board; the daemon runs the simulated one itself", errUsage, cfg.Path)
	}
	return m.runBoard(ctx, f, cfg, m.boardPins())
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

// boardProcess is the process that has the pins, from the first line it takes to the last it lets go.
type boardProcess struct {
	conf    config.Board
	lines   lines
	keeper  *spawn.Keeper // nil: nothing to keep
	thread  *realtime.Thread
	manager *service.Manager
	heart   *heart
}

// errAlone says that the keeper has gone.
var errAlone = errors.New("the outputs' keeper has gone: nobody would switch them off after this process")

// runBoard takes the outputs, at their safe level, before all else that can fail, then serves the hosts until ctx is
// done or, without a socket of its own, the one host has gone.
func (m *Main) runBoard(ctx context.Context, f *boardFlags, cfg config.Config, open pinAccess) (err error) {
	p := &boardProcess{conf: cfg.Board}
	defer func() { // comes last, also after a panic
		err = errors.Join(err, p.close())
		if err != nil {
			err = fmt.Errorf("board: %w", err)
		}
	}()
	if err := p.takeOutputs(ctx, open); err != nil {
		return err
	}
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	if err := p.startKeeper(m, cancel); err != nil {
		return err
	}
	if f.sum != "" && f.sum != cfg.Sum {
		return fmt.Errorf("%s was changed since the daemon read it; restart the daemon", cfg.Path)
	}
	hosts, err := openHosts(f.listen, cfg.Sum, m.Getenv)
	if err != nil {
		return err
	}
	defer hosts.close()
	if err := open.inputs(p.conf, &p.lines); err != nil {
		return err
	}
	if p.manager, err = service.Find(m.Getenv); err != nil {
		slog.Warn("board: " + err.Error())
	}
	p.thread = enterRealtime(p.conf)
	p.heart = newHeart(p.lines.heartbeat, p.manager)
	_ = p.manager.Ready("outputs are off") // if it does not hear, it will say so
	err = hosts.serve(ctx, p)
	if errors.Is(context.Cause(ctx), errAlone) {
		err = errors.Join(errAlone, err)
	}
	return err
}

// takeOutputs takes the outputs and drives them off. The keeper of a process before this one may still have them.
func (p *boardProcess) takeOutputs(ctx context.Context, open pinAccess) error {
	for end := time.Now().Add(outputsWithin); ; {
		err := open.outputs(p.conf, &p.lines)
		if err == nil || !errors.Is(err, syscall.EBUSY) || time.Now().After(end) || ctx.Err() != nil {
			return err
		}
		if err := p.lines.close(); err != nil {
			return err
		}
		time.Sleep(outputsAgain)
	}
}

// startKeeper starts the process that switches the outputs off when this one could not, and calls gone if it ends.
func (p *boardProcess) startKeeper(m *Main, gone context.CancelCauseFunc) error {
	held := p.lines.outputs.Fds()
	if len(held) == 0 {
		return nil
	}
	path, err := os.Executable()
	if err != nil {
		return fmt.Errorf("find this executable, to start the outputs' keeper: %w", err)
	}
	p.keeper, err = spawn.StartKeeper(spawn.Command{
		Path: path, Args: []string{"board", "--keep", strconv.Itoa(len(held))}, Env: inheritable(), Stderr: m.Stderr,
	}, held)
	if err != nil {
		return err
	}
	go func() {
		<-p.keeper.Gone()
		gone(errAlone)
	}()
	return nil
}

// inheritable is the environment without what concerns this process only.
func inheritable() []string {
	env := []string{}
	for _, variable := range os.Environ() {
		if !service.Own(variable) {
			env = append(env, variable)
		}
	}
	return env
}

// close switches the outputs off and lets everything go.
func (p *boardProcess) close() error {
	err := p.lines.close()
	if p.keeper != nil {
		err = errors.Join(err, p.keeper.Close())
	}
	if p.thread != nil {
		err = errors.Join(err, p.thread.Close())
	}
	if p.manager != nil {
		_ = p.manager.Stopping()
		err = errors.Join(err, p.manager.Close())
	}
	return err
}
