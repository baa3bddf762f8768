package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"time"

	"stillwater/internal/bootclock"
	"stillwater/internal/config"
	"stillwater/internal/gpioboard"
	"stillwater/internal/gpiochip"
	"stillwater/internal/journal"
	"stillwater/internal/realtime"
)

// site is all that check judges: a configuration and the machine as it was found.
type site struct {
	conf     config.Config
	gpio     gpiochip.Machine
	mappable error           // why the outputs cannot be mapped
	trial    trial           // what came of asking for the inputs
	limits   realtime.Report // of this user
	clock    bootclock.Reading
	listen   error // why the page cannot have its port
	ours     bool  // a page of ours has it
	journal  place
	record   error // why the file there cannot be the journal
	socket   place // of the board's service
	serial   place // the port of a serial board
	asked    asked // what that board said
}

// place is a file, a device or a folder that is needed.
type place struct {
	path string
	mode fs.FileMode // 0 if it is not there
	err  error       // why this user cannot use it
	free uint64      // bytes, where that matters
}

// trial is what the chips said to the inputs that were free.
type trial struct {
	refused     error
	undebounced []config.Input // whose chip refused that
}

// survey looks at the machine, as far as the configuration needs it.
func (m *Main) survey(ctx context.Context, conf config.Config) site {
	s := site{conf: conf, clock: bootclock.Read()}
	s.listen = portFree(ctx, conf.Listen)
	s.ours = errors.Is(s.listen, syscall.EADDRINUSE) && pageAnswers(ctx, conf.Listen)
	if s.journal = m.journalPlace(conf.Journal); s.journal.err == nil {
		s.record = journal.Examine(s.journal.path)
	}
	switch b := conf.Board; b.Kind {
	case config.GPIO:
		s.gpio = gpiochip.Look()
		s.mappable = gpiochip.Mappable(s.gpio.Host, outputLines(s.gpio, b))
		s.trial = tryInputs(s.gpio, b)
		s.limits = realtime.Probe(realtime.Want{Priority: b.Priority, CPU: b.CPU})
	case config.Serial:
		s.serial = serialPlace(b.Port)
		s.asked = m.ask(ctx, conf)
	}
	if conf.Board.Socket != "" {
		s.socket = placeAt(conf.Board.Socket)
	}
	return s
}

// serialPlace looks at the port of a serial board, or at the only one that is plugged in.
func serialPlace(port string) place {
	const plugged = "/dev/serial/by-id"
	if port != "" {
		return placeAt(port)
	}
	ports, _ := filepath.Glob(plugged + "/*") // the pattern is a good one
	if len(ports) == 1 {
		return placeAt(ports[0])
	}
	return place{path: plugged, err: severalPorts(len(ports))}
}

// severalPorts is how many there are to choose from: none is as good as a port that is not there.
type severalPorts int

func (n severalPorts) Error() string { return fmt.Sprintf("%d ports are plugged in", int(n)) }

// Is makes none the same as a port that does not exist.
func (n severalPorts) Is(target error) bool { return n == 0 && target == fs.ErrNotExist }

// places says where a configuration is looked for.
func places() string { return strings.Join(config.Places(), ", ") }

func portFree(ctx context.Context, address string) error {
	listener, err := new(net.ListenConfig).Listen(ctx, "tcp", address)
	if err != nil {
		return err
	}
	return listener.Close()
}

// pageTitle is how a page of ours begins.
const pageTitle = "<title>Stillwater</title>"

// pageAnswers reports whether a page of ours is at this address.
func pageAnswers(ctx context.Context, address string) bool {
	const patience, enough = 2 * time.Second, 4 << 10
	host, port, err := net.SplitHostPort(address)
	if err != nil {
		return false
	}
	if ip := net.ParseIP(host); host == "" || ip != nil && ip.IsUnspecified() {
		host = "127.0.0.1"
	}
	ctx, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	ask, err := http.NewRequestWithContext(ctx, http.MethodGet, "http://"+net.JoinHostPort(host, port)+"/", http.NoBody)
	if err != nil {
		return false
	}
	answer, err := http.DefaultClient.Do(ask)
	if err != nil {
		return false
	}
	defer answer.Body.Close()
	text, _ := io.ReadAll(io.LimitReader(answer.Body, enough)) // what came is judged
	return strings.Contains(string(text), pageTitle)
}

// journalPlace looks at the journal's file or, before there is one, at the folder it will be made in.
func (m *Main) journalPlace(path string) place {
	path, err := journal.PathOr(path, m.Getenv)
	if err != nil {
		return place{path: "journal", err: err}
	}
	at := path
	for {
		_, err := os.Stat(at)
		if err == nil || !errors.Is(err, fs.ErrNotExist) || filepath.Dir(at) == at {
			break
		}
		at = filepath.Dir(at)
	}
	p := placeAt(at)
	p.path = path
	p.free, _ = freeSpace(at) // of no interest where it is not known
	if p.err == nil && at == path {
		p.err = besideUsable(path)
	}
	return p
}

// besideUsable says why this user cannot use what a journal's file has beside it.
func besideUsable(path string) error {
	for _, beside := range []string{filepath.Dir(path), path + "-wal", path + "-shm", path + ".lock"} {
		if err := checkUsable(beside); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return fmt.Errorf("%s: %w", beside, err)
		}
	}
	return nil
}

func placeAt(path string) place {
	p := place{path: path}
	info, err := os.Stat(path)
	if err != nil {
		p.err = err
		return p
	}
	p.mode = info.Mode()
	p.err = checkUsable(path)
	return p
}

func outputLines(m gpiochip.Machine, b config.Board) (lines []gpiochip.Line) {
	for _, o := range b.Outputs {
		if l, err := gpioboard.FindLine(m, o.Line); err == nil {
			lines = append(lines, l)
		}
	}
	return lines
}

// tryInputs asks for the inputs that are free, as the board would, and lets them go.
func tryInputs(m gpiochip.Machine, b config.Board) (t trial) {
	var ask []gpiochip.Input
	var asked []config.Input
	taken := map[spot]bool{}
	for _, in := range b.Inputs {
		l, err := gpioboard.FindLine(m, in.Line)
		if err != nil || l.Used || taken[spotOf(l)] {
			continue
		}
		taken[spotOf(l)] = true
		ask = append(ask, gpiochip.Input{Line: l, Bias: gpioboard.InputBias(in.Bias), Debounce: in.Debounce})
		asked = append(asked, in)
	}
	if len(ask) == 0 {
		return t
	}
	held, err := gpiochip.OpenInputs(gpioboard.Consumer+" check", ask)
	if err != nil {
		t.refused = err
		return t
	}
	for _, i := range held.Undebounced() {
		t.undebounced = append(t.undebounced, asked[i])
	}
	t.refused = held.Close()
	return t
}
