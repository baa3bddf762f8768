package serialboard

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"strings"
	"sync"
	"time"

	"stillwater/internal/config"
	"stillwater/internal/serialport"
	"stillwater/internal/service"
	"stillwater/internal/spawn"
)

// relayInterval is how often the relay looks for a host and notifies the service manager's watchdog.
const relayInterval = 50 * time.Millisecond

// ErrNoSocket says that a relay has no socket to serve.
var ErrNoSocket = errors.New("the daemon opens a serial board's port itself; to have a service do it, give it a " +
	"socket with --listen PATH and name that in the configuration")

// relay is the board's service when the board is on a serial port: it alone may open that, and relays bytes between it
// and one host at a time. It interprets none of them. The board has its own limits, and disarms by itself when the
// bytes stop.
type relay struct {
	conf     config.Board
	listener *spawn.Listener
	manager  *service.Manager
	port     string // that the board was on last
}

// Relay serves hosts at the socket, or the one of the service manager, one after the other until ctx is done.
func Relay(ctx context.Context, cfg config.Config, socket string, getenv func(string) string) (err error) {
	r := relay{conf: cfg.Board}
	passed, err := service.Listeners(getenv)
	if err != nil {
		return err
	}
	switch r.listener, err = spawn.Open(socket, passed, cfg.Sum); {
	case err != nil:
		return err
	case r.listener == nil:
		return ErrNoSocket
	}
	defer func() {
		if err := r.listener.Close(); err != nil {
			slog.Warn("board: close the socket", "err", err)
		}
	}()
	if r.manager, err = service.Find(getenv); err != nil {
		slog.Warn("board: " + err.Error())
	}
	defer func() { err = errors.Join(err, r.manager.Stopping(), r.manager.Close()) }()
	_ = r.manager.Ready("waiting for Stillwater's page")
	for ctx.Err() == nil {
		_ = r.manager.Alive()
		conn, ok := r.listener.Accept()
		if !ok {
			time.Sleep(relayInterval)
			continue
		}
		slog.Info("board: serving " + conn.Peer)
		why := r.serve(ctx, os.NewFile(uintptr(conn.Fd), "host"))
		r.listener.Release()
		slog.Info("board: the host is gone", "why", why)
		_ = r.manager.Status("waiting for Stillwater's page; before: " + why.Error())
	}
	return nil
}

// errStopping ends what is being served.
var errStopping = errors.New("the service is stopping")

// serve relays until either side ends, and says which and why. It closes both. The host is sent an error of the
// port.
func (r *relay) serve(ctx context.Context, host *os.File) error {
	defer host.Close()
	err := r.copyBoth(ctx, host)
	if portErr := new(serialport.Error); errors.As(err, &portErr) {
		_ = host.SetWriteDeadline(time.Now().Add(relayInterval))
		_, _ = host.Write(appendReason(nil, portErr)) // the log says it too
	}
	return err
}

// copyBoth opens the port and relays bytes both ways.
func (r *relay) copyBoth(ctx context.Context, host *os.File) error {
	path, err := FindPort(r.conf, r.port)
	if err != nil {
		return err
	}
	port, err := serialport.Open(path, r.conf.Baud)
	if err != nil {
		return err
	}
	r.port = path
	_ = r.manager.Status("relaying between the page and " + path)
	ended := make(chan error, 2)
	var both sync.WaitGroup
	both.Go(func() { ended <- copyBytes(port, host, "the host") })
	both.Go(func() { ended <- copyBytes(host, port, "the board") })
	notify := time.NewTicker(relayInterval)
	defer notify.Stop()
	for err = nil; err == nil; {
		select {
		case err = <-ended:
		case <-ctx.Done():
			err = errStopping
		case <-notify.C:
			_ = r.manager.Alive()
		}
	}
	port.Close()
	_ = host.SetReadDeadline(time.Unix(1, 0)) // ends the reading, and leaves the host open for the reason
	both.Wait()
	return err
}

func copyBytes(to io.Writer, from io.Reader, whose string) error {
	if _, err := io.Copy(to, from); err != nil {
		return err
	}
	return fmt.Errorf("%s went away", whose)
}

// reasonPrefix begins the reason that a relay sends before it closes the link: firmware/PROTOCOL.md. It is not in any
// frame: a frame's first byte is at most 66.
const reasonPrefix = "\x00trouble "

func appendReason(to []byte, err error) []byte {
	return append(to, reasonPrefix+strings.ReplaceAll(err.Error(), "\n", " ")+"\n"...)
}

// relayedLink is a link through a relay. When it ends, reading returns the reason that the relay sent, if it did.
type relayedLink struct {
	io.ReadWriteCloser
	tail []byte // what was read last
}

// maxReason is ample for a relay's reason.
const maxReason = 2048

// Read reads what comes from the board.
func (r *relayedLink) Read(p []byte) (int, error) {
	n, err := r.ReadWriteCloser.Read(p)
	r.tail = append(r.tail, p[:n]...)
	r.tail = r.tail[max(0, len(r.tail)-maxReason):]
	if err == nil {
		return n, nil
	}
	at := bytes.LastIndex(r.tail, []byte(reasonPrefix))
	if at < 0 || r.tail[len(r.tail)-1] != '\n' {
		return n, err
	}
	return n, errors.New(string(r.tail[at+len(reasonPrefix) : len(r.tail)-1]))
}
