package main

import (
	"cmp"
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"time"

	"stillwater/internal/commandline"
	"stillwater/internal/config"
	"stillwater/internal/journal"
	"stillwater/internal/lateness/bench"
	"stillwater/internal/render"
)

// latenessOptions are the flags of "lateness".
type latenessOptions struct {
	run  bench.Options
	json bool

	config, output, input string // a real output, and the input that it is looped back to

	journal string
	kind    string
	sets    []string // field=value
}

// errLate says that the lateness measured is not good enough for the plan.
var errLate = errors.New("not good enough")

// lateness measures how late the board process switches on this machine.
func (m *Main) lateness(ctx context.Context, args []string) error {
	o, flags := latenessFlags()
	switch err := commandline.Parse(flags, args); {
	case errors.Is(err, flag.ErrHelp):
		latenessHelp(m.Stdout, flags)
		return err
	case err != nil:
		return err
	}
	if err := o.check(flags); err != nil {
		return err
	}
	cfg, err := o.readConfig()
	if err != nil {
		return err
	}
	// An error says that there is no home, so nothing was recorded there.
	path, _ := journal.PathOr(cmp.Or(o.journal, cfg.Journal), m.Getenv)
	o.run.Plan, err = bench.FindPlan(ctx, bench.PlanOptions{Kind: o.kind, Fields: o.sets, Journal: path,
		Given: o.journal != "", Limit: cfg.Board.Late})
	if err != nil {
		return err
	}
	o.run.Progress = render.Progress(m.Stderr, o.run.Count, "pulses")
	client, err := o.run.Open(ctx, bench.Pins{Config: cfg, Output: o.output, Input: o.input}, m.Stderr)
	if err != nil {
		return err
	}
	report, err := bench.Run(ctx, client, o.run)
	if err = errors.Join(err, client.Close()); err != nil {
		return fmt.Errorf("lateness: %w", err)
	}
	return m.answerLateness(report, o.json)
}

// answerLateness writes the report; errLate says that it is a bad one.
func (m *Main) answerLateness(r *bench.Report, asJSON bool) error {
	var err error
	if asJSON {
		err = render.JSON(m.Stdout, r.JSON())
	} else {
		err = r.Write(m.Stdout)
	}
	if err == nil && !r.Verdict.Good {
		err = errLate
	}
	if err != nil {
		return fmt.Errorf("lateness: %w", err)
	}
	return nil
}

func latenessFlags() (*latenessOptions, *flag.FlagSet) {
	o, flags := &latenessOptions{}, flag.NewFlagSet("lateness", flag.ContinueOnError)
	flags.SetOutput(io.Discard)
	flags.IntVar(&o.run.Count, "count", 5000, "pulses to measure")
	flags.DurationVar(&o.run.Interval, "interval", time.Millisecond,
		"mean time from pulse to pulse, here and in cyclictest")
	flags.BoolVar(&o.run.Load, "load", false,
		"keep the machine busy: with stress-ng if it is installed, else with busy loops")
	flags.BoolVar(&o.run.Pictures, "pictures", false,
		"render pictures of the simulated camera beside it, as the page does")
	flags.BoolVar(&o.run.Frames, "frames", false, "examine a camera's frames beside it, as with a watched folder")
	flags.BoolVar(&o.run.Peer, "peer", false, "run cyclictest (Debian: rt-tests) in turn with it, and compare")
	flags.IntVar(&o.run.Rounds, "rounds", 5, "with --peer: turns for each of the two")
	flags.BoolVar(&o.json, "json", false, "one JSON object, keys with units")
	flags.IntVar(&o.run.Priority, "priority", config.DefaultPriority, "real-time priority to ask for, 0 for none")
	flags.IntVar(&o.run.CPU, "cpu", config.AnyCPU, "processor to run on, -1 for any")
	flags.Uint64Var(&o.run.Seed, "seed", 1, "seed of the random times between pulses")
	flags.StringVar(&o.config, "config", "",
		"switch a real output of the board in this configuration `FILE`; needs --output")
	flags.StringVar(&o.output, "output", "", "with --config: `NAME` of the output to switch")
	flags.StringVar(&o.input, "input", "", "with --output: `NAME` of the input that it is wired back to")
	flags.StringVar(&o.journal, "journal", "",
		"compare with the latest plan in this journal `FILE` (default: in the user's state folder)")
	flags.StringVar(&o.kind, "plan", "", "compare with the default set of this `KIND`: one of drop, throw, sound")
	flags.Func("set", "change the plan to compare with: `FIELD=VALUE`, like throw.gate=10cm; may be repeated",
		func(s string) error { o.sets = append(o.sets, s); return nil })
	return o, flags
}

func latenessHelp(w io.Writer, flags *flag.FlagSet) {
	fmt.Fprint(w, `stillwater lateness measures how late the board process switches on this machine. It runs the real
process and its real loop, and switches no pin unless --config and --output are given.

`)
	commandline.Print(w, flags)
	fmt.Fprint(w, `
Exit status: 0 good enough for the plan, 1 not good enough or not measured, 2 wrong usage.
`)
}

// check refuses what makes no sense, by the flag's name.
func (o *latenessOptions) check(flags *flag.FlagSet) error {
	given := map[string]bool{}
	flags.Visit(func(f *flag.Flag) { given[f.Name] = true })
	bad := func(format string, args ...any) error {
		return fmt.Errorf("%w: lateness: "+format, append([]any{errUsage}, args...)...)
	}
	switch {
	case flags.NArg() > 0:
		return bad("unexpected argument %q; every value is given by its flag, like --count 1000", flags.Arg(0))
	case given["rounds"] && o.run.Rounds > o.run.Count:
		return bad("--rounds %d: give no more than --count, %d", o.run.Rounds, o.run.Count)
	case given["rounds"] && !o.run.Peer:
		return bad("--rounds is for taking turns with --peer; leave it out, or add --peer")
	case o.config == "" && (o.output != "" || o.input != ""):
		return bad("--output and --input are names in a configuration: add --config FILE, or leave them out")
	case o.config != "" && o.output == "":
		return bad("--config switches a real output; say which may be switched with --output NAME, or leave --config out")
	case o.config != "" && (given["priority"] || given["cpu"]):
		return bad("--priority and --cpu are in [board] of --config FILE; leave them out")
	}
	if err := o.run.Check(); err != nil {
		return bad("%w", err)
	}
	return nil
}

// readConfig is the configuration with a real output, or the one in use here, which says where the journal is.
func (o *latenessOptions) readConfig() (config.Config, error) {
	if o.config == "" {
		cfg, err := config.Find("")
		if err != nil { // whatever is wrong with it, nothing of it is switched
			return config.Default(), nil
		}
		return cfg, nil
	}
	cfg, err := config.Find(o.config)
	if err != nil {
		return cfg, err
	}
	if cfg.Board.Kind == config.Simulated {
		return cfg, fmt.Errorf("%w: lateness: --config: %s has no board with pins; leave --config out", errUsage, cfg.Path)
	}
	return cfg, nil
}
