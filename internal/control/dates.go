package control

import (
	"context"
	"fmt"
	"slices"
	"time"

	"stillwater/internal/bootclock"
	"stillwater/internal/journal"
)

const (
	clocksAgree = 5 * time.Second // phones' clocks that differ by less say the same
	originMoves = time.Second     // a smaller change of a boot's date is not worth writing down
	clockEvery  = 10 * time.Second
)

// No phone's clock can say a time before this program was written, or long after anyone uses it.
var (
	earliest = time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)
	latest   = time.Date(2076, 1, 1, 0, 0, 0, 0, time.UTC)
)

// dates works out when the machine's boot began. The machine's own clock counts when the system keeps it right, or has
// in this boot; else the phones' clocks count. With the time since the boot, which no one sets, that dates everything.
type dates struct {
	boot   string
	origin time.Time // zero: not known
	by     journal.Dating
	said   map[string]time.Time // the origin by each phone's clock
	split  string               // that the phones' clocks differ, in words
}

// told takes in what a phone's clock says now.
func (d *dates) told(client string, now time.Time, r bootclock.Reading) error {
	if now.Before(earliest) || now.After(latest) {
		return refusal("now", "This phone's clock cannot be right: it says "+now.UTC().Format("2 January 2006")+".",
			"Set its date, so that it can date the shots of a machine whose own clock is not set.")
	}
	if d.said == nil {
		d.said = map[string]time.Time{}
	}
	d.said[client] = now.Add(-r.SinceBoot)
	return nil
}

// settle decides anew. It says whether that changed anything.
func (d *dates) settle(r bootclock.Reading, holder string) (changed bool) {
	origin, by := d.origin, d.by
	switch {
	case r.Trusted:
		origin, by, d.split = r.Origin(), journal.BySystem, ""
	case d.by == journal.BySystem:
		return false
	case len(d.said) > 0:
		origin, by = d.ofPhones(holder), journal.ByPhone
	}
	if by == d.by && origin.Sub(d.origin).Abs() < originMoves {
		return false
	}
	d.origin, d.by = origin, by
	return true
}

// ofPhones is the middle of what the phones' clocks say. Of two that differ the holder's counts.
func (d *dates) ofPhones(holder string) time.Time {
	clients := make([]string, 0, len(d.said))
	for c := range d.said {
		clients = append(clients, c)
	}
	slices.Sort(clients)
	slices.SortStableFunc(clients, func(a, b string) int { return d.said[a].Compare(d.said[b]) })
	apart := d.said[clients[len(clients)-1]].Sub(d.said[clients[0]])
	chosen := clients[(len(clients)-1)/2]
	d.split = ""
	if apart >= clocksAgree {
		if _, ok := d.said[holder]; ok && len(clients) == 2 {
			chosen = holder
		}
		d.split = fmt.Sprintf("The phones' clocks differ by %s: that of %s counts.", apartWords(apart), chosen)
	}
	return d.said[chosen]
}

// date is the best date known for an instant of this boot.
func (d *dates) date(r bootclock.Reading) time.Time {
	if d.origin.IsZero() {
		return r.Wall
	}
	return d.origin.Add(r.SinceBoot)
}

// words say where dates come from when that is not the machine's own clock.
func (d *dates) words(r bootclock.Reading) string {
	switch {
	case d.origin.IsZero() && r.Trusted, d.by == journal.BySystem:
		return ""
	case d.origin.IsZero():
		return "The machine's clock is not set: dates are doubtful."
	case d.date(r).Sub(r.Wall).Abs() < clocksAgree:
		return d.split
	case d.split != "":
		return "The machine's clock is not set. " + d.split
	}
	return "The machine's clock is not set: dates are by a phone's clock."
}

// apartWords is a difference of clocks for people.
func apartWords(d time.Duration) string {
	switch {
	case d >= 48*time.Hour:
		return fmt.Sprintf("%d days", d/(24*time.Hour))
	case d >= 2*time.Hour:
		return fmt.Sprintf("%d h", d/time.Hour)
	case d >= 2*time.Minute:
		return fmt.Sprintf("%d min", d/time.Minute)
	}
	return fmt.Sprintf("%d s", d/time.Second)
}

// asWhen is an instant for the journal.
func asWhen(r bootclock.Reading) journal.When {
	return journal.When{Boot: r.Boot, SinceBoot: r.SinceBoot}
}

// phoneClock takes in a phone's clock, Unix ms.
func (c *Control) phoneClock(client string, now int64) error {
	if c.phones.connected[client] == 0 {
		return refusal("", "This phone is not connected.", "Reload the page.")
	}
	r := c.opts.Clock()
	if err := c.dates.told(client, time.UnixMilli(now), r); err != nil {
		return err
	}
	c.settleDates(r)
	return nil
}

// settleDates decides when the boot began and writes it down if that changed. The mutex is held.
func (c *Control) settleDates(r bootclock.Reading) {
	if !c.dates.settle(r, c.phones.holder) {
		return
	}
	boot, origin, by := c.dates.boot, c.dates.origin, c.dates.by
	c.log.Info("date of this boot", "began", origin, "by", string(by))
	c.rec.add(false, func(ctx context.Context) error {
		if err := c.opts.Journal.SetOrigin(ctx, boot, origin, by); err != nil {
			return err
		}
		return c.redate(ctx)
	})
}

// redate takes over the dates that the journal has now.
func (c *Control) redate(ctx context.Context) error {
	latest, ok, err := c.opts.Journal.LatestSession(ctx)
	if err != nil || !ok {
		return err
	}
	shots, err := c.opts.Journal.Shots(ctx, latest.ID, 0)
	if err != nil {
		return err
	}
	c.update(func() {
		if c.session.id != latest.ID {
			return // a new session was started meanwhile
		}
		c.session.started = latest.Started
		at := map[int64]journal.Shot{}
		for _, s := range shots {
			at[s.ID] = s
		}
		for i := range c.shots {
			if kept, ok := at[c.shots[i].ID]; ok {
				c.shots[i].At, c.shots[i].Dated = kept.At, kept.When.Dated.String()
			}
		}
	})
	return nil
}

// watchClock sees the machine's clock become right, and a holder change whose clock counts.
func (c *Control) watchClock(ctx context.Context) {
	tick := time.NewTicker(clockEvery)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
			r := c.opts.Clock()
			c.mu.Lock()
			c.settleDates(r)
			c.mu.Unlock()
		}
	}
}
