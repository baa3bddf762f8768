package setup

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os/exec"
	"strings"

	"stillwater/internal/config"
	"stillwater/internal/gpiochip"
	"stillwater/internal/lateness/bench"
	"stillwater/internal/page"
	"stillwater/internal/serialboard"
	"stillwater/internal/serialport"
)

// Flags declares a flag for each option and each answer.
func Flags(flags *flag.FlagSet) *Options {
	o := &Options{Given: map[string]string{}}
	flags.StringVar(&o.Path, "config", "", "configuration `FILE` (default: the one that is found, or a new one)")
	flags.StringVar(&o.Drawing, "drawing", "", "write the wiring as a drawing to this `FILE`, SVG")
	flags.BoolVar(&o.Yes, "yes", false, "ask nothing and try nothing")
	flags.BoolVar(&o.Dry, "dry-run", false, "show what would be written, and write nothing")
	flags.BoolVar(&o.NoTrial, "no-trial", false, "try nothing")
	given := func(name string, check func(string) error) func(string) error {
		return func(text string) error {
			o.Given[name] = text
			return check(text)
		}
	}
	flags.Func("board", "what has the pins: `KIND`, gpio, serial or simulated", given("board", func(text string) error {
		_, err := ParseBoard(text)
		return err
	}))
	for _, p := range Parts() {
		flags.Func(p.Name, "`PIN` of the "+p.What+" ("+p.Pin+")", given(p.Name, func(text string) error {
			_, err := p.ParsePin(text)
			return err
		}))
	}
	return o
}

// ThisMachine is the machine that this runs on; log gets what a board process says.
func ThisMachine(out, log io.Writer) Machine {
	return Machine{Out: out, HasPin: hasPin, HasPort: hasPort, Running: page.IsServing, Service: systemctl,
		Dial: func(ctx context.Context, conf config.Config) (Board, error) {
			if conf.Board.Kind == config.Serial {
				conf.Board.Socket = "" // the board is asked directly
				return (&serialboard.Dialer{Config: conf}).Dial(ctx)
			}
			client, _, err := bench.StartBoard(ctx, []string{"board", "--config", conf.Path, "--sum", conf.Sum}, log)
			return client, err
		}}
}

// hasPin reports whether this machine has a pin of that name.
func hasPin(name string) bool {
	_, err := gpiochip.Inspect().FindPin(name)
	return err == nil
}

// hasPort reports whether a USB serial port is there, or several are.
func hasPort() bool {
	_, err := serialport.Find()
	return err == nil || errors.Is(err, serialport.ErrSeveral)
}

// systemctl stops or starts the installed services.
func systemctl(ctx context.Context, verb string) error {
	out, err := exec.CommandContext(ctx, "systemctl", verb, "stillwater.service").CombinedOutput()
	if err != nil {
		return fmt.Errorf("systemctl %s stillwater: %w: %s", verb, err, strings.TrimSpace(string(out)))
	}
	return nil
}
