package control

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"time"

	"stillwater/internal/bootclock"
	"stillwater/internal/record"
)

const (
	clocksAgreeWithin = 5 * time.Second // phones' clocks that differ by less say the same
	minOriginChange   = time.Second     // a smaller change of a boot's date is not worth writing down
	clockInterval     = 10 * time.Second

	// A phone whose clock jumped is trusted again when its reports have agreed for so long: a phone that was set right
	// is back the same evening, and one whose clock flips to and fro moves no date.
	trustAfter      = 10 * time.Minute
	dateLogInterval = time.Minute
)

// No phone's clock can say a time before this program was written, or long after anyone uses it.
var (
	earliest = time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)
	latest   = time.Date(2076, 1, 1, 0, 0, 0, 0, time.UTC)
)

// dates works out when the machine's boot began. The machine's own clock counts when the system keeps it right, or has
// in this boot; else the phones' clocks count. With the time since the boot, which no one sets, that dates everything.
type dates struct {
	boot         string
	origin       time.Time // zero: not known
	datedBy      record.Dating
	phones       map[string]phoneClock
	disagreement string // that the phones' clocks differ, in words
	lastLogged   time.Time
}

// phoneClock is what a phone's reports say of the boot. They are held against the first one, so that a clock cannot
// drift away unnoticed either.
type phoneClock struct {
	origin time.Time
	since  time.Duration // from the boot to the first report that said so
	jumped bool          // the reports before said something else; not trusted
}

// report records what a phone's clock says now, and reports whether the phone's clock has just become distrusted.
func (d *dates) report(client string, now time.Time, r bootclock.Reading) (distrusted bool, err error) {
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
	case origin.Sub(before.origin).Abs() >= clocksAgreeWithin:
		d.phones[client] = phoneClock{origin: origin, since: r.SinceBoot, jumped: true}
		return !before.jumped, nil
	case before.jumped && r.SinceBoot-before.since >= trustAfter:
		before.jumped = false
		d.phones[client] = before
	}
	return false, nil
}

// trusted lists the phones whose clocks count, the one with the earliest date first.
func (d *dates) trusted() (clients []string) {
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

// settle decides again, and reports whether that changed the date.
func (d *dates) settle(r bootclock.Reading, holder string) (changed bool) {
	origin, by := d.origin, d.datedBy
	switch {
	case r.Trusted:
		origin, by, d.disagreement = r.Origin(), record.BySystem, ""
	case d.datedBy == record.BySystem:
		return false
	default:
		if middle, ok := d.phoneOrigin(holder); ok {
			origin, by = middle, record.ByPhone
		}
	}
	if by == d.datedBy && origin.Sub(d.origin).Abs() < minOriginChange {
		return false
	}
	d.origin, d.datedBy = origin, by
	return true
}

// phoneOrigin is the median of the trusted phones' clocks; false when there is none. Of two that differ the holder's
// counts.
func (d *dates) phoneOrigin(holder string) (origin time.Time, ok bool) {
	clients := d.trusted()
	d.disagreement = ""
	if len(clients) == 0 {
		return time.Time{}, false
	}
	chosen := clients[(len(clients)-1)/2]
	apart := d.phones[clients[len(clients)-1]].origin.Sub(d.phones[clients[0]].origin)
	if apart >= clocksAgreeWithin {
		if len(clients) == 2 && slices.Contains(clients, holder) {
			chosen = holder
		}
		d.disagreement = fmt.Sprintf("The phones' clocks differ by %s: dates come from %s.", apartWords(apart), chosen)
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
	case d.origin.IsZero() && r.Trusted, d.datedBy == record.BySystem:
		return ""
	case d.origin.IsZero():
		return "The machine's clock is not set: dates are uncertain."
	case d.date(r).Sub(r.Wall).Abs() < clocksAgreeWithin:
		return d.disagreement
	case d.disagreement != "":
		return "The machine's clock is not set. " + d.disagreement
	}
	return "The machine's clock is not set: dates come from a phone's clock."
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

// whenOf is an instant for the journal.
func whenOf(r bootclock.Reading) record.When {
	return record.When{Boot: r.Boot, SinceBoot: r.SinceBoot}
}

// phoneClock records what a phone's clock says, in Unix ms.
func (c *Control) phoneClock(client string, now int64) error {
	if c.phones.connected[client] == 0 {
		return refusal("", "This phone is not connected.", "Reload the page.")
	}
	r := c.opts.Clock()
	distrusted, err := c.dates.report(client, time.UnixMilli(now), r)
	if err != nil {
		return err
	}
	if distrusted {
		c.log.Warn("a phone's clock jumped; no dates are taken from it until its reports agree again", "client", client,
			"for", trustAfter)
	}
	c.settleDates(r)
	return nil
}

// settleDates decides when the boot began and writes it down if that changed. The mutex is held.
func (c *Control) settleDates(r bootclock.Reading) {
	if !c.dates.settle(r, c.phones.holder) {
		return
	}
	boot, origin, by := c.dates.boot, c.dates.origin, c.dates.datedBy
	if now := time.Now(); now.Sub(c.dates.lastLogged) >= dateLogInterval {
		c.dates.lastLogged = now
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
		for _, stored := range shots {
			c.changeShown(stored.ID, func(s *ShotView) { s.At, s.Dated = stored.At, stored.When.Dated.String() })
		}
	})
	return nil
}

// watchClock sees the machine's clock become right, a holder change whose clock counts, and ticks lapse.
func (c *Control) watchClock(ctx context.Context) {
	tick := time.NewTicker(clockInterval)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
			r := c.opts.Clock()
			c.mu.Lock()
			c.settleDates(r)
			c.lapseCare(r)
			c.lapseEvening(r)
			c.mu.Unlock()
		}
	}
}
