// Command stillwater fires camera and flash at the moment a thrown or dropped liquid is in its best shape.
//
// Without a subcommand it runs the daemon: the page, the journal and a board, simulated unless a configuration names a
// real one. See "stillwater help".
package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/signal"
	"syscall"

	"stillwater/internal/care"
	"stillwater/internal/commandline"
	"stillwater/internal/gpioboard"
	"stillwater/internal/render"
)

// Main is the program with its surroundings passed in, so that a test can run it.
type Main struct {
	Stdin          io.Reader
	Stdout, Stderr io.Writer
	Getenv         func(string) string
	boardPins      gpioboard.Pins // of the board process; the zero value: lines of GPIO chips
}

// command is one subcommand: run gets the words after its name.
type command struct {
	name, summary string
	run           func(m *Main, ctx context.Context, args []string) error
}

// commands lists the subcommands in the order help shows them.
func commands() []command {
	return []command{
		{"drop", "when a falling drop's splash shows the chosen phase", (*Main).drop},
		{"throw", "when a throw passes the focus spot", (*Main).throw},
		{"sound", "how long a sound takes to reach the microphone", (*Main).sound},
		{"drops", "when valves open, and when their drops land and meet", (*Main).drops},
		{"light", "judge light, focus and framing, step by step", (*Main).light},
		{"rehearse", "make many tries in the simulated room, or the pictures that its camera takes", (*Main).rehearse},
		{"record", "list, show, find and export shots, and use a set again", (*Main).record},
		{"setup", "ask what is wired, write it into the configuration, and try it", (*Main).setup},
		{"frames", "match the camera's files to the shots, and make a contact sheet", (*Main).frames},
		{"pins", "show this machine's pins and what the configuration uses them for", (*Main).pins},
		{"check", "check the configuration against this machine", (*Main).check},
		{"lateness", "measure how late this machine switches", (*Main).lateness},
		{"flash", "put Stillwater's firmware on a board with an ATmega328P", (*Main).flash},
		{"pairing", "show the address of the installed service's page, and the code that pairs a phone", (*Main).pairing},
		{"board", "run a GPIO board (the daemon or the service manager starts it)", (*Main).board},
		{"version", "print the version", (*Main).version},
		{"help", "list the commands, or show the flags of one", (*Main).help},
	}
}

func main() {
	ctx, stop := untilStopped(context.Background())
	defer stop()
	m := &Main{Stdin: os.Stdin, Stdout: os.Stdout, Stderr: os.Stderr, Getenv: os.Getenv}
	os.Exit(m.Run(ctx, os.Args[1:]))
}

// untilStopped ends with the signals that ask a program to stop. A terminal that closes asks too, and so does its quit
// key, unless nohup or the shell says otherwise: without this they would end the daemon with no time to disarm, and to
// record the shot under way.
func untilStopped(ctx context.Context) (context.Context, context.CancelFunc) {
	stops := []os.Signal{os.Interrupt, syscall.SIGTERM}
	for _, s := range []os.Signal{syscall.SIGHUP, syscall.SIGQUIT} {
		if !signal.Ignored(s) {
			stops = append(stops, s)
		}
	}
	return signal.NotifyContext(ctx, stops...)
}

// errUsage marks errors in how the command was called: exit status 2.
var errUsage = commandline.ErrUsage

// exitStatus ends a command that has printed everything with an exit status of its own.
type exitStatus int

func (s exitStatus) Error() string { return fmt.Sprintf("exit status %d", int(s)) }

// Run carries out one command line and returns its exit status: 0 done, 1 failed, 2 wrong usage, or a command's own.
func (m *Main) Run(ctx context.Context, args []string) int {
	err := m.dispatch(ctx, args)
	var own exitStatus
	switch {
	case err == nil || errors.Is(err, flag.ErrHelp):
		return 0
	case errors.As(err, &own):
		return int(own)
	case errors.Is(err, errUsage):
		fmt.Fprintln(m.Stderr, "stillwater:", render.Printable(err.Error()))
		return 2
	default:
		fmt.Fprintln(m.Stderr, "stillwater:", render.Printable(err.Error()))
		return 1
	}
}

func (m *Main) dispatch(ctx context.Context, args []string) error {
	if len(args) == 0 {
		return m.daemon(ctx, nil)
	}
	for _, c := range commands() {
		if c.name == args[0] {
			return m.answer(ctx, c, args[1:])
		}
	}
	return m.daemon(ctx, args)
}

// answer runs a command, whose answer is what it was called for: one that is lost is a failure.
func (m *Main) answer(ctx context.Context, c command, args []string) error {
	out := commandline.NewOutput(m.Stdout)
	own := *m
	own.Stdout = out
	err := c.run(&own, ctx, args)
	if lost := out.Err(); lost != nil {
		return fmt.Errorf("%s: %w", c.name, lost)
	}
	return err
}

// help lists the commands, or says one command's flags.
func (m *Main) help(ctx context.Context, args []string) error {
	if len(args) > 0 && !isHelp(args[0]) {
		for _, c := range commands() {
			if c.name == args[0] {
				return c.run(m, ctx, []string{"-h"})
			}
		}
		if args[0] == "symptoms" {
			fmt.Fprint(m.Stdout, care.SymptomText())
			return nil
		}
		return fmt.Errorf("%w: there is no command %q; see stillwater help", errUsage, args[0])
	}
	fmt.Fprint(m.Stdout, `Stillwater fires camera and flash at the moment a thrown or dropped liquid is in its best shape.

  stillwater [flags]            run the page, the record and the board: simulated, unless a configuration names another
  stillwater COMMAND [flags]

`)
	rows := make([][]string, 0, len(commands()))
	for _, c := range commands() {
		rows = append(rows, []string{"  " + c.name, c.summary})
	}
	if err := render.Table(m.Stdout, []string{"  command", "what it does"}, rows); err != nil {
		return fmt.Errorf("help: %w", err)
	}
	fmt.Fprint(m.Stdout, "\nFlags without a command:\n\n")
	flags, _ := daemonFlagSet()
	commandline.Print(m.Stdout, flags)
	fmt.Fprint(m.Stdout, `
-h after a command shows its flags; stillwater help symptoms says what to do when nothing fires.
Quantities are written with their units: 40cm, 25ms, 20deg, 20C.
Low voltage only: 12 V DC or less, camera and flash through optocouplers, water away from electricity.
`)
	return nil
}

func (m *Main) version(_ context.Context, args []string) error {
	flags := flag.NewFlagSet("version", flag.ContinueOnError)
	flags.SetOutput(io.Discard)
	if err := m.onlyFlags(flags, args, "stillwater version prints the version.\n", "", ""); err != nil {
		return err
	}
	fmt.Fprintln(m.Stdout, "stillwater", version())
	return nil
}
