package main

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
)

// relayPause is how often the relay looks for a host and shows that it lives.
const relayPause = 50 * time.Millisecond

// relay is the board's service when the board is on a serial port: it alone may open that, and hands bytes on between
// it and one host at a time. It understands none of them. The board has its own limits, and disarms by itself when the
// bytes stop.
type relay struct {
	conf    config.Board
	door    hosts
	manager *service.Manager
	port    string // on which a board was last
}

// relayBoard serves hosts one after the other until ctx is done.
func (m *Main) relayBoard(ctx context.Context, f *boardFlags, cfg config.Config) (err error) {
	r := relay{conf: cfg.Board}
	if r.door, err = openHosts(f.listen, cfg.Sum, m.Getenv); err != nil {
		return fmt.Errorf("board: %w", err)
	}
	defer r.door.close()
	if r.door.door == nil {
		return fmt.Errorf("%w: board: the daemon opens a serial board's port itself; to have a service do it, give it a "+
			"socket with --listen PATH and name that in the configuration", errUsage)
	}
	if r.manager, err = service.Find(m.Getenv); err != nil {
		slog.Warn("board: " + err.Error())
	}
	defer func() { err = errors.Join(err, r.manager.Stopping(), r.manager.Close()) }()
	_ = r.manager.Ready("waiting for Stillwater's page")
	for ctx.Err() == nil {
		r.live()
		guest, ok := r.door.door.Guest()
		if !ok {
			time.Sleep(relayPause)
			continue
		}
		slog.Info("board: a host came: " + guest.Who)
		why := r.serve(ctx, os.NewFile(uintptr(guest.Fd), "host"))
		r.door.door.Free()
		slog.Info("board: the host is gone", "why", why)
		_ = r.manager.Status("waiting for Stillwater's page; before: " + why.Error())
	}
	return nil
}

// live shows the service manager that this process works.
func (r *relay) live() { _ = r.manager.Alive() }

// errStopping ends what is being served.
var errStopping = errors.New("the service is stopping")

// serve hands bytes on until either side ends, and says which and why. It closes both. Trouble with the port is told to
// the host too.
func (r *relay) serve(ctx context.Context, host *os.File) error {
	defer host.Close()
	err := r.between(ctx, host)
	if trouble := new(serialport.Error); errors.As(err, &trouble) {
		_ = host.SetWriteDeadline(time.Now().Add(relayPause))
		_, _ = host.Write(appendTrouble(nil, trouble)) // if it does not hear, the log says so
	}
	return err
}

// between opens the port and hands bytes on.
func (r *relay) between(ctx context.Context, host *os.File) error {
	path, err := portOf(r.conf, r.port)
	if err != nil {
		return err
	}
	port, err := serialport.Open(path, r.conf.Baud)
	if err != nil {
		return err
	}
	r.port = path
	_ = r.manager.Status("handing on between the page and " + path)
	ended := make(chan error, 2)
	var both sync.WaitGroup
	both.Go(func() { ended <- handOn(port, host, "the host") })
	both.Go(func() { ended <- handOn(host, port, "the board") })
	life := time.NewTicker(relayPause)
	defer life.Stop()
	for err = nil; err == nil; {
		select {
		case err = <-ended:
		case <-ctx.Done():
			err = errStopping
		case <-life.C:
			r.live()
		}
	}
	port.Close()
	_ = host.SetReadDeadline(time.Unix(1, 0)) // ends the reading, and leaves it open for a last word
	both.Wait()
	return err
}

func handOn(to io.Writer, from io.Reader, whose string) error {
	if _, err := io.Copy(to, from); err != nil {
		return err
	}
	return fmt.Errorf("%s went away", whose)
}

// troubled begins what a relay says to its host before it closes the link. No frame has it in it: a frame's first byte
// is at most 66.
const troubled = "\x00trouble "

func appendTrouble(to []byte, err error) []byte {
	return append(to, troubled+strings.ReplaceAll(err.Error(), "\n", " ")+"\n"...)
}

// relayed is a link through a relay. When it ends, reading says what the relay said of the reason.
type relayed struct {
	io.ReadWriteCloser
	last []byte // read
}

// mostTrouble is ample for what a relay says.
const mostTrouble = 2048

// Read reads what comes from the board.
func (r *relayed) Read(p []byte) (int, error) {
	n, err := r.ReadWriteCloser.Read(p)
	r.last = append(r.last, p[:n]...)
	r.last = r.last[max(0, len(r.last)-mostTrouble):]
	if err == nil {
		return n, nil
	}
	at := bytes.LastIndex(r.last, []byte(troubled))
	if at < 0 || r.last[len(r.last)-1] != '\n' {
		return n, err
	}
	return n, errors.New(string(r.last[at+len(troubled) : len(r.last)-1]))
}
