// Package gpioboard is the board on this machine's GPIO lines: the process that has the pins. It speaks the board
// protocol with one host at a time and does nothing but drive pins in time. However it ends, its outputs go safe: the
// process switches them off first, and its watchdog process does when it no longer can.
package gpioboard

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"syscall"
	"time"

	"stillwater/internal/config"
	"stillwater/internal/realtime"
	"stillwater/internal/service"
	"stillwater/internal/spawn"
)

// What the board promises. Aims, not measured on real hardware: an ordinary kernel gives no guarantee.
const (
	minLead    = 500 * time.Microsecond
	edgeLead   = 2 * minLead // the edge may be taken up as late as that
	safeWithin = 20 * time.Millisecond
)

// A board process that was killed leaves its outputs to its watchdog for some milliseconds. The next one waits for
// them.
const (
	outputsTimeout = 2 * time.Second
	outputsRetry   = 5 * time.Millisecond
)

// Options say which board to run, where its host comes from, and who watches over it.
type Options struct {
	Config   config.Config
	Sum      string // the checksum that the configuration must have; "": any
	Socket   string // where to listen for hosts; "": the service manager's socket, or the link to the parent process
	Pins     Pins
	Watchdog func(held int) (spawn.Command, error) // starts a process that calls spawn.Watch with that many outputs
	Getenv   func(string) string
	Status   io.Writer // gets one spawn.Status as a line of JSON before a host is served; nil: it is logged
}

// process is what a board process holds until it ends.
type process struct {
	conf      config.Board
	lines     Lines
	watchdog  *spawn.Watchdog // nil: there are no outputs to switch off
	thread    *realtime.Thread
	manager   *service.Manager
	heartbeat *heartbeat
}

// errWatchdogGone ends the board.
var errWatchdogGone = errors.New("the outputs' watchdog has gone: nobody would switch them off after this process")

// Run takes the outputs, at their safe level, before all else that can fail, then serves hosts until ctx is done or,
// without a socket, the one host has gone.
func Run(ctx context.Context, o Options) (err error) {
	p := &process{conf: o.Config.Board}
	defer func() { // runs last, also after a panic
		err = errors.Join(err, p.close())
		if err != nil {
			err = fmt.Errorf("board: %w", err)
		}
	}()
	if err := p.takeOutputs(ctx, o.Pins); err != nil {
		return err
	}
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	if err := p.startWatchdog(o.Watchdog, cancel); err != nil {
		return err
	}
	if o.Sum != "" && o.Sum != o.Config.Sum {
		return fmt.Errorf("%s was changed since the daemon read it; restart the daemon", o.Config.Path)
	}
	hosts, err := openSource(o.Socket, o.Config.Sum, o.Getenv)
	if err != nil {
		return err
	}
	defer hosts.close()
	if err := o.Pins.OpenInputs(p.conf, &p.lines); err != nil {
		return err
	}
	if p.manager, err = service.Find(o.Getenv); err != nil {
		slog.Warn("board: " + err.Error())
	}
	if err := p.enterRealtime(o.Status); err != nil {
		return err
	}
	p.heartbeat = newHeartbeat(p.lines.Heartbeat, p.manager)
	_ = p.manager.Ready("outputs are off") // a manager that does not hear it reports that itself
	err = p.serve(ctx, hosts)
	if errors.Is(context.Cause(ctx), errWatchdogGone) {
		err = errors.Join(errWatchdogGone, err)
	}
	return err
}

// takeOutputs requests the outputs, which switches them off. The watchdog of a process before this one may still hold
// them.
func (p *process) takeOutputs(ctx context.Context, pins Pins) error {
	for end := time.Now().Add(outputsTimeout); ; {
		err := pins.OpenOutputs(p.conf, &p.lines)
		if err == nil || !errors.Is(err, syscall.EBUSY) || time.Now().After(end) || ctx.Err() != nil {
			return err
		}
		if err := p.lines.close(); err != nil {
			return err
		}
		time.Sleep(outputsRetry)
	}
}

// startWatchdog starts the process that switches the outputs off when this one no longer can, and calls gone if it
// ends.
func (p *process) startWatchdog(command func(held int) (spawn.Command, error), gone context.CancelCauseFunc) (
	err error,
) {
	held := p.lines.Outputs.Fds()
	if len(held) == 0 {
		return nil
	}
	c, err := command(len(held))
	if err != nil {
		return err
	}
	if p.watchdog, err = spawn.StartWatchdog(c, held); err != nil {
		return err
	}
	go func() {
		<-p.watchdog.Done()
		gone(errWatchdogGone)
	}()
	return nil
}

// enterRealtime makes this the board's thread, and states what the system granted.
func (p *process) enterRealtime(status io.Writer) error {
	p.thread = realtime.Enter(realtime.Want{Priority: p.conf.Priority, CPU: p.conf.CPU})
	s := spawn.Status{Drive: p.lines.Drive, Granted: p.thread.Report.Granted(), Missing: []string{}}
	for _, g := range p.thread.Report.Missing() {
		s.Missing = append(s.Missing, g.String())
	}
	if status != nil {
		if err := json.NewEncoder(status).Encode(s); err != nil {
			return fmt.Errorf("write the status: %w", err)
		}
		return nil
	}
	slog.Info("board: outputs are driven by " + s.Drive)
	slog.Info("board: the system granted " + s.Granted)
	for _, missing := range s.Missing {
		slog.Warn("board: there is " + missing)
	}
	return nil
}

// close switches the outputs off and releases everything.
func (p *process) close() error {
	err := p.lines.close()
	if p.watchdog != nil {
		err = errors.Join(err, p.watchdog.Close())
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
