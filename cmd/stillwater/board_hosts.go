package main

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

// hosts are where a board's hosts come from: the one that started it, or a door.
type hosts struct {
	link *realtime.Link // nil: there is a door
	door *spawn.Door
}

// openHosts makes the socket at path, or takes the one that the service manager made, or else the link to the daemon
// that started this process.
func openHosts(path, sum string, getenv func(string) string) (hosts, error) {
	given, err := service.Listeners(getenv)
	switch {
	case err != nil:
		return hosts{}, err
	case len(given) > 1:
		return hosts{}, fmt.Errorf("the service manager passed %d sockets, a board has one: leave one ListenStream= in the "+
			"socket unit", len(given))
	case len(given) == 1:
		door, err := spawn.TakeDoor(given[0], sum)
		return hosts{door: door}, err
	case path != "":
		door, err := spawn.OpenDoor(path, sum)
		return hosts{door: door}, err
	}
	link, err := realtime.NewLink(spawn.LinkFD)
	if err != nil {
		return hosts{}, fmt.Errorf("the daemon starts this with a link to itself; to run a board by hand, give it a socket "+
			"with --listen PATH: %w", err)
	}
	return hosts{link: link}, nil
}

func (h hosts) close() {
	if h.door != nil {
		if err := h.door.Close(); err != nil {
			slog.Warn("board: close the socket", "err", err)
		}
	}
}

// serve serves the one host until it has gone, or one host after the other until ctx is done. Between them outputs are
// off and nothing is armed.
func (h hosts) serve(ctx context.Context, p *boardProcess) error {
	if h.door == nil {
		return p.host(ctx, h.link)
	}
	for {
		_ = p.manager.Status("outputs are off; waiting for Stillwater's page")
		guest, ok, err := p.await(ctx, h.door)
		if err != nil || !ok {
			return err
		}
		slog.Info("board: a host came: " + guest.Who)
		_ = p.manager.Status("serving " + guest.Who)
		link, err := realtime.NewLink(guest.Fd)
		if err != nil {
			return err
		}
		err = p.host(ctx, link)
		link.Close()
		h.door.Free()
		switch {
		case errors.Is(err, realtime.ErrLinkFull): // its trouble, not ours
			slog.Warn("board: the host was sent away; outputs are off", "err", err)
		case err != nil:
			return err
		default:
			slog.Info("board: the host is gone; outputs are off")
		}
		p.heart.rest()
		p.thread.Disarm()
	}
}

// await waits for a host, with a beating heart; false: ctx is done.
func (p *boardProcess) await(ctx context.Context, door *spawn.Door) (guest spawn.Guest, ok bool, err error) {
	clock, err := realtime.NewClock()
	if err != nil {
		return guest, false, err
	}
	waiter, err := realtime.NewWaiter(ctx, door.Fd())
	if err != nil {
		return guest, false, err
	}
	defer func() { err = errors.Join(err, waiter.Close()) }()
	for ctx.Err() == nil {
		if guest, ok := door.Guest(); ok {
			return guest, true, nil
		}
		next, beats, err := p.heart.beat(clock.Now(), 0, false, true)
		if err != nil {
			return guest, false, err
		}
		until := int64(0) // no limit
		if beats {
			until = clock.Ns() + int64(clock.Until(next))
		}
		if _, err := waiter.Sleep(until, false); err != nil {
			return guest, false, err
		}
	}
	return guest, false, nil
}

// host runs the board, newly made, for one host until ctx is done or the host has gone. Then outputs are off.
func (p *boardProcess) host(ctx context.Context, link *realtime.Link) (err error) {
	if err := drain(p.lines.inputs); err != nil {
		return err
	}
	levels, err := p.lines.inputs.Levels()
	if err != nil {
		return err
	}
	state, err := trigger.New(boardConfig(p.conf, levels))
	if err != nil {
		return err
	}
	l, err := newLoop(ctx, state, p.lines.inputs, p.lines.outputs, link, levels)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, l.waiter.Close()) }()
	l.thread, l.pulse = p.thread, p.heart
	return l.run(ctx)
}

// drain forgets the edges of before: they are not this host's.
func drain(in sensors) error {
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
