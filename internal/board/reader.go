package board

import (
	"fmt"
	"time"

	"stillwater/internal/wire"
)

// ping is one that was sent; answered ones are judged by when they were sent and when the answer came.
type ping struct {
	token    uint32
	sent     time.Time
	answered time.Time
	board    wire.Tick
}

// read takes frames off the link until it ends. It never waits for anything else.
func (c *Client) read() {
	var scanner wire.Decoder
	buf := make([]byte, 512)
	for {
		n, err := c.link.Read(buf)
		c.hearStranger(buf[:n])
		for _, b := range buf[:n] {
			if f, ok := scanner.Push(b); ok {
				c.receive(f)
			}
		}
		if err != nil {
			c.end(fmt.Errorf("%w: its link ended: %w", ErrGone, err))
			return
		}
	}
}

// keepAlive pings the board until the client ends, and asks it how it is when the reader wants to know.
func (c *Client) keepAlive() {
	tick := time.NewTicker(pingEvery)
	defer tick.Stop()
	c.sendPing()
	for {
		select {
		case <-c.ended:
			return
		case <-tick.C:
			c.sendPing()
		case <-c.doubt:
			if err := c.send(wire.Identify{}.Frame(c.nextSeq())); err != nil {
				c.opts.Log.Debug("asking the board how it is", "error", err)
			}
		}
	}
}

func (c *Client) sendPing() {
	c.mu.Lock()
	c.token++
	c.seq++
	token, seq := c.token, c.seq
	c.pings[token%uint32(len(c.pings))] = ping{token: token, sent: time.Now()}
	c.mu.Unlock()
	if err := c.send(wire.Ping{Token: token}.Frame(seq)); err != nil {
		c.opts.Log.Debug("pinging the board", "error", err)
	}
}

// receive acts on one sound frame. Before the board is known only what it says it is matters.
func (c *Client) receive(f wire.Frame) {
	known, lost := c.arrived(f.Seq)
	if lost > 0 {
		c.opts.Log.Warn("frames from the board were lost; asking it how things stand", "frames", lost)
		c.askState()
	}
	switch f.Type {
	case wire.TypeIdentity, wire.TypeInput, wire.TypeOutput:
		c.introduced(known, f)
	case wire.TypePong:
		c.pong(f)
	case wire.TypeAck, wire.TypeRefused:
		c.answered(f)
	default:
		if known {
			c.told(f)
		}
	}
}

// arrived notes that something was heard. A board numbers all it sends, so a jump is what was lost on the way.
func (c *Client) arrived(seq uint8) (known bool, lost int) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if !c.known {
		c.stranger.Frames++
	} else {
		lost = int(seq - c.boardSeq - 1)
		if c.gone == nil {
			c.silence.heard()
		}
	}
	c.boardSeq = seq
	return c.known, lost
}

// askState makes the board say what it is and what state it is in. It does not wait: the reader never writes.
func (c *Client) askState() { offer(c.doubt, struct{}{}) }

// answered hands an answer to the request that waits for it; answers nobody waits for any more are of no use.
func (c *Client) answered(f wire.Frame) {
	var seq uint8
	var kind wire.Type
	var result error
	switch m, err := wire.Parse(f); m := m.(type) {
	case wire.Ack:
		seq, kind = m.Seq, m.Type
	case wire.Refused:
		seq, kind = m.Seq, m.Type
		result = &RefusedError{Request: m.Type, Reason: m.Reason, Detail: m.Detail}
	default:
		c.opts.Log.Warn("the board sent an answer that makes no sense", "type", f.Type, "error", err)
		return
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	w, ok := c.waiting[seq]
	if !ok || w.kind != kind {
		return
	}
	delete(c.waiting, seq)
	w.answer <- result
}

// told turns what the board tells into an event.
func (c *Client) told(f wire.Frame) {
	m, err := wire.Parse(f)
	if err != nil {
		c.opts.Log.Warn("the board sent something that makes no sense", "type", f.Type, "error", err)
		return
	}
	switch m := m.(type) {
	case wire.State:
		c.hear(m.Now)
		c.emit(Event{State: &m})
	case wire.Edge:
		c.emit(Event{Edge: &m})
	case wire.Cue:
		c.keepCue(m)
	case wire.Shot:
		c.emit(Event{Shot: c.wholeShot(m)})
	case wire.Rejected:
		c.emit(Event{Rejected: &m})
	case wire.Fault:
		c.emit(Event{Fault: &m})
	case wire.Level:
		c.emit(Event{Level: &m})
	case wire.Lost:
		c.emit(Event{Lost: &m})
	}
}

func (c *Client) emit(e Event) {
	if !c.queue.put(e) {
		c.end(fmt.Errorf("%w: nobody reads what it tells; %d shots, faults and changes of state wait", ErrGone, mostWaiting))
	}
}

func (c *Client) hear(t wire.Tick) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.clock.AddTick(uint32(t), time.Since(c.began))
}

