package trigger

import "stillwater/internal/wire"

// reportsPerSecond limits each kind of report of each input, so that a storm of edges cannot fill the link.
const reportsPerSecond = 20

// limiter lets one report through each window and counts what it holds back.
type limiter struct {
	open    bool // a report went out less than a window before until
	until   wire.Tick
	pending uint32
}

// reports is what one input has to say. The last event of a kind speaks for all that the message counts.
type reports struct {
	edge, rejected, lost limiter

	edgeHigh bool
	edgeAt   wire.Tick

	rejectReason   wire.Reason
	rejectAt       wire.Tick
	rejectInterval uint32

	lostAt wire.Tick
}

func (r *reports) noteEdge(high bool, at wire.Tick) {
	r.edgeHigh, r.edgeAt = high, at
	r.edge.note(1)
}

func (r *reports) noteLost(n uint32, at wire.Tick) {
	r.lostAt = at
	r.lost.note(n)
}

func (l *limiter) note(n uint32) {
	if l.pending += n; l.pending < n {
		l.pending = 1<<32 - 1
	}
}

// due takes what is pending if a report may go out now.
func (l *limiter) due(now wire.Tick, window wire.Tick) (uint32, bool) {
	if l.open && now.Before(l.until) {
		return 0, false
	}
	n := l.pending
	l.open, l.pending = n > 0, 0
	l.until = now + window
	return n, n > 0
}

func (x *step) reject(reason wire.Reason, input uint8, at wire.Tick, interval uint32) {
	r := &x.s.reports[input]
	r.rejectReason, r.rejectAt, r.rejectInterval = reason, at, interval
	r.rejected.note(1)
}

// flush sends the reports that are due.
func (x *step) flush() {
	window := wire.Tick(x.s.cfg.TickHz / reportsPerSecond)
	for i := range x.s.cfg.InputLen {
		r := &x.s.reports[i]
		if n, ok := r.edge.due(x.now, window); ok {
			x.send(wire.Edge{Input: i, High: r.edgeHigh, Count: add16(0, n), At: r.edgeAt}.Frame(0))
		}
		if n, ok := r.rejected.due(x.now, window); ok {
			x.send(wire.Rejected{
				Reason: r.rejectReason, Input: i, Count: add16(0, n), At: r.rejectAt, Interval: r.rejectInterval,
			}.Frame(0))
		}
		if n, ok := r.lost.due(x.now, window); ok {
			x.send(wire.Lost{Input: i, Count: n, At: r.lostAt}.Frame(0))
		}
	}
}

func (x *step) sendState() {
	s := &x.s
	x.send(wire.State{
		State: s.code, Reason: s.reason, Left: s.left, Inputs: s.inputs, Outputs: s.outputs,
		Now: x.now, Bounced: s.bounced, Lost: s.lost,
	}.Frame(0))
}

// send numbers a frame and adds it to what this Step sends.
func (x *step) send(f wire.Frame) {
	f.Seq = x.s.seq
	x.s.seq++
	x.out = append(x.out, Action{Kind: ActionSend, Frame: f})
}
