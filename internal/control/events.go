package control

import (
	"fmt"
	"time"

	"stillwater/internal/board"
	"stillwater/internal/shot"
	"stillwater/internal/wire"
)

// happened takes in one event of the board. It never waits: the board's next event may be more urgent.
func (c *Control) happened(l *link, e board.Event) {
	if e.Fault != nil { // not under the mutex: nothing that must be quick waits for a log
		c.log.Warn("board fault", "reason", e.Fault.Reason.String(), "detail", e.Fault.Detail)
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	switch {
	case e.State != nil:
		c.stated(*e.State)
	case e.Edge != nil:
		c.edge(*e.Edge)
	case e.Shot != nil:
		c.shotEnded(l, *e.Shot)
	case e.Pulse != nil:
		c.tested(*e.Pulse)
	case e.Rejected != nil && e.Rejected.Reason == wire.ReasonBusy && c.inShot:
		// A clap has many edges, and a sheet many rags: those after the first are no news.
	case e.Rejected != nil:
		c.notice = c.rejectedWords(l, *e.Rejected)
		c.publishSoon()
	case e.Lost != nil:
		c.notice = lostWords(c.inputName(e.Lost.Input), e.Lost.Count)
		c.publishSoon()
	case e.Fault != nil:
		c.newEpoch()
		c.endRun()
		c.said, c.reason = wire.Faulted, faultWords(e.Fault.Reason)
		if e.Fault.Reason == wire.ReasonLinkTimeout { // the board is safe and may be armed again at once
			c.said, c.left, c.reason = wire.Safe, 0, "disarmed: "+e.Fault.Reason.String()
		}
		c.publish()
	}
}

// stated takes in what the board says of itself.
func (c *Control) stated(s wire.State) {
	before, left, reason := c.said, c.left, c.reason
	c.levels(s.Inputs)
	switch s.State {
	case wire.Armed, wire.Firing, wire.Resting:
		c.said, c.left = s.State, int(s.Left)
		if c.want == nil {
			c.makeSafe() // armed and nobody wants it: left over from an arming that was cut short
			break
		}
		c.want.seen = true
		if s.State == wire.Armed {
			c.want.waitsGo = s.Reason == wire.ReasonNotOpened
		}
		c.reason = c.activeWords(s.State)
	case wire.Faulted:
		if c.said != wire.Faulted {
			c.newEpoch()
		}
		c.endRun()
		c.said, c.left, c.reason = s.State, 0, faultWords(s.Reason)
	default:
		if c.want != nil && !c.want.seen {
			return // from before the board was armed
		}
		if c.want != nil {
			if s.Reason != wire.ReasonShotsDone {
				c.epoch++ // whoever made the board safe, it was asked for after what waits
			}
			c.endRun()
			c.reason = s.Reason.String()
		}
		c.said, c.left = s.State, 0
	}
	if d := c.disarming; d != nil && !c.active() {
		d.rest()
	}
	c.inShot = s.State == wire.Firing
	if before != c.said || left != c.left || reason != c.reason {
		c.publish()
		return
	}
	c.publishSoon()
}

// endRun: the board ended what was armed.
func (c *Control) endRun() {
	if c.want == nil {
		return
	}
	c.want.ended = true
	c.want.timer.stop()
	c.want = nil
}

func (c *Control) activeWords(s wire.StateCode) string {
	switch s {
	case wire.Firing:
		return "the shot is under way"
	case wire.Resting:
		return "resting after the shot: the flash recycles"
	}
	return armedWords(c.want)
}

func (c *Control) levels(bits uint8) {
	if c.link == nil {
		return
	}
	for i := range c.inputs {
		high := bits>>i&1 == 1
		c.inputs[i].Active = high != c.link.wiring.Inputs[i].Falling
	}
}

func (c *Control) edge(e wire.Edge) {
	if i := int(e.Input); c.link != nil && i < len(c.inputs) {
		c.inputs[i].Edges += int(e.Count)
		c.inputs[i].Active = e.High != c.link.wiring.Inputs[i].Falling
	}
	c.publishSoon()
}

func (c *Control) inputName(i uint8) string {
	if int(i) < len(c.inputs) {
		return c.inputs[i].Name
	}
	return fmt.Sprintf("input %d", i)
}

// rejectedWords says which edge was not acted on and why, with the numbers where they help.
func (c *Control) rejectedWords(l *link, e wire.Rejected) string {
	words := fmt.Sprintf("an edge of %s was not acted on: %s", c.inputName(e.Input), e.Reason.String())
	if (e.Reason == wire.ReasonTooFast || e.Reason == wire.ReasonTooSlow) && c.last != nil {
		interval := time.Duration(e.Interval) * l.id.Tick
		words += fmt.Sprintf(" (%.1f ms between the beams; accepted %.1f to %.1f ms)", ms(interval),
			ms(c.last.program.GateMin), ms(c.last.program.GateMax))
	}
	return words
}

// shotEnded puts a shot on its way into the record; it is shown when it is there.
func (c *Control) shotEnded(l *link, report board.Shot) {
	c.inShot = false
	r := c.last
	if r == nil {
		r = &run{set: c.set, program: c.plan.program, session: c.session}
	}
	c.notice = ""
	c.keep(l, r, report)
	c.publish()
}

// gone: there is no board any more. A shot that was under way is recorded as broken.
func (c *Control) gone(l *link, err error) {
	c.log.Error("the board is gone", "err", err)
	c.mu.Lock()
	defer c.mu.Unlock()
	c.newEpoch()
	if c.want != nil {
		c.want.timer.stop()
		c.want = nil
	}
	if d := c.disarming; d != nil {
		d.rest()
	}
	if c.inShot && c.last != nil {
		c.inShot = false
		c.keep(l, c.last, brokenShot(c.last.program))
	}
	c.link, c.said, c.left, c.outputs = nil, wire.Safe, 0, nil
	c.reason = goneWords(err)
	if l.failed != "" {
		c.reason = l.failed
	}
	c.trouble, c.lost = c.reason, c.reason
	for i := range c.inputs {
		c.inputs[i].Active = false
	}
	c.publish()
}

func brokenShot(p shot.Program) board.Shot {
	report := board.Shot{Status: wire.Aborted, Received: time.Now()}
	if p.Gate == nil && len(p.Table) > 0 {
		report.Delay = p.Table[0].Delay
	}
	return report
}
