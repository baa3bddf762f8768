package control

import (
	"context"
	"fmt"
	"maps"
	"math"
	"slices"
	"time"

	"stillwater/internal/meter"
	"stillwater/internal/sentence"
	"stillwater/internal/wire"
	"stillwater/internal/wiring"
)

// What each sensor did lately, and its level where the board measures one, for the person who sets it up.

// Break is one time that a beam was broken, a sound heard, or a switch pressed.
type Break struct {
	At       int64   `json:"at"`        // Unix ms when it began
	LengthMs float64 `json:"length_ms"` // from the first edge to the last; 0: not known
	Pieces   int     `json:"pieces"`    // 1: it was one
}

// LevelView is how loud a microphone is, in steps of the board's converter, and what counts as a sound.
type LevelView struct {
	Now       int `json:"now"`
	Peak      int `json:"peak"`      // of the last seconds
	Threshold int `json:"threshold"` // as it was set; 0: the board's own
}

const (
	peakHeld         = 5 * time.Second
	maxThreshold     = 511 // half of the range of a 10-bit converter, as the level is the distance from its middle
	minLevelInterval = 250 * time.Millisecond
	longSilence      = 100 * time.Second // after which ticks may have wrapped; see wire.Tick
	chatterInterval  = 500 * time.Millisecond
)

// sensor follows one input of a board.
type sensor struct {
	meter   meter.Meter
	at      time.Duration // board time of the last report, counted from the first
	tick    wire.Tick     // the same, as the board stamped it
	seen    time.Time     // when it arrived
	level   *LevelView    // nil: none was reported
	peaked  time.Time     // when the level's peak was
	shown   int           // the level that was published last
	shownAt time.Time
}

// add adds a report of the input.
func (s *sensor) add(e wire.Edge, active bool, tick time.Duration, now time.Time) {
	if !s.seen.IsZero() {
		passed := time.Duration(e.At.Sub(s.tick)) * tick
		if gap := now.Sub(s.seen); gap > longSilence {
			passed = gap
		}
		s.at += max(passed, 0)
	}
	s.tick, s.seen = e.At, now
	s.meter.Add(meter.Edges{Active: active, Count: int(e.Count), At: s.at})
}

// chatter says that the sensor chatters, why, and what to do; "" it does not.
func (s *sensor) chatter(role wiring.Role, now time.Time) string {
	c, ok := s.meter.Chatter(s.at + now.Sub(s.seen))
	if !ok {
		return ""
	}
	cause := causeFor(role, c.Cause)
	remedy := cause.Remedy()
	if role == wiring.Microphone && cause == meter.Threshold {
		remedy = "raise the threshold above the room's noise"
	}
	return fmt.Sprintf("chatters, %.0f times a second: probably %s; %s", c.PerSecond, cause, remedy)
}

// causeFor is the likeliest cause for that kind of sensor: a microphone sees no light and holds each sound for a while,
// and a contact has no threshold.
func causeFor(role wiring.Role, cause meter.Cause) meter.Cause {
	switch role {
	case wiring.Microphone:
		if cause == meter.MainsLight {
			return meter.MainsHum
		}
		if cause == meter.LooseConnector {
			return meter.Threshold
		}
	case wiring.Sync, wiring.Kill, wiring.Button:
		if cause != meter.MainsHum {
			return meter.LooseConnector
		}
	}
	return cause
}

// view adds to an input what its sensor did.
func (s *sensor) view(in InputView, now time.Time) InputView {
	in.Breaks = []Break{}
	for _, b := range s.meter.Breaks() {
		began := s.seen.Add(b.From - s.at)
		in.Breaks = append(in.Breaks, Break{At: began.UnixMilli(), LengthMs: ms(b.Length), Pieces: b.Pieces})
	}
	in.Chatter = s.chatter(wiring.Role(in.Role), now)
	if s.level != nil {
		level := *s.level
		in.Level = &level
	}
	return in
}

// inputViews are the inputs as they are shown. The mutex is held.
func (c *Control) inputViews(now time.Time) []InputView {
	list := []InputView{}
	for i, in := range c.inputs {
		s := &sensor{}
		if c.link != nil {
			s = c.link.sensors[i]
		}
		list = append(list, s.view(in, now))
	}
	return list
}

