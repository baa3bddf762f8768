package control

import (
	"cmp"
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

	// A phone whose clock jumped is believed again when its reports have agreed for so long: a phone that was set right
	// is back the same evening, and one whose clock flips to and fro moves no date.
	believedAfter = 10 * time.Minute
	dateLogEvery  = time.Minute
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
	phones map[string]phoneClock
	split  string // that the phones' clocks differ, in words
	logged time.Time
}

// phoneClock is what a phone's reports say of the boot. They are held against the first one, so that a clock cannot
// creep away either.
type phoneClock struct {
	origin time.Time
	since  time.Duration // from the boot to the first report that said so
	jumped bool          // the reports before said something else; not believed
}

// report takes in what a phone's clock says now. It says whether the phone has just lost belief.
func (d *dates) report(client string, now time.Time, r bootclock.Reading) (lost bool, err error) {
	if now.Before(earliest) || now.After(latest) {
		return false, refusal("now", "This phone's clock cannot be right: it says "+now.UTC().Format("2 January 2006")+".",
			"Set its date, so that it can date the shots of a machine whose own clock is not set.")
	}
	if d.phones == nil {
		d.phones = map[string]phoneClock{}
	}
	origin := now.Add(-r.SinceBoot)
	before, known := d.phones[client]
	switch {
	case !known:
		d.phones[client] = phoneClock{origin: origin, since: r.SinceBoot}
	case origin.Sub(before.origin).Abs() >= clocksAgree:
		d.phones[client] = phoneClock{origin: origin, since: r.SinceBoot, jumped: true}
		return !before.jumped, nil
	case before.jumped && r.SinceBoot-before.since >= believedAfter:
		before.jumped = false
		d.phones[client] = before
	}
	return false, nil
}

// believed lists the phones whose clocks count, the one with the earliest date first.
func (d *dates) believed() (clients []string) {
	for client, clock := range d.phones {
		if !clock.jumped {
			clients = append(clients, client)
		}
	}
	slices.SortFunc(clients, func(a, b string) int {
		return cmp.Or(d.phones[a].origin.Compare(d.phones[b].origin), cmp.Compare(a, b))
	})
	return clients
}

// settle decides anew. It says whether that changed anything.
func (d *dates) settle(r bootclock.Reading, holder string) (changed bool) {
	origin, by := d.origin, d.by
	switch {
	case r.Trusted:
		origin, by, d.split = r.Origin(), journal.BySystem, ""
	case d.by == journal.BySystem:
		return false
	default:
		if middle, ok := d.ofPhones(holder); ok {
			origin, by = middle, journal.ByPhone
		}
	}
	if by == d.by && origin.Sub(d.origin).Abs() < originMoves {
		return false
	}
	d.origin, d.by = origin, by
	return true
}

// ofPhones is the middle of what the phones' clocks say; false when none is believed. Of two that differ the holder's
// counts.
func (d *dates) ofPhones(holder string) (origin time.Time, ok bool) {
	clients := d.believed()
	d.split = ""
	if len(clients) == 0 {
		return time.Time{}, false
	}
	chosen := clients[(len(clients)-1)/2]
	apart := d.phones[clients[len(clients)-1]].origin.Sub(d.phones[clients[0]].origin)
	if apart >= clocksAgree {
		if len(clients) == 2 && slices.Contains(clients, holder) {
			chosen = holder
		}
		d.split = fmt.Sprintf("The phones' clocks differ by %s: that of %s counts.", apartWords(apart), chosen)
	}
	return d.phones[chosen].origin, true
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
	lost, err := c.dates.report(client, time.UnixMilli(now), r)
	if err != nil {
		return err
	}
	if lost {
		c.log.Warn("a phone's clock jumped: it dates nothing until its reports agree again", "client", client,
			"for", believedAfter)
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
	if now := time.Now(); now.Sub(c.dates.logged) >= dateLogEvery {
		c.dates.logged = now
		c.log.Info("date of this boot", "began", origin, "by", string(by))
	}
	c.rec.put("origin", func(ctx context.Context) error {
		if err := c.opts.Journal.SetOrigin(ctx, boot, origin, by); err != nil {
			return err
		}
		return c.redate(ctx)
	})
}

// redate takes over the dates that the journal has now for what is shown.
func (c *Control) redate(ctx context.Context) error {
	latest, ok, err := c.opts.Journal.LatestSession(ctx)
	if err != nil || !ok {
		return err
	}
	shots, err := c.opts.Journal.Shots(ctx, latest.ID, shotsShown)
	if err != nil {
		return err
	}
	c.update(func() {
		if c.session.id != latest.ID {
			return // a new session was started meanwhile
		}
		c.session.started = latest.Started
		for _, kept := range shots {
			c.changeShown(kept.ID, func(s *Shot) { s.At, s.Dated = kept.At, kept.When.Dated.String() })
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
