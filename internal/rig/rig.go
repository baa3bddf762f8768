// Package rig is a simulated board in a simulated room, in process: the logic and executor of real boards, with virtual
// pins connected to package scene. It runs when nothing is configured, so that the first minute is practice.
//
// Time is real unless a test moves it: cues are driven when they are due, as well as this process can, and
// reports say how late they were. Stamps of virtual edges are the times at which they happen in the room, like a
// kernel's stamps. While this process gets no processor time the rig's clock stops, as does its host. The figures seen
// here say nothing about the accuracy of a real rig.
package rig

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math"
	"math/rand/v2"
	"slices"
	"sync"
	"time"

	"stillwater/internal/executor"
	"stillwater/internal/scene"
	"stillwater/internal/shot"
	"stillwater/internal/trigger"
	"stillwater/internal/wire"
)

// ErrBusy means that something is still falling or flying.
var ErrBusy = errors.New("something is still falling or flying: wait until it is over")

// Options configures a rig. The zero value is a real-time rig with seed 0.
type Options struct {
	Seed      uint64
	Preset    scene.Preset  // of the room; the zero value: the usual one
	manual    bool          // for tests: time moves only by advance; a host must ping in that time
	Spin      time.Duration // how long before a cue to spin; zero: 1 ms; negative: never (for fake time)
	StartTick wire.Tick     // the board's clock when the rig starts
	Log       *slog.Logger  // nil: slog.Default
}

// Rig is one simulated board and its room. It is safe for concurrent use.
type Rig struct {
	opts       Options
	log        *slog.Logger
	changedCh  chan struct{} // wakes the loop: what is next may have changed
	done       chan struct{}
	goroutines sync.WaitGroup

	mu       sync.Mutex
	boots    *rand.Rand    // boot ids
	now      time.Duration // manual time
	clock    clock         // real time
	closed   bool
	exec     *executor.Executor
	link     *link
	room     *scene.Room
	preset   scene.Preset
	rooms    uint64                 // entered since the start
	set      shot.Set               // what stands in the room: that of the last release, or as arranged. The valve uses it
	valveOn  [outputs]time.Duration // when each opened
	inputs   uint8                  // levels
	outputs  uint8                  // on
	edges    []edge                 // to come, in order of time
	recent   []scene.Flight
	bootID   uint32
	pictured []pictured                                // the latest, oldest first
	onOutput func(output uint8, on bool, at wire.Tick) // for tests
}

// edge is a future change of an input.
type edge struct {
	at    time.Duration
	input uint8
	high  bool
}

// maxFlights is how many flights Look covers.
const maxFlights = 16

// RandomSeed is a seed of at most seven digits, so that it can be typed again.
func RandomSeed() uint64 { return rand.Uint64N(1_000_000) + 1 }

// New returns a rig and, unless it is manual, starts it.
func New(opts Options) (*Rig, error) {
	if opts.Spin == 0 {
		opts.Spin = time.Millisecond
	}
	if opts.Log == nil {
		opts.Log = slog.Default()
	}
	r := &Rig{
		opts:      opts,
		log:       opts.Log,
		clock:     clock{zero: time.Now(), due: noDue, slack: servedEach},
		changedCh: make(chan struct{}, 1),
		done:      make(chan struct{}),
		boots:     rand.New(rand.NewPCG(opts.Seed, 1)),
		set:       shot.DefaultSet(),
	}
	if opts.Preset.Name == "" {
		var err error
		if opts.Preset, err = scene.PresetNamed(scene.UsualPreset); err != nil {
			return nil, err
		}
	}
	r.preset, r.room = opts.Preset, scene.NewIn(opts.Seed, opts.Preset)
	for i, spec := range inputSpecs {
		if spec.idleHigh {
			r.inputs |= 1 << i
		}
	}
	if err := r.boot(); err != nil {
		return nil, err
	}
	if !opts.manual {
		r.goroutines.Go(r.run)
	}
	return r, nil
}

// boot starts the board, with its pins as they are.
func (r *Rig) boot() error {
	r.bootID = r.boots.Uint32()
	cfg, err := config(r.bootID)
	if err != nil {
		return err
	}
	cfg.Levels = r.inputs
	state, err := trigger.New(cfg)
	if err != nil {
		return fmt.Errorf("making the simulated board: %w", err)
	}
	r.link = newLink(r.receive)
	r.exec = executor.New(state, pins{r}, sender{r})
	r.exec.Start(r.tickNow())
	return nil
}

// Link connects a host to the board and closes any earlier connection, as when a cable is moved to another host. The
// board goes on.
func (r *Rig) Link() io.ReadWriteCloser {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.link.Close()
	r.link = newLink(r.receive)
	if r.closed {
		r.link.Close()
	}
	return r.link
}

