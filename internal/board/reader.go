package board

import (
	"context"
	"fmt"
	"log/slog"
	"time"

	"stillwater/internal/wire"
)

// ping is a ping that was sent, and its answer.
type ping struct {
	token    uint32
	sent     time.Time
	answered time.Time
	board    wire.Tick
}

// read handles frames from the link until it ends. It never blocks on anything else.
func (c *Client) read() {
	var scanner wire.Decoder
	buf := make([]byte, 512)
	for {
		n, err := c.link.Read(buf)
		c.recordUnidentified(buf[:n])
		for _, b := range buf[:n] {
			if f, ok := scanner.Push(b); ok {
				c.handleFrame(f)
			}
		}
		if err != nil {
			c.shutdown(fmt.Errorf("its link ended: %w", err))
			return
		}
	}
}

// keepAlive pings the board until the client ends, and requests its state when the reader asks for it.
func (c *Client) keepAlive() {
	tick := time.NewTicker(pingEvery)
	defer tick.Stop()
	c.sendPing()
	for {
		select {
		case <-c.done:
			return
		case <-tick.C:
			c.sendPing()
		case <-c.resync:
			if err := c.send(wire.Identify{}.Frame(c.nextSeq())); err != nil {
				c.opts.Log.Debug("requesting the board's state", "error", err)
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

// handleFrame handles one valid frame. Until the board is identified, reports are ignored.
func (c *Client) handleFrame(f wire.Frame) {
	known, lost := c.noteSequence(f.Seq)
	if lost > 0 {
		c.opts.Log.Warn("frames from the board were lost; requesting its state", "frames", lost)
		c.requestState()
	}
	switch f.Type {
	case wire.TypeIdentity, wire.TypeInput, wire.TypeOutput:
		c.handleIdentity(known, f)
	case wire.TypePong:
		c.handlePong(f)
	case wire.TypeAck, wire.TypeRefused:
		c.handleAnswer(f)
	default:
		if known {
			c.handleReport(f)
		}
	}
}

// noteSequence records that a frame arrived. A board numbers all it sends, so a gap counts the frames lost.
func (c *Client) noteSequence(seq uint8) (known bool, lost int) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if !c.known {
		c.unidentified.Frames++
	} else {
		lost = int(seq - c.boardSeq - 1)
		if c.gone == nil {
			c.linkTimer.reset()
		}
	}
	c.boardSeq = seq
	return c.known, lost
}

// requestState has keepAlive ask for the board's identity and state. It does not block: the reader never writes.
func (c *Client) requestState() { trySend(c.resync, struct{}{}) }

// handleAnswer passes an answer to its pending request; an answer without one came too late and is dropped.
func (c *Client) handleAnswer(f wire.Frame) {
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
		c.opts.Log.Warn("the board sent an invalid answer", "type", f.Type, "error", err)
		return
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	w, ok := c.pending[seq]
	if !ok || w.kind != kind {
		return
	}
	delete(c.pending, seq)
	w.answer <- result
}

// handleReport turns a report into an event.
func (c *Client) handleReport(f wire.Frame) {
	m, err := wire.Parse(f)
	if err != nil {
		c.opts.Log.Warn("the board sent an invalid report", "type", f.Type, "error", err)
		return
	}
	switch m := m.(type) {
	case wire.State:
		c.observeTick(m.Now)
		c.emit(Event{State: &m})
	case wire.Edge:
		c.emit(Event{Edge: &m})
	case wire.Cue:
		c.handleCue(m)
	case wire.Shot:
		c.emit(Event{Shot: c.assembleShot(m)})
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
		c.shutdown(fmt.Errorf("nobody reads its events; %d shots, faults and changes of state are queued", maxKept))
	}
}

func (c *Client) observeTick(t wire.Tick) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.clock.AddTick(uint32(t), time.Since(c.epoch))
}

// time widens a tick and converts it to time.
func (c *Client) time(t wire.Tick) time.Duration {
	return ticksToTime(c.clock.Widen(uint32(t)), c.id.TickHz)
}

func (c *Client) handleCue(m wire.Cue) {
	if m.Shot == 0 { // a test pulse belongs to no shot
		c.mu.Lock()
		report := c.report(m)
		c.mu.Unlock()
		c.emit(Event{Pulse: &report})
		return
	}
	if stray := c.cues.add(m); stray > 0 {
		c.opts.Log.Debug("cues without a shot: an opening ended without one, or its report was lost", "cues", stray)
	}
	if m.Opening {
		c.mu.Lock()
		report := c.report(m)
		c.mu.Unlock()
		c.emit(Event{Opening: &report})
	}
}

// assembleShot joins a shot's report with the cues that came before it, converted from ticks to time.
func (c *Client) assembleShot(m wire.Shot) *ShotReport {
	cues, stray := c.cues.take(m.Number)
	if stray > 0 {
		c.opts.Log.Debug("cues without a shot: an opening ended without one, or its report was lost", "cues", stray)
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	s := &ShotReport{
		Number:   int(m.Number),
		Status:   m.Status,
		GateAt:   c.time(m.GateAt),
		ClockAt:  c.time(m.ClockAt),
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

// report converts a cue from ticks to time. The caller holds the mutex.
func (c *Client) report(m wire.Cue) CueReport {
	return CueReport{
		Output: m.Output, Index: int(m.Index), Opening: m.Opening,
		Planned: c.time(m.Planned), On: c.time(m.On), Off: c.time(m.Off),
	}
}

// handlePong takes the board's time from the answer to a ping.
func (c *Client) handlePong(f wire.Frame) {
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
	c.clock.AddRoundTrip(uint32(m.Now), p.sent.Sub(c.epoch), now.Sub(c.epoch))
	c.mu.Unlock()
	if jumped {
		level := slog.LevelWarn
		if c.opts.InProcess { // its clock stands still when this process gets no processor
			level = slog.LevelDebug
		}
		c.opts.Log.Log(context.Background(), level, "the board's clock jumped; checking whether it restarted",
			"tick", m.Now)
		c.requestState()
	}
}

// clockSlack is how far two clocks may run apart: crystals keep to 0.01 percent, ceramic resonators to 0.5.
const clockSlack = 0.01

// plausible reports whether a board whose clock was before.board at the previous ping can be at tick now without a
// restart. Each reading was taken between the sending of the ping and the arrival of its answer.
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
