package main

import (
	"context"
	"io"
	"log/slog"
	"net"

	"stillwater/internal/config"
	"stillwater/internal/service"
	"stillwater/internal/spawn"
)

// reachBoard is the link to the GPIO board of a configuration: a process that this starts, or, if the configuration
// names its socket, one that runs by itself. The error says in words what is missing and what to do.
func (m *Main) reachBoard(ctx context.Context, cfg config.Config) (io.ReadWriteCloser, error) {
	if cfg.Board.Socket != "" {
		return spawn.Dial(ctx, cfg.Board.Socket, cfg.Sum)
	}
	p, err := m.startBoard(cfg)
	if err != nil {
		return nil, err
	}
	return p, nil
}

// startBoard starts the board process for a GPIO configuration and returns its link. Closing that ends the process;
// once the process is gone, reading gives a *spawn.ExitError.
func (m *Main) startBoard(cfg config.Config) (*spawn.Process, error) {
	return spawn.Start(spawn.Command{
		Args:   []string{"board", "--config", cfg.Path, "--sum", cfg.Sum},
		Env:    service.Environ(),
		Stderr: m.Stderr,
	})
}

// notifyManager reports to the service manager, if there is one, that the page listens, and that it stops once ctx is
// done. It returns what to call at the end.
func (m *Main) notifyManager(ctx context.Context, page net.Addr, log *slog.Logger) func() {
	manager, err := service.Find(m.Getenv)
	if err == nil {
		err = manager.Ready("the page listens on " + page.String())
	}
	if err != nil {
		log.Warn("the service manager was not notified", "err", err)
	}
	stopped := make(chan struct{})
	stop := context.AfterFunc(ctx, func() {
		defer close(stopped)
		_ = manager.Stopping()
	})
	return func() {
		if !stop() {
			<-stopped
		}
		_ = manager.Close()
	}
}
