// Package bench measures how late a board switches, through the board protocol as a shot is fired: with the machine
// idle or under load, alone or in turn with cyclictest.
package bench

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"image"
	"io"
	"math/rand/v2"
	"time"

	"stillwater/internal/board"
	"stillwater/internal/config"
	"stillwater/internal/lateness"
	"stillwater/internal/spawn"
)

// Options say what to measure and what to compare it with.
type Options struct {
	Count    int           // pulses
	Rounds   int           // with Peer: how many turns each takes, at most Count
	Interval time.Duration // mean, from pulse to pulse; also the peer's
	Seed     uint64        // of the random times
	Load     bool          // keep the machine busy
	Pictures bool          // render pictures of the simulated camera beside it
	Frames   bool          // look at a camera's frames beside it
	Peer     bool          // run cyclictest in turn
	Priority int           // of the board's thread, for the peer: 0 none
	CPU      int           // and its processor, config.AnyCPU for any

	frame image.Point // of Frames, pixels; zero: 24 megapixels

	Output, Input int // NoPin: see Bench
	Progress      func(done int)
	Plan          Plan
	Setup         Setup // of the board; Run fills in the rest
}

// Bounds of what one measurement may be.
const (
	maxCount    = 10_000_000
	minInterval = 200 * time.Microsecond
	maxInterval = time.Second
	maxRounds   = 1000
	maxPriority = 99
)

// Check refuses what makes no sense, by the flag of "stillwater lateness".
func (o Options) Check() error {
	switch {
	case o.Count < 1 || o.Count > maxCount:
		return fmt.Errorf("--count %d: give a number from 1 to %d", o.Count, maxCount)
	case o.Interval < minInterval || o.Interval > maxInterval:
		return fmt.Errorf("--interval %v: give a time from %v to %v", o.Interval, minInterval, maxInterval)
	case o.Rounds < 1 || o.Rounds > maxRounds:
		return fmt.Errorf("--rounds %d: give a number from 1 to %d", o.Rounds, maxRounds)
	case o.Priority < 0 || o.Priority > maxPriority:
		return fmt.Errorf("--priority %d: give a number from 1 to %d, or 0 for none", o.Priority, maxPriority)
	case o.CPU < config.AnyCPU:
		return fmt.Errorf("--cpu %d: give the number of a processor, or -1 for any", o.CPU)
	}
	return nil
}

// StartBoard starts a board process with the arguments of its command, and waits until it answers. log gets what it
// logs.
func StartBoard(ctx context.Context, args []string, log io.Writer) (*board.Client, spawn.Status, error) {
	out, in := io.Pipe()
	process, err := spawn.Start(spawn.Command{Args: append(args, "--status"), Stdout: in, Stderr: log})
	if err != nil {
		return nil, spawn.Status{}, err
	}
	go func() {
		<-process.Done()
		in.Close()
	}()
	var status spawn.Status
	read := make(chan error, 1)
	go func() {
		read <- json.NewDecoder(out).Decode(&status)
		_, _ = io.Copy(io.Discard, out)
	}()
	client, err := board.Dial(ctx, process, board.Options{})
	if err != nil {
		return nil, spawn.Status{}, err
	}
	if err := <-read; err != nil { // it is written before the board answers
		return nil, spawn.Status{}, errors.Join(fmt.Errorf("the board process does not state its status: %w", err),
			client.Close())
	}
	return client, status, nil
}

// Run measures how late a board switches, under the loads and beside the peer that o names. It ends with ctx.
func Run(ctx context.Context, client *board.Client, o Options) (*Report, error) {
	load, err := o.startLoads(ctx)
	if err != nil {
		return nil, err
	}
	defer load.stop()
	o.Setup.Load, o.Setup.System = load.name, system()
	b := &Bench{Client: client, Interval: o.Interval, Output: o.Output, Input: o.Input, Progress: o.Progress}
	tools := tools{measure: b.Measure}
	if o.Peer {
		tools.peer, o.Setup.Peer = o.cyclictest, "cyclictest"
	}
	return o.run(ctx, tools)
}

// tools are what a measurement uses.
type tools struct {
	measure func(ctx context.Context, n int, random *rand.Rand) ([]Pulse, error)
	peer    func(ctx context.Context, n int) ([]lateness.Count, error) // nil: none
}

// run measures, in turn with the peer if there is one.
func (o *Options) run(ctx context.Context, t tools) (*Report, error) {
	r := &Report{Setup: o.Setup, Seed: o.Seed, Interval: o.Interval, Plan: o.Plan}
	random := rand.New(rand.NewPCG(o.Seed, 0))
	rounds := 1
	if t.peer != nil {
		rounds = min(o.Rounds, o.Count)
	}
	var peers [][]lateness.Count
	for round := range rounds {
		n := o.Count*(round+1)/rounds - o.Count*round/rounds
		pulses, err := t.measure(ctx, n, random)
		if err != nil {
			return nil, err
		}
		r.add(pulses)
		if t.peer == nil {
			continue
		}
		counts, err := t.peer(ctx, n)
		if err != nil {
			return nil, err
		}
		peers = append(peers, counts)
	}
	r.finish(peers)
	return r, nil
}
