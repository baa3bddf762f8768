// Package rig is the simulated board in a simulated room, in process: the logic and the executor that real boards
// have, with virtual pins that package scene plays with. It is what runs without any configuration, so that the first
// minute is practice.
//
// Time is real unless Options.Manual is set: cues are driven when they are due, as well as this process can, and
// reports say how late they were. Stamps of virtual edges are the times at which they happen in the room, as a
// kernel's stamps would be. While this process gets no processor the rig's clock stands still, as its host does.
// Nothing about a real rig's exactness follows from the figures seen here.
package rig

import (
	"errors"
	"fmt"
	"io"
	"log/slog"
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

// ErrBusy: something is still falling or flying.
var ErrBusy = errors.New("something is still falling or flying: wait until it is over")

// Options says what rig to make. The zero value is a real-time rig with seed 0.
type Options struct {
	Seed      uint64
	Manual    bool          // time moves only by Advance; nothing runs by itself, so a host must ping in that time
	Spin      time.Duration // how long before a cue to stop sleeping; zero: 1 ms; negative: never spin (for fake time)
	StartTick wire.Tick     // the board's clock when the rig starts
	Log       *slog.Logger  // nil: slog.Default
}

// Rig is one simulated board and its room. It is safe for use by several goroutines.
type Rig struct {
	opts Options
	log  *slog.Logger
	poke chan struct{} // something changed: look again what is next
	done chan struct{}
	gone sync.WaitGroup

	mu     sync.Mutex
	boots  *rand.Rand    // boot ids
	now    time.Duration // manual time
	clock  clock         // real time
	closed bool
	exec   *executor.Executor
	link   *link
	room   *scene.Room
	set    shot.Set // last let go: the valve drips with it
	inputs uint8    // levels
	lit    uint8    // outputs that are on
	edges  []edge   // to come, in order of time
	recent []scene.Flight
	watch  func(output uint8, on bool, at wire.Tick) // tests look on
}

// edge is an input's change to come.
type edge struct {
	at    time.Duration
	input uint8
	high  bool
}

// remembered is how many flights Look can be asked about.
const remembered = 16

// New makes a rig and, unless it is manual, starts it.
func New(opts Options) (*Rig, error) {
	if opts.Spin == 0 {
		opts.Spin = time.Millisecond
	}
	if opts.Log == nil {
		opts.Log = slog.Default()
	}
	r := &Rig{
		opts:  opts,
		log:   opts.Log,
		clock: clock{zero: time.Now(), due: noDue},
		poke:  make(chan struct{}, 1),
		done:  make(chan struct{}),
		boots: rand.New(rand.NewPCG(opts.Seed, 1)),
		room:  scene.New(opts.Seed),
		set:   shot.DefaultSet(),
	}
	for i, spec := range inputSpecs {
		if spec.restHigh {
			r.inputs |= 1 << i
		}
	}
	if err := r.boot(); err != nil {
		return nil, err
	}
	if !opts.Manual {
		r.gone.Go(r.run)
	}
	return r, nil
}

// boot starts the board: with nothing but its pins, as they are.
func (r *Rig) boot() error {
	cfg, err := config(r.boots.Uint32())
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

// Restart is what a reset does: the board forgets its program, is disarmed with outputs off, and cuts its link. The
// room goes on.
func (r *Rig) Restart() error {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.closed {
		return errors.New("the rig is closed")
	}
	r.link.Close()
	r.changed()
	return r.boot()
}

// Link connects a host to the board. A connection before it is cut, as when a plug moves from one socket to another;
// the board goes on.
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

// Release lets the drop, throw or sound of a set go. One at a time: ErrBusy until it is over.
func (r *Rig) Release(set shot.Set) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.release(set, r.room.Release)
}

// release lets a set go by hand, or by the valve.
func (r *Rig) release(set shot.Set, by func(shot.Set, time.Duration) (scene.Flight, error)) error {
	if r.busy() {
		return ErrBusy
	}
	f, err := by(set, r.time())
	if err != nil {
		return err
	}
	r.set = set
	r.recent = append(r.recent[max(len(r.recent)-remembered+1, 0):], f)
	r.schedule(f.Edges)
	return nil
}

// Busy says whether something is falling or flying, or a sound is in the air.
func (r *Rig) Busy() bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.busy()
}

