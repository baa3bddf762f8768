package main

import (
	"context"
	"fmt"
	"io"
	"strconv"
	"strings"
	"sync"

	"stillwater/internal/board"
	"stillwater/internal/config"
	"stillwater/internal/render"
	"stillwater/internal/spawn"
)

// latenessAbout is what was measured, and on what.
type latenessAbout struct {
	Output  string   // what was switched
	Input   string   // what it was wired back to; "" nothing
	Drive   string   // how
	Granted string   // by the system, to the board's thread
	Missing []string // and what was not, with remedies
	Load    string   // "" none
	Peer    string   // "" none
	System  string   // kernel
}

// latenessTools starts the board process, and the load.
func (m *Main) latenessTools(ctx context.Context, o *latenessOptions, cfg config.Config) (latenessTools, error) {
	about := latenessAbout{Output: "nothing (a board without pins)", Drive: "none", System: system()}
	if o.config != "" && cfg.Board.Kind == config.Serial {
		return m.latenessOnSerial(ctx, o, cfg, about)
	}
	bench := &latenessBench{interval: o.interval, output: -1, input: -1, progress: m.latenessProgress(o.count)}
	args := []string{"board", "--null", "--priority", strconv.Itoa(o.priority), "--cpu", strconv.Itoa(o.cpu)}
	if o.config != "" {
		if err := bench.choose(o, cfg.Board); err != nil {
			return latenessTools{}, err
		}
		about.Output, about.Input = strconv.Quote(o.output), o.input
		args = []string{"board", "--config", cfg.Path, "--sum", cfg.Sum}
		o.priority, o.cpu = cfg.Board.Priority, cfg.Board.CPU
		fmt.Fprintf(m.Stderr, "This switches output %q, which is connected to whatever hangs on it, %d times, one in %v. "+
			"Interrupt it (Ctrl-C) to stop.\n", o.output, o.count, restOf(cfg.Board.Outputs[bench.output].Kind))
	}
	tools := latenessTools{measure: bench.measure}
	load, err := o.startLoad(ctx)
	if err != nil {
		return tools, err
	}
	about.Load = load.name
	words := &boardWords{rest: m.Stderr}
	process, err := spawn.Start(spawn.Command{Args: args, Stderr: words})
	if err != nil {
		load.stop()
		return tools, err
	}
	if bench.client, err = board.Dial(ctx, process, board.Options{}); err != nil {
		load.stop()
		if o.config != "" {
			err = fmt.Errorf("%w (if the daemon or a board service is running, it holds the outputs: stop it first)", err)
		}
		return tools, err
	}
	if o.peer {
		tools.peer = o.cyclictest
		about.Peer = "cyclictest"
	}
	tools.about = func() latenessAbout {
		words.fill(&about)
		return about
	}
	tools.close = func() error {
		load.stop()
		return bench.client.Close()
	}
	return tools, nil
}

// choose finds the output and the input by their names.
func (b *latenessBench) choose(o *latenessOptions, cfg config.Board) error {
	var outputs, inputs []string
	for i, out := range cfg.Outputs {
		outputs = append(outputs, out.Name)
		if out.Name == o.output {
			b.output = i
		}
	}
	for i, in := range cfg.Inputs {
		inputs = append(inputs, in.Name)
		if in.Name == o.input {
			b.input = i
		}
	}
	if b.output < 0 {
		return fmt.Errorf("%w: lateness: --output %q: the configuration has %s", errUsage, o.output, list(outputs))
	}
	if o.input != "" && b.input < 0 {
		return fmt.Errorf("%w: lateness: --input %q: the configuration has %s", errUsage, o.input, list(inputs))
	}
	if b.input >= 0 && cfg.Inputs[b.input].Role == config.Kill {
		return fmt.Errorf("%w: lateness: --input %q is the kill switch, whose edges stop the board: wire the output back to "+
			"another", errUsage, o.input)
	}
	return nil
}

func list(names []string) string {
	if len(names) == 0 {
		return "none"
	}
	return strings.Join(names, ", ")
}

// latenessProgress shows how far it is, to somebody who looks.
func (m *Main) latenessProgress(of int) func(int) {
	if !render.IsTerminal(m.Stderr) {
		return func(int) {}
	}
	return func(done int) {
		fmt.Fprintf(m.Stderr, "\r%d of %d pulses", done, of)
		if done >= of {
			fmt.Fprint(m.Stderr, "\r\x1b[K")
		}
	}
}

// boardWords takes what the board process says: what the system granted goes into the report, the rest to rest.
type boardWords struct {
	mu      sync.Mutex
	line    []byte
	granted string
	missing []string
	drive   string
	rest    io.Writer
}

// longestWords is how much of a line is waited for; a longer one is passed on in parts.
const longestWords = 4 << 10

// Write takes pieces of lines.
func (w *boardWords) Write(p []byte) (int, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	for _, b := range p {
		if b == '\n' || len(w.line) == longestWords {
			w.take(string(w.line))
			w.line = w.line[:0]
		}
		if b != '\n' {
			w.line = append(w.line, b)
		}
	}
	return len(p), nil
}

func (w *boardWords) take(line string) {
	if _, granted, ok := strings.Cut(line, saysGranted); ok {
		w.granted = granted
	} else if _, missing, ok := strings.Cut(line, saysMissing); ok {
		w.missing = append(w.missing, missing)
	} else if _, drive, ok := strings.Cut(line, saysDrive); ok {
		w.drive = drive
	} else {
		fmt.Fprintln(w.rest, line)
	}
}

func (w *boardWords) fill(a *latenessAbout) {
	w.mu.Lock()
	defer w.mu.Unlock()
	a.Granted, a.Missing = w.granted, w.missing
	if w.drive != "" {
		a.Drive = w.drive
	}
}