// meterEdge adds an input's report to its meter. The mutex is held.
func (c *Control) meterEdge(e wire.Edge, active bool) {
	now := time.Now()
	s := c.link.sensors[e.Input]
	s.add(e, active, c.link.id.Tick, now)
	if !c.watchingChatter && s.chatter("", now) != "" {
		c.watchingChatter = true
		c.tasks.after(chatterInterval, c.watchChatter)
	}
}

// watchChatter publishes until no sensor chatters, so that the page shows the end of it, too.
func (c *Control) watchChatter() {
	c.mu.Lock()
	defer c.mu.Unlock()
	now := time.Now()
	c.watchingChatter = c.link != nil && slices.ContainsFunc(c.link.sensors, func(s *sensor) bool {
		return s.chatter("", now) != ""
	})
	if c.watchingChatter {
		c.tasks.after(chatterInterval, c.watchChatter)
	}
	c.publishSoon()
}

// handleLevel handles an input's level. Boards report it twenty times a second: it is shown four times a second, when
// it changes, and not while something is armed. The mutex is held.
func (c *Control) handleLevel(l *link, e wire.Level) {
	if int(e.Input) >= len(l.sensors) {
		return
	}
	s, now := l.sensors[e.Input], time.Now()
	if s.level == nil {
		s.level = &LevelView{Threshold: int(c.thresholds[c.inputName(e.Input)])}
	}
	s.level.Now = int(e.Value)
	if s.level.Now >= s.level.Peak || now.Sub(s.peaked) > peakHeld {
		s.level.Peak, s.peaked = s.level.Now, now
	}
	if now.Sub(s.shownAt) < minLevelInterval || s.level.Now == s.shown || c.current != nil {
		return
	}
	s.shown, s.shownAt = s.level.Now, now
	c.publishSoon()
}

// setThreshold sets above which level a sound is heard.
func (c *Control) setThreshold(ctx context.Context, client string, cmd Command) error {
	c.mu.Lock()
	l, input, err := c.checkThreshold(client, cmd)
	c.mu.Unlock()
	if err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(ctx, commandTimeout)
	defer cancel()
	if err := l.board.SetLevel(ctx, input, uint16(cmd.Level)); err != nil {
		return refusal("level", fmt.Sprintf("The threshold was not set: %v.", err), "Try again.")
	}
	c.update(func() {
		c.thresholds[cmd.Input] = uint16(cmd.Level)
		if s := l.sensors[input]; s.level != nil {
			s.level.Threshold, s.level.Peak = cmd.Level, s.level.Now
		}
	})
	return nil
}

func (c *Control) checkThreshold(client string, cmd Command) (*link, uint8, error) {
	if err := c.requireHolder(client); err != nil {
		return nil, 0, err
	}
	if err := c.requireDisarmed("level", "The threshold"); err != nil {
		return nil, 0, err
	}
	l := c.reachable()
	if l == nil {
		return nil, 0, refusal("", sentence.From(c.reason), "Wait until it is connected.")
	}
	i := slices.IndexFunc(c.inputs, func(in InputView) bool { return in.Name == cmd.Input })
	switch {
	case i < 0:
		return nil, 0, refusal("input", fmt.Sprintf("The board has no input %q.", cmd.Input), "Reload the page.")
	case l.sensors[i].level == nil:
		return nil, 0, refusal("input", fmt.Sprintf("The board does not measure how loud %s is: it only has on and off.",
			cmd.Input), "Turn the trimmer of its comparator.")
	case cmd.Level < 1 || cmd.Level > maxThreshold:
		return nil, 0, refusal("level", fmt.Sprintf("The threshold cannot be %d.", cmd.Level),
			fmt.Sprintf("Choose 1 to %d.", maxThreshold))
	}
	return l, uint8(i), nil
}

// restoreThresholds gives a board that is connected anew what was set before.
func (c *Control) restoreThresholds(ctx context.Context, l *link) {
	c.mu.Lock()
	set := maps.Clone(c.thresholds)
	c.mu.Unlock()
	for i, in := range l.wiring.Inputs {
		threshold, ok := set[in.Name]
		if !ok {
			continue
		}
		if err := l.board.SetLevel(ctx, uint8(i), threshold); err != nil {
			c.log.Warn("the threshold could not be set again", "input", in.Name, "err", err)
		}
	}
}

// newSensors returns the sensors of a board's inputs.
func (w Wiring) newSensors() []*sensor {
	list := make([]*sensor, len(w.Inputs))
	for i := range list {
		list[i] = &sensor{shown: math.MinInt}
	}
	return list
}
