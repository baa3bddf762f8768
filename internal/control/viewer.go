package control

import (
	"slices"
	"sync"
	"time"

	"stillwater/internal/care"
	"stillwater/internal/liquids"
	"stillwater/internal/sentence"
	"stillwater/internal/splash"
	"stillwater/internal/wire"
)

const shotsShown = 20

// viewer is one connection of a client, with a buffer of one snapshot: a newer one replaces the one not yet read.
type viewer struct {
	client string
	hidden bool // the phone is locked, or shows something else
	latest chan *Snapshot
}

func (v *viewer) put(s *Snapshot) {
	select {
	case <-v.latest:
	default:
	}
	v.latest <- s
}

// Snapshot is the state now. It must not be changed.
func (c *Control) Snapshot() *Snapshot {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.snapshot()
}

// State is the state now, for callers that ask often.
func (c *Control) State() State { return c.glance.Load().state }

// glance is the part of the state that threads of the least priority read often. They do so without the mutex: if such
// a thread held it and got no processor, a disarm would wait.
type glance struct {
	state   State
	session int64
}

// guard is the mutex of a Control. Unlocking it first updates the glance.
type guard struct {
	sync.Mutex
	of *Control
}

func (g *guard) Unlock() {
	if now := (glance{g.of.state(), g.of.session.id}); *g.of.glance.Load() != now {
		g.of.glance.Store(&now)
	}
	g.Mutex.Unlock()
}

// publish sends a snapshot to everybody. The mutex is held.
func (c *Control) publish() {
	c.published = time.Now()
	if c.pending != nil {
		c.pending.stop()
		c.pending = nil
	}
	if len(c.viewers) == 0 {
		return
	}
	snap := c.snapshot()
	for v := range c.viewers {
		v.put(snap)
	}
}

// publishSoon is publish for what changes often and matters little, such as a sensor's level: a storm of edges becomes
// ten snapshots a second. The mutex is held.
func (c *Control) publishSoon() {
	if c.pending != nil {
		return
	}
	wait := minPublishInterval - time.Since(c.published)
	if wait <= 0 {
		c.publish()
		return
	}
	c.pending = c.tasks.after(wait, func() { c.update(func() {}) })
}

func (c *Control) snapshot() *Snapshot {
	s := &Snapshot{
		Epoch: c.epoch, State: c.state(), Reason: c.reason, Notice: c.notice, Record: c.rec.status(),
		Board: Board{Kind: c.opts.Kind, Name: c.opts.Name, Connected: c.link != nil, Problem: c.disconnectReason,
			Outputs: append([]OutputView{}, c.outputs...)},
		Inputs: c.inputViews(time.Now()), Holder: c.phones.holder,
		Asking:    append([]string{}, c.phones.requesters...),
		Onlookers: c.phones.onlookers(), Away: c.phones.away(), GraceS: c.opts.Grace.Seconds(),
		ArmForS: c.opts.ArmFor.Seconds(), Care: c.careList(), CareDone: c.careDone(),
		CareAgain: c.askedAgain, Evening: c.eveningList(), Lighting: c.lightingNow(),
		Session: c.sessionNow(), Set: c.set, Preview: c.plan.preview, Refusal: c.plan.refusal,
		Elevation: c.plan.elevation,
		Shots:     append([]ShotView{}, c.shots...), ShotCount: c.shotCount,
		Tuning:   c.learning.view,
		NextFile: c.nextFile, DryShots: append([]DryShot{}, c.dryShots...), DryEdge: c.dryEdge(),
		Lag: c.lag.view(), Camera: c.camera,
		Phases: phaseChoices(), Liquids: liquidChoices(), Sent: time.Now(),
	}
	if c.link != nil {
		s.Board.TickUs = float64(c.link.id.Tick) / float64(time.Microsecond)
	}
	if c.current != nil && c.link != nil && c.active() {
		// From now on, not as computed when it was armed: the machine's clock may have been set since.
		s.ArmedLeft, s.ArmedEnds = c.left, s.Sent.Add(time.Until(c.current.ends)).UnixMilli()
		s.NeedsGo = s.State == Armed && c.current.waitsGo
		s.Repeat = c.current.repeat.view(s.Sent)
	}
	if c.current != nil && s.State == Arming {
		s.ArmsAt = s.Sent.Add(time.Until(c.current.armsAt)).UnixMilli()
	}
	s.DryRun = c.current != nil && c.current.dry()
	s.Room, s.Sweep = c.roomView(), c.sweep.view()
	if s.Room != nil && s.ArmedEnds != 0 {
		s.Room.NextAt = c.current.pace.nextMs(s.Sent)
	}
	return s
}

func (c *Control) sessionNow() SessionView {
	s := c.session
	return SessionView{ID: s.id, Name: s.name, Started: s.started, Dates: c.dates.words(c.opts.Clock())}
}

// state puts the board's state and the connection to it in one word.
func (c *Control) state() State {
	if c.link == nil {
		if c.disconnectReason == "" {
			return Safe
		}
		return Fault
	}
	switch c.boardState {
	case wire.Armed:
		return Armed
	case wire.Firing:
		return Firing
	case wire.Resting:
		return Resting
	case wire.Faulted:
		return Fault
	}
	if c.current != nil || c.arming {
		return Arming
	}
	return Safe
}

func (c *Control) careList() []Care {
	list := []Care{}
	for _, caution := range care.Checklist() {
		list = append(list, Care{ID: caution.ID, Text: caution.Text, Ticked: c.ticked[caution.ID]})
	}
	return list
}

func (c *Control) careDone() bool {
	return !slices.ContainsFunc(care.Checklist(), func(caution care.Caution) bool { return !c.ticked[caution.ID] })
}

func phaseChoices() []Choice {
	list := []Choice{}
	for _, p := range splash.Phases() {
		list = append(list, Choice{Value: string(p), Label: phaseLabel(p), Hint: sentence.From(p.Meaning())})
	}
	return list
}

func liquidChoices() []Choice {
	list := []Choice{}
	for _, l := range liquids.All() {
		list = append(list, Choice{Value: l.Name, Label: l.Label})
	}
	return list
}
