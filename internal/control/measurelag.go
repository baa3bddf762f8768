package control

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"stillwater/internal/board"
	"stillwater/internal/lag"
	"stillwater/internal/sentence"
	"stillwater/internal/shot"
	"stillwater/internal/wire"
	"stillwater/internal/wiring"
)

// The camera's lag is the time from its release to the closing of its sync contact, both stamped by the board, measured
// several times. Each release waits until a flash connected to the camera has recycled. A disarm ends it, as does
// whatever else begins a new epoch.

const (
	minReleases     = 3
	maxReleases     = 50
	maxBusy         = 5                       // refusals in a row, of a board whose last release is not over
	minReleaseEvery = 1500 * time.Millisecond // far below three flashes a second; cameras write a picture meanwhile
	maxCameraLag    = 2 * time.Second         // as the set allows; later than that the contact did not close
)

var errMeasuring = refusal("lag", "The camera's lag is being measured.", "Wait until that is done, or disarm to "+
	"end it.")

// Lag is the measurement of the camera's lag: under way, or the latest.
type Lag struct {
	Running   bool      `json:"running"`
	Wanted    int       `json:"wanted"` // releases; 0: there was no measurement
	Released  int       `json:"released"`
	SamplesMs []float64 `json:"samples_ms"` // in order; fewer than released when the contact did not close
	MeanMs    float64   `json:"mean_ms"`    // without outliers
	SDMs      float64   `json:"sd_ms"`
	Outliers  []int     `json:"outliers"` // indices of samples
	Bins      []LagBin  `json:"bins"`
	Words     string    `json:"words"`
	Usable    bool      `json:"usable"` // it can be taken over
}

// LagBin is one bar of the histogram.
type LagBin struct {
	FromMs float64 `json:"from_ms"`
	ToMs   float64 `json:"to_ms"`
	Count  int     `json:"count"`
}

// lagRun is one measurement. Its fields are guarded by the control's mutex.
type lagRun struct {
	link     *link
	output   int
	input    uint8
	fixed    time.Duration // part of each sample that is not the camera's: contacts on both sides
	every    time.Duration // from release to release
	wanted   int
	released int
	samples  []time.Duration
	ended    string // why, in words; "" it is under way

	cancel context.CancelFunc
	on     *wire.Tick    // of the release under way; nil until the board has reported it
	closed *wire.Tick    // when its contact closed; nil: not yet
	wake   chan struct{} // on or closed became known
}

// measureLag begins a measurement. Nobody has to wait for it: it goes on when the command is answered.
func (c *Control) measureLag(client string, cmd Command) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	m, err := c.newLagRun(client, cmd)
	if err != nil {
		return err
	}
	var ctx context.Context
	ctx, m.cancel = context.WithCancel(context.Background())
	c.lag = m
	c.watchHolder(time.Now())
	c.tasks.run(func() { c.runLag(ctx, m) })
	c.publish()
	return nil
}

// newLagRun checks everything that must be so before the camera is released. The mutex is held.
func (c *Control) newLagRun(client string, cmd Command) (*lagRun, error) {
	if err := c.checkTest(client, cmd); err != nil {
		return nil, err
	}
	if cmd.Shots < minReleases || cmd.Shots > maxReleases {
		return nil, refusal("shots", fmt.Sprintf("%d releases say too little, or take too long.", cmd.Shots),
			fmt.Sprintf("Ask for %d to %d.", minReleases, maxReleases))
	}
	l := c.link
	input := slices.IndexFunc(l.wiring.Inputs, func(in wiring.Input) bool { return in.Role == wiring.Sync })
	if input < 0 {
		return nil, refusal("", "No input is the camera's sync contact.", "Connect the camera's flash contact, through its "+
			"optocoupler, to an input, and give that role = \"sync\" in the configuration.")
	}
	shutter := l.wiring.Bench.Shutter
	if shutter == nil {
		return nil, refusal("", "No output releases the camera.", "Connect the camera's release, through its optocoupler, "+
			"to an output, and give that kind = \"shutter\" in the configuration.")
	}
	if c.inputs[input].Active {
		return nil, refusal("", "The sync contact is closed already.",
			"Check that its plug is in and that its polarity and level are right.")
	}
	in := l.wiring.Inputs[input]
	return &lagRun{
		link: l, output: int(shutter.Index), input: uint8(input), fixed: shutter.Delay + in.Delay + in.Debounce,
		every: max(minReleaseEvery, c.set.Light.Recycle.Duration()), wanted: cmd.Shots, wake: make(chan struct{}, 1),
	}, nil
}

// runLag releases the camera again and again.
func (c *Control) runLag(ctx context.Context, m *lagRun) {
	defer m.cancel()
	ended := "done"
	for made, busy := 0, 0; made < m.wanted && ctx.Err() == nil; {
		next := time.After(m.every)
		err := c.releaseForLag(ctx, m)
		switch {
		case err == nil:
			made, busy = made+1, 0
		case isBusy(err) && busy < maxBusy:
			busy++
		default:
			ended = fmt.Sprintf("ended: %v", err)
			m.cancel()
		}
		if made < m.wanted {
			select {
			case <-next:
			case <-ctx.Done():
			}
		}
	}
	c.update(func() {
		if m.ended == "" {
			m.ended = ended
		}
	})
}

// isBusy reports whether the board refused because the release before has not ended.
func isBusy(err error) bool {
	refused := new(board.RefusedError)
	return errors.As(err, &refused) && refused.Reason == wire.ReasonBusy
}

