package bench

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strconv"
	"time"

	"stillwater/internal/board"
	"stillwater/internal/commandline"
	"stillwater/internal/config"
	"stillwater/internal/control"
	"stillwater/internal/serialboard"
	"stillwater/internal/wiring"
)

// Pins are what to switch: an output of a configured board, and the input that it is wired back to, "" for none.
// Without an output nothing is switched.
type Pins struct {
	Config        config.Config
	Output, Input string
}

// Open starts or dials the board to measure, and notes in o what it is. log gets what a board process logs, and what
// is going to be switched.
func (o *Options) Open(ctx context.Context, p Pins, log io.Writer) (*board.Client, error) {
	o.Output, o.Input = NoPin, NoPin
	switch {
	case p.Output == "":
		o.Setup.Output = "nothing (a board without pins)"
		return o.start(ctx, log, "--null", "--priority", strconv.Itoa(o.Priority), "--cpu", strconv.Itoa(o.CPU))
	case p.Config.Board.Kind == config.Serial:
		return o.dial(ctx, p, log)
	}
	if err := o.choose(p.Config.Board, p); err != nil {
		return nil, err
	}
	o.Priority, o.CPU = p.Config.Board.Priority, p.Config.Board.CPU
	o.announce(log, p, RestOf(p.Config.Board.Outputs[o.Output].Kind), " Interrupt it (Ctrl-C) to stop.")
	client, err := o.start(ctx, log, "--config", p.Config.Path, "--sum", p.Config.Sum)
	if err != nil {
		err = fmt.Errorf("%w (if the daemon or a board service is running, it holds the outputs: stop it first)", err)
	}
	return client, err
}

// start starts a board process.
func (o *Options) start(ctx context.Context, log io.Writer, args ...string) (*board.Client, error) {
	client, status, err := StartBoard(ctx, append([]string{"board"}, args...), log)
	o.Setup.Drive, o.Setup.Granted, o.Setup.Missing = status.Drive, status.Granted, status.Missing
	return client, err
}

// dial dials a board on a serial port, which has its pins built in. It is measured by its own clock: a wire from an
// output to an input shows how well the chip keeps to its plan, and nothing of how fast its clock is, which stillwater
// check shows.
func (o *Options) dial(ctx context.Context, p Pins, log io.Writer) (*board.Client, error) {
	if o.Peer {
		return nil, fmt.Errorf("%w: lateness: --peer compares with what this machine can do, and a board on a serial port "+
			"times by itself: leave it out", commandline.ErrUsage)
	}
	dialer := &serialboard.Dialer{Config: p.Config}
	client, err := dialer.Dial(ctx)
	if err != nil {
		return nil, err
	}
	if err := o.prepare(ctx, client, p, log); err != nil {
		return nil, errors.Join(err, client.Close())
	}
	return client, nil
}

// prepare chooses the pins of a board that announced them, and disarms it.
func (o *Options) prepare(ctx context.Context, client *board.Client, p Pins, log io.Writer) error {
	id := client.Identity()
	if err := o.choose(announcedPins(p.Config.Board, id), p); err != nil {
		return err
	}
	o.Setup.Drive, o.Setup.Granted = "a board of its own: "+id.Firmware, "nothing: the board needs nothing of this machine"
	o.announce(log, p, RestOf(id.Outputs[o.Output].Kind), "")
	// Whatever the board was doing before, it is at rest after this, and what it sent at its start is read.
	soon, cancel := context.WithTimeout(ctx, time.Second)
	defer cancel()
	return client.Disarm(soon)
}

func (o *Options) announce(log io.Writer, p Pins, interval time.Duration, more string) {
	fmt.Fprintf(log, "This switches output %q, which is connected to whatever hangs on it, %d times, one in %v.%s\n",
		p.Output, o.Count, interval, more)
}

// announcedPins are the pins that a board announced, as a configuration would have listed them.
func announcedPins(conf config.Board, id board.Identity) config.Board {
	conf.Inputs, conf.Outputs = nil, nil
	for _, in := range id.Inputs {
		conf.Inputs = append(conf.Inputs, wiring.Input{Name: in.Name, Role: control.RoleOf(in)})
	}
	for _, out := range id.Outputs {
		conf.Outputs = append(conf.Outputs, wiring.Output{Name: out.Name, Kind: out.Kind})
	}
	return conf
}
