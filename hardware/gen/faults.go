package main

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"
	"time"

	"stillwater/hardware/circuit"
)

// faultSections are where a fault can keep outputs from being released. One camera channel and one valve channel stand
// for all.
var faultSections = []string{"controller", "power", "cutoff", "kill", "guard", "guard2", "rails", "camera", "valves"}

// duplicateParts are the parts of the other channels.
var duplicateParts = []string{"R20", "R200", "R201", "Q20", "U20", "R42", "R420", "Q42", "D42", "D420", "J42"}

// releases are the three ways to release the outputs: parameters of the deck "release".
var releases = [][]string{
	{"STOP=215m", "STAY=1", "OPEN=10", "EDGE=210m"},
	{"STOP=225m", "STAY=0", "OPEN=10", "EDGE=220m"},
	{"STOP=10", "STAY=0", "OPEN=215m", "EDGE=215m"},
}

// solverSettings are settings of the simulator, one after the other until it converges: a circuit with a fault may have
// a comparator that stands between its two states.
var solverSettings = []string{"", ".options reltol=4m abstol=10n", ".options reltol=4m abstol=10n cshunt=100p",
	".options reltol=4m abstol=10n cshunt=300p"}

// runTimeout limits one try. A run takes a third of a second, with a fault that oscillates half a minute.
const runTimeout = 10 * time.Minute

// oscillating are faults that join an output of a comparator to an input of its reference, so that it oscillates, which
// takes hours to simulate. They are simulated with slow comparators: outputs are released 4 ms later, and a rail that
// would stay at a mean comes and goes.
var oscillating = []string{"U1 1+ to 2out shorted", "U1 2- to 2out shorted"}

// The comparators' lag as the models have it, and the slow one.
const (
	lag     = ".param LAG=1\n"
	slowLag = ".param LAG=10000\n"
)

// faultRunner simulates faults at the first corner, each circuit once: several faults may short the same two nets.
type faultRunner struct {
	*simulator
	release string
	band    string
	vio     float64
	lock    sync.Mutex
	known   map[string]*once
}

type once struct {
	sync.Once
	values map[string]float64
	err    error
}

func openFaultRunner(dir string, l *simulator) (*faultRunner, error) {
	release, err := os.ReadFile(filepath.Join(dir, "sim", "faults", "release.cir"))
	if err != nil {
		return nil, err
	}
	band, err := os.ReadFile(filepath.Join(dir, "sim", "faults", "band.cir"))
	if err != nil {
		return nil, err
	}
	vio, err := l.corners[0].Value("VIO")
	if err != nil {
		return nil, err
	}
	return &faultRunner{simulator: l, release: string(release), band: string(band), vio: vio,
		known: map[string]*once{}}, nil
}

// faults lists the faults that are simulated.
func (l *faultRunner) faults() []circuit.Fault {
	list := l.design.Board("outputs").Faults(faultSections...)
	return slices.DeleteFunc(list, func(f circuit.Fault) bool { return slices.Contains(duplicateParts, f.Ref) })
}

// rows simulates faults, as many at a time as there are processors. tell is called after each.
func (l *faultRunner) rows(ctx context.Context, faults []circuit.Fault, tell func()) ([]circuit.FaultRow, error) {
	rows := make([]circuit.FaultRow, len(faults))
	bad := make([]error, len(faults))
	var group sync.WaitGroup
	seats := make(chan struct{}, runtime.NumCPU())
	for i, f := range faults {
		seats <- struct{}{}
		group.Go(func() {
			defer func() { <-seats; tell() }()
			d, err := l.design.With(f)
			if err == nil {
				rows[i], err = l.row(ctx, d, f.Ref, l.design.Describe(f))
			}
			bad[i] = err
		})
	}
	group.Wait()
	return rows, errors.Join(bad...)
}

// row simulates each release of a design.
func (l *faultRunner) row(ctx context.Context, d *circuit.Design, ref, fault string) (circuit.FaultRow, error) {
	var values []map[string]float64
	for _, h := range releases {
		c := l.corners[0]
		c.Params = append(slices.Clone(c.Params), h...)
		text, err := d.Deck("release", l.release, l.models, c)
		if err != nil {
			return circuit.FaultRow{}, err
		}
		if slices.Contains(oscillating, ref+" "+fault) {
			text = strings.Replace(text, lag, slowLag, 1)
		}
		v, err := l.simulated(ctx, text)
		if ctx.Err() != nil {
			return circuit.FaultRow{}, ctx.Err()
		}
		if err != nil {
			why, _, _ := strings.Cut(err.Error(), "\n") // what follows is all that the simulator printed
			return circuit.FaultRow{Ref: ref, Fault: fault, Failed: why}, nil
		}
		values = append(values, v)
	}
	return circuit.NewFaultRow(ref, fault, values, l.vio), nil
}

// simulated runs a deck, or waits for the run of the same deck.
func (l *faultRunner) simulated(ctx context.Context, text string) (map[string]float64, error) {
	l.lock.Lock()
	o := l.known[text]
	if o == nil {
		o = &once{}
		l.known[text] = o
	}
	l.lock.Unlock()
	o.Do(func() {
		for _, way := range solverSettings {
			run, stop := context.WithTimeout(ctx, runTimeout)
			o.values, o.err = spice(run, strings.Replace(text, "\n.tran", "\n"+way+"\n.tran", 1))
			stop()
			if o.err == nil || ctx.Err() != nil {
				return
			}
		}
	})
	return o.values, o.err
}
