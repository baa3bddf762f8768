package main

import (
	"context"
	"errors"
	"fmt"
	"runtime"
	"slices"
	"sync"

	"stillwater/hardware/circuit"
)

// wave is one square wave: its frequency, the simulated time, when measuring starts, and the longest step.
type wave struct {
	hertz            float64
	last, from, step string
}

// waves are the square waves that replace the heartbeat.
var waves = []wave{
	{1, "4", "2", "500u"}, {2, "3", "2", "500u"}, {5, "2", "1", "500u"}, {10, "1.5", "1", "500u"},
	{15, "1.2", "0.8", "500u"}, {20, "1", "0.6", "300u"}, {25, "1", "0.6", "300u"}, {50, "0.7", "0.5", "300u"},
	{100, "0.5", "0.4", "200u"}, {1e3, "0.2", "0.18", "50u"}, {5e3, "0.1", "0.09", "20u"}, {10e3, "0.1", "0.08", "10u"},
	{20e3, "50m", "40m", "5u"}, {100e3, "10m", "9m", "1u"}, {1e6, "5m", "4m", "100n"}, {10e6, "1m", "0.8m", "10n"},
}

// bands simulates waves, as many at a time as there are processors.
func (l *faultRunner) bands(ctx context.Context, list []wave, tell func()) ([]circuit.Band, error) {
	bands, bad := make([]circuit.Band, len(list)), make([]error, len(list))
	var group sync.WaitGroup
	seats := make(chan struct{}, runtime.NumCPU())
	for i, w := range list {
		seats <- struct{}{}
		group.Go(func() {
			defer func() { <-seats; tell() }()
			bands[i], bad[i] = l.wave(ctx, w)
		})
	}
	group.Wait()
	return bands, errors.Join(bad...)
}

func (l *faultRunner) wave(ctx context.Context, w wave) (circuit.Band, error) {
	c := l.corners[0]
	c.Params = append(slices.Clone(c.Params), fmt.Sprintf("FREQ=%g", w.hertz), "TEND="+w.last, "TBEG="+w.from,
		"STEP="+w.step)
	text, err := l.design.Deck("band", l.band, l.models, c)
	if err != nil {
		return circuit.Band{}, err
	}
	v, err := l.simulated(ctx, text)
	if err != nil {
		return circuit.Band{}, fmt.Errorf("square wave of %g Hz: %w", w.hertz, err)
	}
	return circuit.Band{Hertz: w.hertz, Least: v["least_v5"], Mean: v["mean_v5"], Most: v["most_v5"]}, nil
}