// time is a tick of the board's, widened, as time.
func (c *Client) time(t wire.Tick) time.Duration {
	return ticksToTime(c.clock.Widen(uint32(t)), c.id.TickHz)
}

func (c *Client) keepCue(m wire.Cue) {
	if m.Shot == 0 { // a test pulse belongs to no shot
		c.mu.Lock()
		report := c.report(m)
		c.mu.Unlock()
		c.emit(Event{Pulse: &report})
		return
	}
	if stray := c.gather.cue(m); stray > 0 {
		c.opts.Log.Debug("pulses without a shot: an opening ran out, or a shot's report was lost", "cues", stray)
	}
}

// wholeShot is a shot's report with the cues that came before it, in time instead of ticks.
func (c *Client) wholeShot(m wire.Shot) *Shot {
	cues, stray := c.gather.end(m.Number)
	if stray > 0 {
		c.opts.Log.Debug("pulses without a shot: an opening ran out, or a shot's report was lost", "cues", stray)
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	s := &Shot{
		Number:   int(m.Number),
		Status:   m.Status,
		Gate:     c.time(m.Gate),
		Clock:    c.time(m.Clock),
		Delay:    ticksToTime(int64(m.Delay), c.id.TickHz),
		Bounced:  int(m.Bounced),
		Missing:  max(int(m.Cues)-len(cues), 0),
		Received: time.Now(),
	}
	for _, cue := range cues {
		s.Cues = append(s.Cues, c.report(cue))
	}
	return s
}

// report is a pulse in time instead of ticks. The mutex is held.
func (c *Client) report(m wire.Cue) CueReport {
	return CueReport{
		Output: m.Output, Opening: m.Opening, Planned: c.time(m.Planned), On: c.time(m.On), Off: c.time(m.Off),
	}
}

// pong takes the board's time from an answered ping.
func (c *Client) pong(f wire.Frame) {
	m, err := wire.ParsePong(f)
	if err != nil {
		return
	}
	c.mu.Lock()
	p := c.pings[m.Token%uint32(len(c.pings))]
	if !c.known || p.token != m.Token {
		c.mu.Unlock()
		return
	}
	now := time.Now()
	jumped := !c.lastPing.answered.IsZero() && !plausible(c.lastPing, m.Now, p.sent, now, c.id.TickHz)
	c.lastPing = ping{token: p.token, sent: p.sent, answered: now, board: m.Now}
	c.clock.AddRoundTrip(uint32(m.Now), p.sent.Sub(c.began), now.Sub(c.began))
	c.mu.Unlock()
	if jumped {
		c.opts.Log.Warn("the board's clock jumped; asking whether it started again", "tick", m.Now)
		c.askState()
	}
}

// clockSlack is how far two clocks may run apart: crystals keep to 0.01 percent, ceramic resonators to 0.5.
const clockSlack = 0.01

// plausible says whether a board that read before.board at the ping before can read tick now without having started
// again. Each reading was taken between the ping's leaving and its answer's coming.
func plausible(before ping, tick wire.Tick, sent, answered time.Time, hz uint32) bool {
	least := max(sent.Sub(before.answered), 0)
	most := answered.Sub(before.sent)
	if most > ticksToTime(1<<31, hz)/2 {
		return true // too long ago to tell
	}
	passed := ticksToTime(int64(tick.Sub(before.board)), hz)
	slack := time.Duration(clockSlack*float64(most)) + time.Millisecond
	return passed >= least-slack && passed <= most+slack
}
