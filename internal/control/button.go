package control

import (
	"context"
	"fmt"
	"time"

	"stillwater/internal/wire"
	"stillwater/internal/wiring"
)

// A button for hands that are full: each press disarms, like a phone does, whatever the state. Where a gesture is
// configured and the board waits for Go, the gesture gives Go and any other press disarms; nothing can fire meanwhile.
// A gesture is over only when the button is let go, so one that sticks gives no Go; it begins with a button that was
// still for a second, so one that chatters gives none either. No button arms.

// Common practice, no source.
const (
	maxBounce        = 60 * time.Millisecond // a change later than this is no bounce; boards report within 50 ms
	minPress         = 20 * time.Millisecond // shorter is interference on the lead, not a finger
	twoPressesWithin = time.Second           // from the first press until the second one is let go
	stillBefore      = time.Second           // a gesture: a contact that chatters makes two presses, or a long one, too
	minHold          = 700 * time.Millisecond
	maxHold          = 5 * time.Second // whoever stands on it for longer did not mean Go
)

// buttonAct is what a change of a button causes.
type buttonAct int

const (
	buttonIgnored buttonAct = iota
	buttonDisarm
	buttonGo
)

// button tracks one button's level. Times are the board's ticks, so that presses which the link delivers together keep
// the interval between them.
type button struct {
	gesture wiring.Gesture
	tick    time.Duration
	known   bool // whether its level was reported yet
	moved   bool // lately, as far as is known: ticks wrap, so that a long time looks short
	down    bool
	presses int // of the gesture under way
	first   wire.Tick
	pressed wire.Tick
	changed wire.Tick
	serial  int // of the gesture under way, for its timer
}

// change handles the level that the board reports, after so many changes.
func (b *button) change(down bool, changes int, at wire.Tick, waitsGo bool) buttonAct {
	since := b.between(b.changed, at)
	switch {
	case !b.known:
		b.known, b.down = true, down
		return buttonIgnored
	case down == b.down && changes > 1 && (since > maxBounce || since < 0):
		b.presses, b.moved, b.changed = 0, true, at
		return buttonDisarm // a whole press, between two reports
	case down == b.down:
		b.moved = b.moved && since <= stillBefore
		return buttonIgnored
	}
	still := !b.moved || since < 0 || since > stillBefore
	b.down, b.moved, b.changed = down, true, at
	switch {
	case down && (!waitsGo || b.gesture == wiring.NoGesture || b.presses == 0 && !still):
		b.presses = 0
		return buttonDisarm
	case down:
		b.press(at)
		return buttonIgnored
	case b.presses == 0:
		return buttonIgnored
	}
	return b.release(at, waitsGo)
}

func (b *button) press(at wire.Tick) {
	b.pressed = at
	if b.presses++; b.presses == 1 {
		b.first = at
		b.serial++
	}
}

// release judges the gesture so far.
func (b *button) release(at wire.Tick, waitsGo bool) buttonAct {
	lasted, since := b.between(b.pressed, at), b.between(b.first, at)
	switch {
	case lasted < minPress:
	case b.gesture == wiring.TwoPresses && b.presses == 1 && since <= twoPressesWithin:
		return buttonIgnored
	case !waitsGo:
	case b.gesture == wiring.TwoPresses && since <= twoPressesWithin,
		b.gesture == wiring.Hold && lasted >= minHold && lasted <= maxHold:
		b.presses = 0
		return buttonGo
	}
	b.presses = 0
	return buttonDisarm
}

func (b *button) between(from, to wire.Tick) time.Duration {
	return time.Duration(to.Sub(from)) * b.tick
}

// longest is how long the gesture may take.
func (b *button) longest() time.Duration {
	if b.gesture == wiring.Hold {
		return maxHold
	}
	return twoPressesWithin
}

// use says what a button does.
func (b *button) use() string {
	switch b.gesture {
	case wiring.TwoPresses:
		return "a press disarms; while Go is awaited, two presses within a second give Go"
	case wiring.Hold:
		return fmt.Sprintf("a press disarms; while Go is awaited, holding it for a second and letting go gives Go, "+
			"and holding it for longer than %s disarms", durationWords(maxHold))
	}
	return "a press disarms"
}

// newButtons returns the buttons of a board by their inputs.
func (w Wiring) newButtons(tick time.Duration) map[uint8]*button {
	buttons := map[uint8]*button{}
	for i, in := range w.Inputs {
		if in.Role == wiring.Button {
			buttons[uint8(i)] = &button{gesture: in.Go, tick: tick}
		}
	}
	return buttons
}

// buttonDown is the name of a button that is held down; "" none is. The mutex is held.
func (c *Control) buttonDown() string {
	for i, b := range c.link.buttons {
		if b.down {
			return c.inputName(i)
		}
	}
	return ""
}

// changeButton handles the level of an input that may be a button. The mutex is held.
func (c *Control) changeButton(input uint8, high bool, changes int, at wire.Tick) {
	b := c.link.buttons[input]
	if b == nil {
		return
	}
	before := b.serial
	switch b.change(high == c.link.wiring.Inputs[input].ActiveHigh, changes, at, c.waitsGo()) {
	case buttonDisarm:
		c.buttonDisarms(input)
	case buttonGo:
		c.buttonGoes(input)
	}
	if serial := b.serial; serial != before {
		c.tasks.after(b.longest(), func() { c.gestureExpired(input, b, serial) })
	}
}

// waitsGo reports whether nothing happens until Go. The mutex is held.
func (c *Control) waitsGo() bool { return c.state() == Armed && c.current != nil && c.current.waitsGo }

// gestureExpired disarms when a press was not the beginning of a gesture after all.
func (c *Control) gestureExpired(input uint8, b *button, serial int) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.link == nil || c.link.buttons[input] != b || b.presses == 0 || b.serial != serial {
		return
	}
	c.buttonDisarms(input)
}

// buttonLost handles edges of an input that were lost: one of them may have been a press. The mutex is held.
func (c *Control) buttonLost(input uint8) {
	if c.link != nil && c.link.buttons[input] != nil {
		c.buttonDisarms(input)
	}
}

func (c *Control) buttonDisarms(input uint8) {
	c.beginDisarm("disarmed by the " + c.inputName(input))
	c.publish()
}

// buttonGoes gives Go in the place of a phone. The mutex is held.
func (c *Control) buttonGoes(input uint8) {
	epoch, r, l := c.epoch, c.current, c.link
	c.tasks.run(func() {
		err := c.sendGo(context.Background(), epoch, func() error {
			if c.epoch != epoch || c.current != r || c.link != l || !r.waitsGo || c.stopping {
				return refusal("go", "It was disarmed meanwhile, or Go was given.", "Check the state.")
			}
			return nil
		})
		if err != nil {
			c.update(func() { c.notice = fmt.Sprintf("Go by the %s: %v", c.inputName(input), err) })
		}
	})
}

// cancelGestures ends gestures that presses may have begun. The mutex is held.
func (l *link) cancelGestures() {
	for _, b := range l.buttons {
		b.presses = 0
	}
}
