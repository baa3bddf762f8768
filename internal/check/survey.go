package check

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"os"
	"path/filepath"
	"syscall"

	"stillwater/internal/bootclock"
	"stillwater/internal/config"
	"stillwater/internal/gpioboard"
	"stillwater/internal/gpiochip"
	"stillwater/internal/journal"
	"stillwater/internal/page"
	"stillwater/internal/realtime"
	"stillwater/internal/serialboard"
	"stillwater/internal/tether"
	"stillwater/internal/wiring"
)

// site is what the examinations look at: a configuration and the machine as it was found.
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
	folder   place // for the camera's files
	camera   error // why the connected camera cannot be read
	serial   place // the port of a serial board
	probe    serialProbe

	deviceless bool // the configuration is the installed service's, which has no devices
}

// Files of the installed service: what it reads, its unit, and what lets it open the camera's devices.
const (
	serviceConfig = "/etc/stillwater/stillwater.toml"
	serviceUnit   = "/usr/lib/systemd/system/stillwater.service"
	serviceCamera = "/etc/systemd/system/stillwater.service.d/camera.conf"
)

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
	undebounced []wiring.Input // whose chip refused that
}

// survey looks at the machine, as far as the configuration needs it.
func survey(ctx context.Context, conf config.Config, o Options) site {
	s := site{conf: conf, clock: bootclock.Read()}
	s.listen = portFree(ctx, conf.Listen)
	s.ours = errors.Is(s.listen, syscall.EADDRINUSE) && page.IsServing(ctx, conf.Listen)
	if s.journal = journalPlace(conf.Journal, o.Getenv); s.journal.err == nil {
		s.record = journal.Examine(s.journal.path)
	}
	switch b := conf.Board; b.Kind {
	case config.GPIO:
		s.gpio = gpiochip.Inspect()
		s.mappable = gpiochip.Mappable(s.gpio.Host, outputLines(s.gpio, b))
		s.trial = tryInputs(s.gpio, b)
		s.limits = realtime.Probe(realtime.Want{Priority: b.Priority, CPU: b.CPU})
	case config.Serial:
		s.serial = serialPlace(b)
		s.probe = probeBoard(ctx, conf, o.Listening)
	}
	if conf.Camera.Folder != "" {
		s.folder = cameraPlace(conf.Camera)
	}
	if conf.Camera.Port != "" {
		_, s.camera = tether.Find(conf.Camera.Port)
		s.deviceless = conf.Path == serviceConfig && isFile(serviceUnit) && !isFile(serviceCamera)
	}
	if conf.Board.Socket != "" {
		s.socket = placeAt(conf.Board.Socket)
	}
	return s
}

// serialPlace looks at the port of a serial board, or at the only one that is plugged in.
func serialPlace(b config.Board) place {
	port, err := serialboard.FindPort(b, "")
	if err != nil {
		return place{path: "port", err: err}
	}
	return placeAt(port)
}

func portFree(ctx context.Context, address string) error {
	listener, err := new(net.ListenConfig).Listen(ctx, "tcp", address)
	if err != nil {
		return err
	}
	return listener.Close()
}

// journalPlace looks at the journal's file or, before there is one, at the folder it will be made in.
func journalPlace(path string, getenv func(string) string) place {
	path, err := journal.PathOr(path, getenv)
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
		p.err = checkSidecars(path)
	}
	return p
}

// checkSidecars says why this user cannot use what a journal's file has beside it.
func checkSidecars(path string) error {
	for _, beside := range []string{filepath.Dir(path), path + "-wal", path + "-shm", path + ".lock"} {
		if err := usable(beside); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return fmt.Errorf("%s: %w", beside, err)
		}
	}
	return nil
}

// cameraPlace looks at the folder for the camera's files or, if it will be made, at that it will be made in. Without a
// port nothing is written there.
func cameraPlace(c config.Camera) place {
	p := placeAt(c.Folder)
	switch {
	case c.Port != "" && errors.Is(p.err, fs.ErrNotExist):
		return placeAt(filepath.Dir(c.Folder))
	case c.Port == "" && p.mode.IsDir():
		folder, err := os.Open(c.Folder)
		if p.err = err; err == nil {
			folder.Close()
		}
	}
	return p
}

func placeAt(path string) place {
	p := place{path: path}
	info, err := os.Stat(path)
	if err != nil {
		p.err = err
		return p
	}
	p.mode = info.Mode()
	p.err = usable(path)
	return p
}

func isFile(path string) bool {
	_, err := os.Stat(path)
	return err == nil
}

func outputLines(m gpiochip.Machine, b config.Board) (lines []gpiochip.LineInfo) {
	for _, o := range b.Outputs {
		if l, err := gpioboard.FindLine(m, o.Line); err == nil {
			lines = append(lines, l)
		}
	}
	return lines
}

// tryInputs requests the inputs that are free, as the board would, and releases them.
func tryInputs(m gpiochip.Machine, b config.Board) (t trial) {
	var request []gpiochip.InputRequest
	var requested []wiring.Input
	taken := map[gpiochip.LineInfo]bool{}
	for _, in := range b.Inputs {
		l, err := gpioboard.FindLine(m, in.Line)
		if err != nil || l.Used || taken[l] {
			continue
		}
		taken[l] = true
		request = append(request, gpiochip.InputRequest{Line: l, Bias: gpioboard.InputBias(in.Bias), Debounce: in.Debounce})
		requested = append(requested, in)
	}
	if len(request) == 0 {
		return t
	}
	held, err := gpiochip.OpenInputs(gpioboard.Consumer+" check", request)
	if err != nil {
		t.refused = err
		return t
	}
	for _, i := range held.Undebounced() {
		t.undebounced = append(t.undebounced, requested[i])
	}
	t.refused = held.Close()
	return t
}
