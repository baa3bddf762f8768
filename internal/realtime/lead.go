package realtime

import "time"

// The bounds of a lead.
const (
	leadFirst = 200 * time.Microsecond // before anything is measured
	leadLeast = 15 * time.Microsecond
	leadMost  = time.Millisecond
	// leadMargin is what comes between a wake-up and the spin: a look at edges and host.
	leadMargin = 5 * time.Microsecond
	// leadFade is after how many wake-ups with nothing new a lead has lost the larger part of what it has too much.
	leadFade = 256
	// spinShare is the part of a processor that spinning may burn, one in so many.
	spinShare = 4
	// spinSaved is how much of it is saved up at most while nothing is spun: enough for all pulses of a shot, each with
	// the longest lead.
	spinSaved = 32 * leadMost
)

// Lead is how long before its time a sleep ends and spinning begins. It follows the wake-ups it is given, up at once
// and down slowly, so that the rest of a sleep that ends late is still spun; but it burns no more than its share of a
// processor. Times are of any clock, in nanoseconds. The zero value is ready.
type Lead struct {
	now   time.Duration
	known bool
	owed  time.Duration // of spinning done, not yet paid by the share of time passed
	paid  int64         // until when, nanoseconds
}

// Woke takes how late a sleep ended.
func (l *Lead) Woke(late time.Duration) {
	need := min(max(late+late/4+leadMargin, leadLeast), leadMost)
	switch {
	case !l.known || need > l.now:
		l.now, l.known = need, true
	default:
		l.now -= (l.now - need) / leadFade
	}
}

// Ahead is how long before its time the sleep that begins at now should end.
func (l *Lead) Ahead(now int64) time.Duration {
	l.pay(now)
	want := l.now
	if !l.known {
		want = leadFirst
	}
	return max(min(want, spinSaved-l.owed), leadLeast)
}

// Spun takes how long was spun until now.
func (l *Lead) Spun(now int64, spun time.Duration) {
	l.pay(now)
	l.owed = min(l.owed+spun, spinSaved)
}

func (l *Lead) pay(now int64) {
	l.owed = max(l.owed-time.Duration(now-l.paid)/spinShare, 0)
	l.paid = now
}
