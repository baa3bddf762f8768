package gpioboard

import (
	"context"
	"errors"
	"fmt"
	"log/slog"

	"stillwater/internal/gpiochip"
	"stillwater/internal/realtime"
	"stillwater/internal/service"
	"stillwater/internal/spawn"
	"stillwater/internal/trigger"
)

// source is where a board's hosts come from: the process that started it, or a listener.
type source struct {
	link     *realtime.Link // nil: there is a listener
	listener *spawn.Listener
}

// openSource opens the socket at path, or the one that the service manager passed, or else the link to the daemon that
// started this process.
func openSource(path, sum string, getenv func(string) string) (source, error) {
	passed, err := service.Listeners(getenv)
	if err != nil {
		return source{}, err
	}
	listener, err := spawn.Open(path, passed, sum)
	if err != nil || listener != nil {
		return source{listener: listener}, err
	}
	link, err := realtime.NewLink(spawn.LinkFD)
	if err != nil {
		return source{}, fmt.Errorf("the daemon starts this with a link to itself; to run a board by hand, give it a "+
			"socket with --listen PATH: %w", err)
	}
	return source{link: link}, nil
}

func (s source) close() {
	if s.listener != nil {
		if err := s.listener.Close(); err != nil {
			slog.Warn("board: close the socket", "err", err)
		}
	}
}

// serve serves the one host until it has gone, or one host after the other until ctx is done. Between hosts the outputs
// are off and nothing is armed.
func (p *process) serve(ctx context.Context, from source) error {
	if from.listener == nil {
		return p.serveHost(ctx, from.link)
	}
	for {
		_ = p.manager.Status("outputs are off; waiting for Stillwater's page")
		conn, ok, err := p.accept(ctx, from.listener)
		if err != nil || !ok {
			return err
		}
		slog.Info("board: serving " + conn.Peer)
		_ = p.manager.Status("serving " + conn.Peer)
		link, err := realtime.NewLink(conn.Fd)
		if err != nil {
			return err
		}
		err = p.serveHost(ctx, link)
		link.Close()
		from.listener.Release()
		switch {
		case errors.Is(err, realtime.ErrLinkFull): // the host's problem, not the board's
			slog.Warn("board: the host does not read and was disconnected; outputs are off", "err", err)
		case err != nil:
			return err
		default:
			slog.Info("board: the host is gone; outputs are off")
		}
		p.heartbeat.report()
		p.thread.Disarm()
	}
}

// accept waits for a host while the heartbeat goes on; false: ctx is done.
func (p *process) accept(ctx context.Context, listener *spawn.Listener) (conn spawn.Conn, ok bool, err error) {
	clock, err := realtime.NewClock()
	if err != nil {
		return conn, false, err
	}
	waiter, err := realtime.NewWaiter(ctx, listener.Fd())
	if err != nil {
		return conn, false, err
	}
	defer func() { err = errors.Join(err, waiter.Close()) }()
	for ctx.Err() == nil {
		if conn, ok := listener.Accept(); ok {
			return conn, true, nil
		}
		next, beats, err := p.heartbeat.tick(clock.Now(), 0, false, true)
		if err != nil {
			return conn, false, err
		}
		until := int64(0) // no limit
		if beats {
			until = clock.Ns() + int64(clock.Until(next))
		}
		if _, err := waiter.Sleep(until, false); err != nil {
			return conn, false, err
		}
	}
	return conn, false, nil
}

// serveHost runs the board, newly started, for one host until ctx is done or the host has gone. Then the outputs are
// off.
func (p *process) serveHost(ctx context.Context, link *realtime.Link) (err error) {
	if err := discardEdges(p.lines.Inputs); err != nil {
		return err
	}
	levels, err := p.lines.Inputs.Levels()
	if err != nil {
		return err
	}
	state, err := trigger.New(triggerConfig(p.conf, levels))
	if err != nil {
		return err
	}
	l, err := newLoop(ctx, state, p.lines.Inputs, p.lines.Outputs, link, levels)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, l.waiter.Close()) }()
	l.thread, l.heartbeat = p.thread, p.heartbeat
	return l.run(ctx)
}

// discardEdges drops the edges from before this host came.
func discardEdges(in inputs) error {
	batch := gpiochip.NewBatch()
	for chip := range in.Len() {
		for full := true; full; full = len(batch.Events) == cap(batch.Events) {
			if err := in.Read(chip, &batch); err != nil {
				return err
			}
		}
	}
	return nil
}
