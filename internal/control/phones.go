package control

import (
	"fmt"
	"slices"
	"time"
)

// phones knows who is connected, who holds the controls and who asked for them.
type phones struct {
	connected  map[string]int // connections of each client
	holder     string
	requesters []string
	grace      *graceTimer // nil while the holder is connected
}

// graceTimer runs while the holder is disconnected.
type graceTimer struct{ timer *timer }

func (p *phones) onlookers() int {
	n := len(p.connected)
	if p.connected[p.holder] > 0 {
		n--
	}
	return n
}

// giveToNext gives the controls to the one who asked first, or to nobody.
func (p *phones) giveToNext() {
	p.holder = ""
	if len(p.requesters) > 0 {
		p.give(p.requesters[0])
	}
}

func (p *phones) give(client string) {
	p.holder = client
	p.requesters = slices.DeleteFunc(p.requesters, func(c string) bool { return c == client })
	if p.grace != nil {
		p.grace.timer.stop()
		p.grace = nil
	}
}

// Join says that a client is connected. Snapshots come on the channel, the newest only when the reader is slow, until
// leave is called with the time the client was last heard. A client may be connected several times.
func (c *Control) Join(client string) (snapshots <-chan *Snapshot, leave func(heard time.Time)) {
	v := &viewer{latest: make(chan *Snapshot, 1)}
	c.update(func() {
		c.viewers[v] = struct{}{}
		c.phones.connected[client]++
		if client == c.phones.holder {
			c.phones.give(client)
		}
	})
	return v.latest, func(heard time.Time) {
		c.update(func() {
			delete(c.viewers, v)
			c.disconnectPhone(client, heard)
		})
	}
}

// disconnectPhone takes one connection of a client away. The holder has the grace time to come back, counted from when
// it was last heard.
func (c *Control) disconnectPhone(client string, heard time.Time) {
	p := &c.phones
	if p.connected[client]--; p.connected[client] > 0 {
		return
	}
	delete(p.connected, client)
	p.requesters = slices.DeleteFunc(p.requesters, func(a string) bool { return a == client })
	if client != p.holder {
		return
	}
	a := &graceTimer{}
	a.timer = c.tasks.after(time.Until(heard.Add(c.opts.Grace)), func() { c.graceExpired(a) })
	p.grace = a
}

// graceExpired disarms and frees the controls, unless the holder came back or the controls went to another.
func (c *Control) graceExpired(a *graceTimer) {
	c.mu.Lock()
	defer c.mu.Unlock()
	p := &c.phones
	if p.grace != a {
		return
	}
	p.grace = nil
	gone := p.holder
	p.giveToNext()
	if c.current != nil {
		c.beginDisarm(fmt.Sprintf("disarmed: %s, which held the controls, was gone for %s", gone,
			durationWords(c.opts.Grace)))
	}
	c.publish()
}

func (c *Control) take(client string) error {
	p := &c.phones
	switch {
	case p.connected[client] == 0:
		return refusal("", "This phone is not connected.", "Reload the page.")
	case p.holder == client:
	case p.holder == "":
		p.give(client)
	case !slices.Contains(p.requesters, client):
		p.requesters = append(p.requesters, client)
	}
	return nil
}

// release lets go of the controls. Something armed always has somebody who answers for it.
func (c *Control) release() error {
	if len(c.phones.requesters) == 0 {
		if err := c.requireDisarmed("", "Who holds the controls"); err != nil {
			return refusal("", "Nobody would hold the controls while armed.", "Disarm first, or give them to another phone.")
		}
	}
	c.phones.giveToNext()
	return nil
}

func (c *Control) give(to string) error {
	if c.phones.connected[to] == 0 {
		return refusal("to", fmt.Sprintf("There is no %q connected.", to), "Choose one of the phones that asked.")
	}
	c.phones.give(to)
	return nil
}
