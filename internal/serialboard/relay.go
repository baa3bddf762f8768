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

// writeTimeout is how long a host that does not read may hold up the end of a link.
const writeTimeout = 50 * time.Millisecond

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
	alive    <-chan time.Time // when to send the manager's watchdog a sign of life
	port     string           // that the board was on last
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
	r.alive = time.Tick(r.manager.Watchdog() / 4) // one that is lost, or late, costs nothing; never without a watchdog
	_ = r.manager.Ready("waiting for Stillwater's page")
	for {
		_ = r.manager.Alive()
		select {
		case <-ctx.Done():
			return nil
		case <-r.alive:
		case <-r.listener.Waiting():
			if conn, ok := r.listener.Accept(); ok {
				r.serveConn(ctx, conn)
			}
		}
	}
}

// serveConn serves an accepted host.
func (r *relay) serveConn(ctx context.Context, conn spawn.Conn) {
	slog.Info("board: serving " + conn.Peer)
	why := r.serve(ctx, os.NewFile(uintptr(conn.Fd), "host"))
	r.listener.Release()
	slog.Info("board: the host is gone", "why", why)
	_ = r.manager.Status("waiting for Stillwater's page; before: " + why.Error())
}

// errStopping ends what is being served.
var errStopping = errors.New("the service is stopping")

// serve relays until either side ends, and says which and why. It closes both. The host is sent an error of the
// port.
func (r *relay) serve(ctx context.Context, host *os.File) error {
	defer host.Close()
	err := r.copyBoth(ctx, host)
	if portErr := new(serialport.Error); errors.As(err, &portErr) {
		_ = host.SetWriteDeadline(time.Now().Add(writeTimeout))
		_, _ = host.Write(appendProblem(nil, portErr)) // the log says it too
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
	for err = nil; err == nil; {
		select {
		case err = <-ended:
		case <-ctx.Done():
			err = errStopping
		case <-r.alive:
			_ = r.manager.Alive()
		}
	}
	port.Close()
	_ = host.SetReadDeadline(time.Unix(1, 0)) // ends the reading, and leaves the host open for the problem
	both.Wait()
	return err
}

func copyBytes(to io.Writer, from io.Reader, whose string) error {
	if _, err := io.Copy(to, from); err != nil {
		return err
	}
	return fmt.Errorf("%s went away", whose)
}

// problemPrefix begins the problem that a relay sends before it closes the link: firmware/PROTOCOL.md. It is not in any
// frame: a frame's first byte is at most 66.
const problemPrefix = "\x00problem "

func appendProblem(to []byte, err error) []byte {
	return append(to, problemPrefix+strings.ReplaceAll(err.Error(), "\n", " ")+"\n"...)
}

// relayedLink is a link through a relay. When it ends, reading returns the problem that the relay sent, if it did.
type relayedLink struct {
	io.ReadWriteCloser
	tail []byte // what was read last
}

// Write writes to the board. What a relay that has closed the link can no longer take is lost, as what was on its way
// is: that is no error here, as only reading can say why it closed.
func (r *relayedLink) Write(p []byte) (int, error) {
	n, err := r.ReadWriteCloser.Write(p)
	if closed := new(spawn.ClosedError); errors.As(err, &closed) {
		return len(p), nil
	}
	return n, err
}

// maxProblem is ample for a relay's problem.
const maxProblem = 2048

// Read reads what comes from the board.
func (r *relayedLink) Read(p []byte) (int, error) {
	n, err := r.ReadWriteCloser.Read(p)
	r.tail = append(r.tail, p[:n]...)
	r.tail = r.tail[max(0, len(r.tail)-maxProblem):]
	if err == nil {
		return n, nil
	}
	at := bytes.LastIndex(r.tail, []byte(problemPrefix))
	if at < 0 || r.tail[len(r.tail)-1] != '\n' {
		return n, err
	}
	return n, errors.New(string(r.tail[at+len(problemPrefix) : len(r.tail)-1]))
}
