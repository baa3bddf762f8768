// Package meter says what a sensor does, from the edges that its board reports: how long it was broken, how often, and
// whether it chatters, and what that may come from.
package meter

import (
	"slices"
	"time"
)

// Edges is one report of a board: the last of one or more changes that came close together.
type Edges struct {
	Active bool // after the last of them
	Count  int
	At     time.Duration // of the last
}

// Break is one time that a beam was broken, a sound heard, or a switch pressed.
type Break struct {
	From   time.Duration
	Length time.Duration // from the first edge to the last; 0: not known
	Pieces int           // 1: it was one; more: it was free in between, too briefly to be reported each time
}

// Chatter is a sensor that changes again and again.
type Chatter struct {
	PerSecond float64 // breaks
	Cause     Cause
}

// Cause is what chatter probably comes from.
type Cause string

// The causes. A lamp on the mains flickers at twice the mains' frequency, 100 Hz or 120 Hz; hum on a lead has the
// mains' own, 50 Hz or 60 Hz.
const (
	MainsLight     Cause = "light of a lamp on the mains"
	MainsHum       Cause = "hum of the mains on the lead"
	LooseConnector Cause = "a loose plug or a lead that moves"
	Threshold      Cause = "a level that is close to the threshold"
)

const (
	keptBreaks = 5
	window     = time.Second // in which chatter is looked for
	// minEdges and minReports are what a drop, a finger or a ragged sheet does not reach: it passes within few reports.
	// Common practice, no source.
	minEdges   = 20
	minReports = 5
	// tolerance covers the mains' own deviation and the counting of a second of edges: 3 %.
	tolerance = 0.03
	// maxLoose is how many breaks a second a loose connector makes at most. Common practice, no source.
	maxLoose = 30
)

// Meter follows one sensor. The zero value is one that is not active and has not been.
type Meter struct {
	breaks []Break // oldest first
	active bool
	since  time.Duration // when the break under way began, if that is known
	known  bool
	pieces int     // of the break under way
	recent []Edges // reports within the window
}

// Add adds a report. Times do not go down.
func (m *Meter) Add(e Edges) {
	if e.Count < 1 {
		return
	}
	m.recent = append(m.recent, e)
	m.dropOld(e.At)
	began := e.Count / 2 // breaks that began within the report
	if e.Active && e.Count%2 == 1 {
		began++
	}
	if !m.active {
		m.pieces, m.known = 0, e.Count == 1
		m.since = e.At
	}
	m.pieces += began
	if !e.Active && (m.active || began > 0) {
		m.keepBreak(e.At)
	}
	m.active = e.Active
}

// keepBreak keeps the break that is over.
func (m *Meter) keepBreak(at time.Duration) {
	b := Break{From: m.since, Pieces: m.pieces}
	if m.known {
		b.Length = at - m.since
	}
	m.breaks = append(m.breaks, b)
	m.breaks = m.breaks[max(len(m.breaks)-keptBreaks, 0):]
}

// dropOld drops the reports that are out of the window.
func (m *Meter) dropOld(now time.Duration) {
	m.recent = slices.DeleteFunc(m.recent, func(e Edges) bool { return now-e.At > window })
}

// Breaks are the last whole ones, the newest first.
func (m *Meter) Breaks() []Break {
	list := slices.Clone(m.breaks)
	slices.Reverse(list)
	return list
}

// Chatter is what it does if it chatters; false: it does not.
func (m *Meter) Chatter(now time.Duration) (Chatter, bool) {
	m.dropOld(now)
	if len(m.recent) < minReports {
		return Chatter{}, false
	}
	edges := 0
	for _, e := range m.recent[1:] {
		edges += e.Count
	}
	span := m.recent[len(m.recent)-1].At - m.recent[0].At
	if edges < minEdges || span <= 0 {
		return Chatter{}, false
	}
	c := Chatter{PerSecond: float64(edges) / 2 / span.Seconds()}
	c.Cause = causeOf(c.PerSecond)
	return c, true
}

func causeOf(perSecond float64) Cause {
	near := func(hz float64) bool { return perSecond > hz*(1-tolerance) && perSecond < hz*(1+tolerance) }
	switch {
	case near(100), near(120):
		return MainsLight
	case near(50), near(60):
		return MainsHum
	case perSecond < maxLoose:
		return LooseConnector
	}
	return Threshold
}

// Remedy says what to do against it.
func (c Cause) Remedy() string {
	switch c {
	case MainsLight:
		return "shade the receiver from the lamp, or switch the lamp off"
	case MainsHum:
		return "use a screened lead, away from mains leads"
	case LooseConnector:
		return "press its plugs in and lay its lead still"
	}
	return "align the beam, clean its lenses, or move the threshold away from the level"
}