func (r *Rig) busy() bool {
	n := len(r.recent)
	return n > 0 && r.time() < r.recent[n-1].Ends
}

// Look says in plain words what the picture shows of the shot whose clock edge was then, in the board's time as the
// client widens it. Ask once the shot's report is there, and within three minutes of it.
func (r *Rig) Look(clock time.Duration) string {
	frame, ok := r.Frame(clock)
	if !ok {
		return "the empty room: nothing was let go"
	}
	return frame.Seen
}

// Frame is Look with all that the room knows; false when nothing was let go around that time.
func (r *Rig) Frame(clock time.Duration) (scene.Frame, bool) {
	r.mu.Lock()
	defer r.mu.Unlock()
	at := r.timeOf(wire.Tick(clock / tick)) // the client's time may be whole wraps from the rig's
	for _, f := range r.recent {
		// A shot that Go starts comes before what its valve lets go.
		if f.Released-leadOfGo <= at && at <= f.Ends {
			return r.room.Look(f), true
		}
	}
	return scene.Frame{}, false
}

// leadOfGo is how long before something is let go a Go belongs to it.
const leadOfGo = 2 * time.Second

// Press makes the kill switch or the button active, or lets it go.
func (r *Rig) Press(input string, active bool) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	for i, spec := range inputSpecs {
		if spec.name == input && (spec.kind == wire.InputKill || spec.kind == wire.InputButton) {
			r.change(uint8(i), active != spec.restHigh, r.time())
			r.changed()
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
	r.gone.Wait()
	return err
}

// receive takes bytes from a host. Those of a connection that was cut are lost.
func (r *Rig) receive(from *link, p []byte) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if from != r.link || r.closed {
		return
	}
	r.exec.Bytes(r.tickNow(), p)
	r.changed()
}

// schedule adds edges of the room's sensors.
func (r *Rig) schedule(edges []scene.Edge) {
	for _, e := range edges {
		input := sensorInput[e.Sensor]
		r.edges = append(r.edges, edge{e.At, input, e.Active != inputSpecs[input].restHigh})
	}
	slices.SortStableFunc(r.edges, func(a, b edge) int { return int(a.at - b.at) })
	r.changed()
}

// change gives the board an input's new level.
func (r *Rig) change(input uint8, high bool, at time.Duration) {
	bit := uint8(1) << input
	if high == (r.inputs&bit != 0) {
		return
	}
	r.inputs ^= bit
	r.exec.Edge(r.tickNow(), input, high, r.tickOf(at))
}

// changed makes the loop look again; it may be asleep until something later. The mutex is held.
func (r *Rig) changed() {
	r.clock.due = min(r.clock.due, r.time())
	select {
	case r.poke <- struct{}{}:
	default:
	}
}

// pins are the board's outputs: what they do, they do in the room.
type pins struct{ r *Rig }

// Drive is called by the executor, which runs with the rig locked.
func (p pins) Drive(mask, levels uint8) (wire.Tick, error) {
	r := p.r
	at := r.time()
	before := r.lit
	r.lit = r.lit&^mask | levels&mask
	for i, spec := range outputSpecs {
		bit := uint8(1) << i
		on := r.lit&bit != 0
		if on == (before&bit != 0) {
			continue
		}
		if r.watch != nil {
			r.watch(uint8(i), on, r.tickOf(at))
		}
		r.schedule(r.room.Drive(spec.does, on, at))
		if on && spec.does == scene.Valve {
			r.drip()
		}
	}
	return r.tickOf(at), nil
}

// drip is what an opening valve does: a drop with the set last let go, if that was one and the air is free.
func (r *Rig) drip() {
	if r.set.Kind != shot.Drop {
		return
	}
	if err := r.release(r.set, r.room.Drip); err != nil && !errors.Is(err, ErrBusy) {
		r.log.Warn("the valve opened and nothing fell", "error", err)
	}
}

// sender puts the board's frames on the link of the moment.
type sender struct{ r *Rig }

func (s sender) Write(p []byte) (int, error) { return s.r.link.send(p) }
