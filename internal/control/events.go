package control

import (
	"fmt"
	"time"

	"stillwater/internal/board"
	"stillwater/internal/shot"
	"stillwater/internal/wire"
)

// handleEvent handles one event of the board. It never waits: the board's next event may be more urgent.
func (c *Control) handleEvent(l *link, e board.Event) {
	if e.Fault != nil { // not under the mutex: nothing that must be quick waits for a log
		c.log.Warn("board fault", "reason", e.Fault.Reason.String(), "detail", e.Fault.Detail)
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	switch {
	case e.State != nil:
		c.handleState(*e.State)
	case e.Edge != nil:
		c.handleEdge(*e.Edge)
	case e.Level != nil:
		c.handleLevel(l, *e.Level)
	case e.Shot != nil:
		c.handleShot(l, *e.Shot)
	case e.Pulse != nil:
		c.handlePulse(*e.Pulse)
	case e.Opening != nil:
		if words := cutWords(c.lastRun, *e.Opening); words != "" {
			c.notice = words
			c.publishSoon()
		}
	case e.Rejected != nil && e.Rejected.Reason == wire.ReasonBusy && c.inShot:
		// A clap has many edges, and a sheet many rags: those after the first are no news.
	case e.Rejected != nil && e.Rejected.Reason == wire.ReasonResting &&
		c.opts.Clock().SinceBoot-c.ticks.LastShot < passesWithin:
		// Neither is what follows the shot's own edge once the shot has ended, as it does at once in a dry run.
	case e.Rejected != nil && e.Rejected.Reason == wire.ReasonNotNth && c.current != nil && c.current.program.HasWindow():
		c.current.counted = int(e.Rejected.Interval) // the drops before the one to picture
	case e.Rejected != nil:
		c.unseen = false
		c.notice = c.rejectedWords(l, *e.Rejected)
		if c.current != nil && e.Rejected.Reason == wire.ReasonLate {
			c.current.falling = false
		}
		c.publishSoon()
	case e.Lost != nil:
		c.buttonLost(e.Lost.Input)
		c.notice = lostEdgesWords(c.inputName(e.Lost.Input), e.Lost.Count)
		c.publishSoon()
	case e.Fault != nil:
		c.newEpoch()
		c.endRun()
		c.boardState, c.reason = wire.Faulted, faultWords(e.Fault.Reason)
		if e.Fault.Reason == wire.ReasonLinkTimeout { // the board is safe and may be armed again at once
			c.boardState, c.left, c.reason = wire.Safe, 0, "disarmed: "+e.Fault.Reason.String()
		}
		c.publish()
	}
}

// handleState handles the state that the board reports.
func (c *Control) handleState(s wire.State) {
	before, left, reason := c.boardState, c.left, c.reason
	c.setLevels(s)
	switch s.State {
	case wire.Armed, wire.Firing, wire.Resting:
		c.boardState, c.left = s.State, int(s.Left)
		if c.current == nil {
			c.makeSafe() // armed, and no run is: left over from an arming that was cut short
			break
		}
		c.current.confirmed = true
		if s.State == wire.Armed {
			c.handleArmed(before, s.Reason == wire.ReasonNotOpened)
		}
		c.reason = c.activeWords(s.State)
		c.retrimIfDue()
		c.repeatIfDue()
		c.paceIfDue()
	case wire.Faulted:
		if c.boardState != wire.Faulted {
			c.newEpoch()
		}
		c.endRun()
		c.boardState, c.left, c.reason = s.State, 0, faultWords(s.Reason)
	default:
		if c.replacing(s.Reason) || c.current != nil && !c.current.confirmed {
			return // on the way to being armed, or from before that
		}
		if c.current != nil {
			if s.Reason != wire.ReasonShotsDone {
				c.epoch++ // whoever made the board safe, it was asked for after what waits
			}
			c.endRun()
			c.reason = s.Reason.String()
		}
		c.boardState, c.left = s.State, 0
	}
	if d := c.disarming; d != nil && !c.active() {
		d.signalInactive()
	}
	c.inShot = s.State == wire.Firing
	c.unseen = c.unseen && s.State == wire.Armed
	if before != c.boardState || left != c.left || reason != c.reason {
		c.publish()
		return
	}
	c.publishSoon()
}

// handleArmed handles that the board is armed, and whether it waits for Go. If it does so again without a shot in
// between, what was let go did not come through the beam as it should. The mutex is held.
func (c *Control) handleArmed(before wire.StateCode, waitsGo bool) {
	r := c.current
	if waitsGo && r.falling && before == wire.Armed && r.program.HasWindow() {
		c.notice = fmt.Sprintf("no shot: the beam counted %d of %d drops in their time. Prime the valve until it drips "+
			"evenly, and check that the drops fall through the beam", r.counted, r.program.Nth)
	}
	r.waitsGo, r.falling = waitsGo, r.falling && !waitsGo
}

// unseenWords say that drops were released and the arming ended before the one whose edge starts the delay reached the
// beam; "" if no drop was, or the shot has begun and is reported.
func (r *run) unseenWords() string {
	if !r.falling || !r.program.HasWindow() {
		return ""
	}
	return fmt.Sprintf("no shot: disarmed after Go, before drop %d reached the beam. Drops already released "+
		"still fell", r.program.Nth)
}

// endRun ends the current run, as the board has ended what was armed.
func (c *Control) endRun() {
	if c.current == nil {
		return
	}
	if words := c.current.unseenWords(); words != "" {
		c.notice = words
	}
	c.current.ended = true
	c.current.timer.stop()
	c.current.repeat.stop()
	c.current.pace.stop()
	c.current = nil
}

func (c *Control) activeWords(s wire.StateCode) string {
	switch {
	case s == wire.Firing && c.current.dry():
		return "dry run, nothing fires: the shot is under way"
	case s == wire.Firing:
		return "the shot is under way"
	case s == wire.Resting && c.current.dry():
		return "dry run, nothing fires: resting after the shot"
	case s == wire.Resting:
		return "resting after the shot: the flash recycles"
	}
	return armedWords(c.current)
}

func (c *Control) setLevels(s wire.State) {
	if c.link == nil {
		return
	}
	for i := range c.inputs {
		high := s.Inputs>>i&1 == 1
		c.inputs[i].Active = high == c.link.wiring.Inputs[i].ActiveHigh
		c.changeButton(uint8(i), high, 1, s.Now)
	}
}

func (c *Control) handleEdge(e wire.Edge) {
	if i := int(e.Input); c.link != nil && i < len(c.inputs) {
		c.inputs[i].Edges += int(e.Count)
		c.inputs[i].Active = e.High == c.link.wiring.Inputs[i].ActiveHigh
		c.meterEdge(e, c.inputs[i].Active)
		if !c.inputs[i].Active {
			c.cleared[e.Input] = e.At
			c.passageEnds(e.Input, e.At)
		}
		c.changeButton(e.Input, e.High, int(e.Count), e.At)
		c.lagEdge(e)
	}
	c.publishSoon()
}

func (c *Control) inputName(i uint8) string {
	if int(i) < len(c.inputs) {
		return c.inputs[i].Name
	}
	return fmt.Sprintf("input %d", i)
}

// passesWithin is how long after a shot its liquid may still pass the beams. Own choice: a sheet half a metre long at
// 1 m/s.
const passesWithin = 500 * time.Millisecond

// rejectedWords says which edge was not acted on, why, with the numbers where they help, and what to do.
func (c *Control) rejectedWords(l *link, e wire.Rejected) string {
	words := fmt.Sprintf("an edge at %s was ignored: %s", c.inputName(e.Input), e.Reason.String())
	if (e.Reason == wire.ReasonTooFast || e.Reason == wire.ReasonTooSlow) && c.lastRun != nil {
		interval := time.Duration(e.Interval) * l.id.Tick
		if p := c.lastRun.program; p.HasWindow() {
			return words + fmt.Sprintf(" (%.1f ms after Go; drop %d is due after %.1f to %.1f ms). It was not that drop, or "+
				"the valve's times in the set are not right", ms(interval), p.Nth, ms(p.GateMin), ms(p.GateMax))
		}
		words += fmt.Sprintf(" (%.1f ms between the beams; accepted %.1f to %.1f ms)", ms(interval),
			ms(c.lastRun.program.GateMin), ms(c.lastRun.program.GateMax))
	}
	if remedy := rejectedRemedy(e.Reason); remedy != "" {
		words += ". " + remedy
	}
	return words
}

// rejectedRemedy says what to do about an edge that was not acted on; "" nothing.
func rejectedRemedy(r wire.Reason) string {
	switch r {
	case wire.ReasonNotOpened:
		return "Give Go first, which opens the shutter or lets the drops fall; then let it come"
	case wire.ReasonNoGate:
		return "Throw through the first beam, then the second; if you did, check that the first one reacts"
	case wire.ReasonTooFast:
		return "Throw slower, or disarm and raise the fastest throw accepted"
	case wire.ReasonTooSlow:
		return "Throw faster, or disarm and lower the slowest throw accepted"
	case wire.ReasonBounce:
		return "If nothing passed, keep the beam clear between shots"
	case wire.ReasonResting, wire.ReasonBusy:
		return "Wait until it is armed again"
	case wire.ReasonLate:
		return "Nothing was fired: leave the trim as it is and try again"
	}
	return ""
}

// handleShot queues a shot for the record; it is shown once it is there.
func (c *Control) handleShot(l *link, report board.ShotReport) {
	c.inShot = false
	r := c.lastRun
	if r == nil {
		r = &run{set: c.set, program: c.plan.program, session: c.session}
	}
	c.notice, r.falling = cutWords(r, report.Cues...), false
	now := c.opts.Clock()
	c.ticks.LastShot, c.evening.latest = now.SinceBoot, now
	if r.dry() {
		c.showDryShot(r, report)
	} else {
		c.recordShot(l, r, report)
	}
	c.publish()
}

// boardLost handles the end of the link to the board. A shot that was under way is recorded as broken.
func (c *Control) boardLost(l *link, err error) {
	c.log.Error("the connection to the board is lost", "err", err)
	c.mu.Lock()
	defer c.mu.Unlock()
	c.newEpoch()
	if c.current != nil {
		c.current.timer.stop()
		c.current.repeat.stop()
		c.current.pace.stop()
		c.current = nil
	}
	if d := c.disarming; d != nil {
		d.signalInactive()
	}
	if c.inShot && c.lastRun != nil {
		c.inShot = false
		if !c.lastRun.dry() {
			c.recordShot(l, c.lastRun, brokenShot(c.lastRun.program))
		}
	}
	c.link, c.boardState, c.left, c.outputs = nil, wire.Safe, 0, nil
	c.reason = lostBoardWords(err)
	if l.failed != "" {
		c.reason = l.failed
	}
	c.disconnectReason, c.lostReason = c.reason, c.reason
	for i := range c.inputs {
		c.inputs[i].Active = false
	}
	c.publish()
}

func brokenShot(p shot.Program) board.ShotReport {
	report := board.ShotReport{Status: wire.Aborted, Received: time.Now()}
	if p.Gate == nil && len(p.Table) > 0 {
		report.Delay = p.Table[0].Delay
	}
	return report
}