// releaseForLag releases the camera once, and waits for its contact.
func (c *Control) releaseForLag(ctx context.Context, m *lagRun) error {
	c.mu.Lock()
	if ctx.Err() != nil || c.link != m.link || c.stopping {
		c.mu.Unlock()
		return context.Canceled
	}
	m.on, m.closed = nil, nil
	width := TrialWidth(m.link.id.Outputs[m.output])
	c.nextPulse, c.pulseWidth, c.priming = time.Now().Add(minPulseInterval), width, false
	pulseCtx, q := c.beginRequest(ctx)
	c.mu.Unlock()
	err := m.link.board.Pulse(pulseCtx, uint8(m.output), width)
	c.update(func() {
		c.endRequest(q)
		if err == nil {
			m.released++
		}
	})
	if err != nil {
		return err
	}
	end := time.After(maxCameraLag)
	for {
		select {
		case <-m.wake:
			if c.takeSample(m) {
				return nil
			}
		case <-end:
			return nil // the contact did not close
		case <-ctx.Done():
			return nil
		}
	}
}

// takeSample adds the time between release and contact, and reports whether both were known.
func (c *Control) takeSample(m *lagRun) bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	if m.on == nil || m.closed == nil || m.ended != "" {
		return false
	}
	took := time.Duration(m.closed.Sub(*m.on))*m.link.id.Tick - m.fixed
	if took <= 0 || took > maxCameraLag {
		m.closed = nil // from before the release
		return false
	}
	m.samples = append(m.samples, took)
	c.publish()
	return true
}

// lagEdge looks for the closing contact of the release under way. A report of several edges is of a bouncing contact,
// whose first edge is not known. The mutex is held.
func (c *Control) lagEdge(e wire.Edge) {
	m := c.lag
	if m == nil || m.ended != "" || e.Input != m.input || e.Count != 1 || m.closed != nil ||
		e.High != m.link.wiring.Inputs[m.input].ActiveHigh {
		return
	}
	at := e.At
	m.closed = &at
	m.signal()
}

// lagPulse takes the time of the release under way. The mutex is held.
func (c *Control) lagPulse(p board.CueReport) {
	m := c.lag
	if m == nil || m.ended != "" || int(p.Output) != m.output {
		return
	}
	on := wire.Tick(p.On / m.link.id.Tick)
	m.on = &on
	m.signal()
}

func (m *lagRun) signal() {
	select {
	case m.wake <- struct{}{}:
	default:
	}
}

// measuringLag reports whether the camera is being released. The mutex is held.
func (c *Control) measuringLag() bool { return c.lag != nil && c.lag.ended == "" }

// stopLag ends a measurement: what is asked next need not wait for its goroutine. The mutex is held.
func (c *Control) stopLag() {
	if c.measuringLag() {
		c.lag.cancel()
		c.lag.ended = "ended by a disarm"
	}
}

// useLag takes the measured lag and its scatter into the set.
func (c *Control) useLag(client string) error {
	c.mu.Lock()
	m := c.lag
	var s lag.Summary
	usable := m != nil && m.usable()
	if usable {
		s = lag.Summarize(m.samples)
	}
	c.mu.Unlock()
	if !usable {
		return refusal("", "No lag has been measured.", "Measure it first.")
	}
	return c.changeSet(client, "", func(set *shot.Set) error {
		if err := set.Put("light.lag", lagText(s.Mean)); err != nil {
			return err
		}
		return set.Put("light.lag_scatter", lagText(s.SD))
	})
}

func lagText(d time.Duration) string { return fmt.Sprintf("%.2f ms", ms(d)) }

// usable reports whether there is enough to go by.
func (m *lagRun) usable() bool { return m.ended != "" && len(m.samples) >= minReleases }

// view is the measurement as the page shows it; without one, of no releases.
func (m *lagRun) view() Lag {
	if m == nil {
		return Lag{SamplesMs: []float64{}, Outliers: []int{}, Bins: []LagBin{}}
	}
	s := lag.Summarize(m.samples)
	v := Lag{
		Running: m.ended == "", Wanted: m.wanted, Released: m.released, SamplesMs: []float64{}, MeanMs: ms(s.Mean),
		SDMs: ms(s.SD), Outliers: append([]int{}, s.Outliers...), Bins: []LagBin{}, Words: m.words(s), Usable: m.usable(),
	}
	for _, x := range m.samples {
		v.SamplesMs = append(v.SamplesMs, ms(x))
	}
	for _, b := range s.Bins {
		v.Bins = append(v.Bins, LagBin{FromMs: ms(b.From), ToMs: ms(b.To), Count: b.Count})
	}
	return v
}

// words says in one or two sentences what was found, and what to do if that is not enough.
func (m *lagRun) words(s lag.Summary) string {
	n := len(m.samples)
	var parts []string
	if m.ended != "" && m.ended != "done" {
		parts = append(parts, sentence.From(m.ended))
	}
	if n == 1 {
		parts = append(parts, fmt.Sprintf("One release: %.1f ms.", ms(s.Mean)))
	} else if n > 1 {
		parts = append(parts, fmt.Sprintf("%s: %.1f ms on average, standard deviation %.2f ms, from %.1f to %.1f ms.",
			plural(n, "release", "releases"), ms(s.Mean), ms(s.SD), ms(s.Min), ms(s.Max)))
	}
	if out := len(s.Outliers); out > 0 {
		parts = append(parts, fmt.Sprintf("%s far from the others and left out.", plural(out, "is", "are")))
	}
	if missing := m.released - n; m.ended != "" && missing > 0 {
		parts = append(parts, fmt.Sprintf("%d times the sync contact did not close: set the camera to take single "+
			"pictures with manual focus, and see that it is awake and its sync lead is in.", missing))
	}
	if m.ended != "" && n < minReleases {
		parts = append(parts, "That is too few to rely on.")
	}
	return strings.Join(parts, " ")
}
