package control

import (
	"fmt"
	"slices"
	"time"
)

// phones knows who is connected, who holds the controls and who asked for them.
type phones struct {
	connected  map[string]int // connections of each client
	visible    map[string]int // of these, the ones whose page can be seen
	holder     string
	requesters []string
	grace      *graceTimer // nil while the holder can be reached
}

// graceTimer runs while the holder is disconnected or hidden.
type graceTimer struct {
	holder string
	timer  *timer
}

func (p *phones) onlookers() int {
	n := len(p.connected)
	if p.connected[p.holder] > 0 {
		n--
	}
	return n
}

// giveToNext gives the controls to whoever asked first, or to nobody.
func (p *phones) giveToNext() {
	p.holder = ""
	if len(p.requesters) > 0 {
		p.give(p.requesters[0])
	}
}

func (p *phones) give(client string) {
	p.holder = client
	p.requesters = slices.DeleteFunc(p.requesters, func(c string) bool { return c == client })
}

// away reports whether nobody can see or touch the holder's page. Without a holder nobody is missed.
func (p *phones) away() bool {
	return p.holder != "" && p.visible[p.holder] == 0
}

// Join says that a client is connected. Snapshots come on the channel, the newest only when the reader is slow, until
// leave is called with the time the client was last heard. A client may be connected several times.
func (c *Control) Join(client string) (snapshots <-chan *Snapshot, leave func(heard time.Time)) {
	v := &viewer{client: client, latest: make(chan *Snapshot, 1)}
	c.update(func() {
		c.viewers[v] = struct{}{}
		c.phones.connected[client]++
		c.phones.visible[client]++
		if client == c.phones.holder {
			c.phones.give(client)
		}
		c.watchHolder(time.Now())
	})
	return v.latest, func(heard time.Time) {
		c.update(func() {
			delete(c.viewers, v)
			c.disconnectPhone(v, heard)
		})
	}
}

// disconnectPhone removes one connection of a client. The others may all be hidden.
func (c *Control) disconnectPhone(v *viewer, heard time.Time) {
	p := &c.phones
	if !v.hidden {
		p.visible[v.client]--
	}
	if p.connected[v.client]--; p.connected[v.client] == 0 {
		delete(p.connected, v.client)
		delete(p.visible, v.client)
		p.requesters = slices.DeleteFunc(p.requesters, func(a string) bool { return a == v.client })
	}
	c.watchHolder(heard)
}

// watchHolder gives a holder whom nobody can reach the grace time to come back, counted from when it was last there.
// Called after each change of who holds the controls, who is connected and who is hidden. The mutex is held.
func (c *Control) watchHolder(there time.Time) {
	p := &c.phones
	if p.grace != nil && (!p.away() || p.grace.holder != p.holder) {
		p.grace.timer.stop()
		p.grace = nil
	}
	if p.grace == nil && p.away() {
		g := &graceTimer{holder: p.holder}
		g.timer = c.tasks.after(time.Until(there.Add(c.opts.Grace)), func() { c.graceExpired(g) })
		p.grace = g
	}
}

// graceExpired disarms, and frees the controls of a holder that is disconnected, unless it came back or the controls
// went to another.
func (c *Control) graceExpired(g *graceTimer) {
	c.mu.Lock()
	defer c.mu.Unlock()
	p := &c.phones
	if p.grace != g {
		return
	}
	p.grace = nil
	how := "was locked or showed something else"
	if p.connected[g.holder] == 0 {
		how = "was disconnected"
		p.giveToNext()
		c.watchHolder(time.Now())
	}
	if c.current != nil || c.measuringLag() {
		c.beginDisarm(fmt.Sprintf("disarmed: %s, which held the controls, %s for %s", g.holder, how,
			durationWords(c.opts.Grace)))
	}
	c.publish()
}

// setHidden says whether a phone's page can be seen. One phone may have it open twice, and one of them is in front.
func (c *Control) setHidden(client string, cmd Command) error {
	if c.phones.connected[client] == 0 {
		return refusal("controls", "This phone is not connected.", "Reload the page.")
	}
	for v := range c.viewers {
		if v.client != client || cmd.Connection != nil && cmd.Connection != v.latest || v.hidden == cmd.Hidden {
			continue
		}
		v.hidden = cmd.Hidden
		if v.hidden {
			c.phones.visible[client]--
		} else {
			c.phones.visible[client]++
		}
	}
	return nil
}

func (c *Control) take(client string) error {
	p := &c.phones
	switch {
	case p.connected[client] == 0:
		return refusal("controls", "This phone is not connected.", "Reload the page.")
	case p.holder == client:
	case p.holder == "":
		p.give(client)
	case !slices.Contains(p.requesters, client):
		p.requesters = append(p.requesters, client)
	}
	return nil
}

// release lets go of the controls. What is armed, or releases the camera, always has somebody who answers for it.
func (c *Control) release() error {
	if len(c.phones.requesters) == 0 {
		if c.measuringLag() {
			return errMeasuring
		}
		if err := c.requireDisarmed("controls", "Who holds the controls"); err != nil {
			return refusal("controls", "Nobody would hold the controls while armed.",
				"Disarm first, or give them to another phone.")
		}
	}
	c.phones.giveToNext()
	return nil
}

func (c *Control) give(to string) error {
	if c.phones.connected[to] == 0 {
		return refusal("to", fmt.Sprintf("No phone called %q is connected.", to), "Choose one of the phones that asked.")
	}
	c.phones.give(to)
	return nil
}