// Preset is the preset of the room that is entered.
func (r *Rig) Preset() scene.Preset {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.preset
}

// Enter leads into another room, or into the same on another evening. The board goes on. ErrBusy while something falls
// or flies.
func (r *Rig) Enter(p scene.Preset) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.busy() {
		return ErrBusy
	}
	r.rooms++
	r.preset, r.room = p, scene.NewIn(r.opts.Seed+r.rooms<<32, p)
	return nil
}

// errByValve means that nothing is let go by hand.
var errByValve = errors.New("these drops fall when the valve opens: arm, then press Go")

// Arrange puts a set into the room, for the valve to drop into.
func (r *Rig) Arrange(set shot.Set) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.set = set
}

// Release releases the drop, throw or sound of a set, unless the context is over. One at a time: ErrBusy until it is
// over.
func (r *Rig) Release(ctx context.Context, set shot.Set) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	if err := ctx.Err(); err != nil {
		return err
	}
	return r.release(set, r.room.Release)
}

// release releases what the set describes, by hand or by the valve.
func (r *Rig) release(set shot.Set, by func(shot.Set, time.Duration) (scene.Flight, error)) error {
	if r.busy() {
		return ErrBusy
	}
	if set.Kind == shot.Drops {
		return errByValve
	}
	f, err := by(set, r.time())
	if err != nil {
		return err
	}
	r.set = set
	r.recent = append(r.recent[max(len(r.recent)-maxFlights+1, 0):], f)
	r.schedule(f.Edges)
	return nil
}

// Busy reports whether something is falling or flying, or a sound is in the air.
func (r *Rig) Busy() bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.busy()
}

func (r *Rig) busy() bool {
	n := len(r.recent)
	return n > 0 && r.time() < r.recent[n-1].Ends
}

// Look describes the picture of the shot whose clock edge was at clockAt, in the board's time as the client widens it.
// Call it within three minutes of the shot's report.
func (r *Rig) Look(clockAt time.Duration) string {
	frame, ok := r.Frame(clockAt)
	if !ok {
		return "the empty room: nothing was let go"
	}
	r.remember(clockAt)
	return frame.Seen
}

// Frame is Look with all that the room knows; false if nothing was released around that time.
func (r *Rig) Frame(clockAt time.Duration) (scene.Frame, bool) {
	r.mu.Lock()
	defer r.mu.Unlock()
	f, ok := r.flightOf(clockAt)
	if !ok {
		return scene.Frame{}, false
	}
	return r.room.Look(f), true
}

// flightOf is what flew in the shot whose clock edge was at clockAt.
func (r *Rig) flightOf(clockAt time.Duration) (scene.Flight, bool) {
	at := r.timeOf(wire.Tick(clockAt / tick)) // the client's time may be whole wraps from the rig's
	var flight scene.Flight
	nearest := time.Duration(math.MaxInt64)
	for _, f := range r.recent {
		// A shot started by Go comes before the drop of its valve, and one may begin before the last is over.
		away := (at - f.Released).Abs()
		if f.Released-goLead <= at && at <= f.Ends && away < nearest {
			flight, nearest = f, away
		}
	}
	return flight, nearest < math.MaxInt64
}

// goLead is how long before a release a Go belongs to it.
const goLead = 2 * time.Second

// Lag is the room's camera's mean lag.
func (r *Rig) Lag() time.Duration {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.room.Lag()
}

// How long a finger is in a beam, and on the button.
const (
	fingerInBeam = 300 * time.Millisecond
	fingerPress  = 150 * time.Millisecond
)

// Touch puts a finger in a beam, or on the button, for a moment, unless the context is over.
func (r *Rig) Touch(ctx context.Context, input string) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	if err := ctx.Err(); err != nil {
		return err
	}
	for i, spec := range inputSpecs {
		lasts := fingerInBeam
		switch {
		case spec.name != input:
			continue
		case spec.kind == wire.InputButton:
			lasts = fingerPress
		case spec.kind != wire.InputBeam:
			return fmt.Errorf("a finger does nothing at %s", input)
		}
		if active := (r.inputs&(1<<i) != 0) != spec.idleHigh; active {
			return fmt.Errorf("something is at %s already", input)
		}
		at := r.time()
		r.change(uint8(i), !spec.idleHigh, at)
		r.edges = append(r.edges, edge{at + lasts, uint8(i), spec.idleHigh})
		slices.SortStableFunc(r.edges, func(a, b edge) int { return int(a.at - b.at) })
		r.notify()
		return nil
	}
	return fmt.Errorf("there is no input %q", input)
}

// Press activates or releases the kill switch or the button.
func (r *Rig) Press(input string, active bool) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	for i, spec := range inputSpecs {
		if spec.name == input && (spec.kind == wire.InputKill || spec.kind == wire.InputButton) {
			r.change(uint8(i), active != spec.idleHigh, r.time())
			r.notify()
			return nil
		}
	}
	return fmt.Errorf("there is no switch %q: press kill or button", input)
}

// Close makes the outputs safe and ends the rig and its link.
func (r *Rig) Close() error {
	r.mu.Lock()
	if r.closed {
		r.mu.Unlock()
		return nil
	}
	r.closed = true
	close(r.done)
	err := r.exec.Safe(r.tickNow())
	r.link.Close()
	r.mu.Unlock()
	r.goroutines.Wait()
	return err
}

// receive handles bytes from a host. Those of a closed connection are dropped.
func (r *Rig) receive(from *link, p []byte) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if from != r.link || r.closed {
		return
	}
	r.exec.Bytes(r.tickNow(), p)
	r.notify()
}

// schedule adds edges of the room's sensors.
func (r *Rig) schedule(edges []scene.Edge) {
	for _, e := range edges {
		input := sensorInput[e.Sensor]
		r.edges = append(r.edges, edge{e.At, input, e.Active != inputSpecs[input].idleHigh})
	}
	slices.SortStableFunc(r.edges, func(a, b edge) int { return int(a.at - b.at) })
	r.notify()
}

// change sets an input's level.
func (r *Rig) change(input uint8, high bool, at time.Duration) {
	bit := uint8(1) << input
	if high == (r.inputs&bit != 0) {
		return
	}
	r.inputs ^= bit
	r.exec.Edge(r.tickNow(), input, high, r.tickOf(at))
}

// notify wakes the loop to look again at what is next. The caller holds the mutex.
func (r *Rig) notify() {
	now := r.time()
	r.clock.expect(min(r.clock.due, now), maxBehind, now)
	select {
	case r.changedCh <- struct{}{}:
	default:
	}
}

// pins connect the board's outputs to the room.
type pins struct{ r *Rig }

// Drive is called by the executor, with the mutex held.
func (p pins) Drive(mask, levels uint8) (wire.Tick, error) {
	r := p.r
	at := r.time()
	before := r.outputs
	r.outputs = r.outputs&^mask | levels&mask
	for i, spec := range outputSpecs {
		bit := uint8(1) << i
		on := r.outputs&bit != 0
		if on == (before&bit != 0) {
			continue
		}
		if r.onOutput != nil {
			r.onOutput(uint8(i), on, r.tickOf(at))
		}
		r.schedule(r.room.Drive(spec.does, on, at))
		switch {
		case spec.does != scene.Valve:
		case on:
			r.valveOn[i] = at
			r.valveOpened()
		default:
			r.valveClosed(i-int(OutValve)+1, r.valveOn[i], at)
		}
	}
	return r.tickOf(at), nil
}

// valveOpened releases a drop with the last set, if that was for drops and nothing else is in the air.
func (r *Rig) valveOpened() {
	if r.set.Kind != shot.Drop {
		return
	}
	if err := r.release(r.set, r.room.Drip); err != nil && !errors.Is(err, ErrBusy) {
		r.log.Warn("the valve opened and nothing fell", "error", err)
	}
}

// valveClosed lets fall what an opening of a valve let out, 1 for the first, in a set of drops on command. What falls
// soon after is of one flight.
func (r *Rig) valveClosed(valve int, from, to time.Duration) {
	if r.set.Kind != shot.Drops {
		return
	}
	var before *scene.Flight
	if n := len(r.recent); r.busy() && r.recent[n-1].Set.Kind == shot.Drops {
		before = &r.recent[n-1]
	}
	f, edges, err := r.room.Open(before, r.set, valve, from, to)
	switch {
	case errors.Is(err, scene.ErrNoDrop) || errors.Is(err, scene.ErrRan): // as when it is primed
		if before != nil && before.Number == f.Number {
			*before = f
		}
		return
	case err != nil:
		r.log.Warn("the valve opened and nothing fell", "error", err)
		return
	case before != nil && before.Number == f.Number:
		*before = f
	default:
		r.recent = append(r.recent[max(len(r.recent)-maxFlights+1, 0):], f)
	}
	r.schedule(edges)
}

// sender sends the board's frames on the current link.
type sender struct{ r *Rig }

func (s sender) Write(p []byte) (int, error) { return s.r.link.send(p) }
