package realtime

import "time"

// The bounds of a lead.
const (
	initialLead = 200 * time.Microsecond // before anything is measured
	minLead     = 15 * time.Microsecond
	maxLead     = time.Millisecond
	// leadMargin covers the poll of edges and host between a wake-up and the spin.
	leadMargin = 5 * time.Microsecond
	// leadDecay is the time constant, in wake-ups, with which a lead that is too long shrinks.
	leadDecay = 256
	// spinShare limits spinning to one part in spinShare of a processor.
	spinShare = 4
	// maxSpinCredit limits the share saved up while nothing is spun: enough for all pulses of a shot, each with the
	// longest lead.
	maxSpinCredit = 32 * maxLead
)

// Lead decides how long before its deadline a sleep ends and spinning begins. It follows the latency of wake-ups, up at
// once and down slowly, so that a sleep that ends late still ends before the deadline; spinning takes no more than its
// share of a processor. Times are of any clock, in nanoseconds. The zero value is ready to use.
type Lead struct {
	lead      time.Duration
	measured  bool
	spinDebt  time.Duration // spinning beyond its share of the time passed
	settledAt int64         // time up to which the share is credited, nanoseconds
}

// Woke records how late a sleep ended.
func (l *Lead) Woke(late time.Duration) {
	need := min(max(late+late/4+leadMargin, minLead), maxLead)
	switch {
	case !l.measured || need > l.lead:
		l.lead, l.measured = need, true
	default:
		l.lead -= (l.lead - need) / leadDecay
	}
}

// Ahead returns how long before its deadline a sleep that begins at now should end.
func (l *Lead) Ahead(now int64) time.Duration {
	l.settle(now)
	want := l.lead
	if !l.measured {
		want = initialLead
	}
	return max(min(want, maxSpinCredit-l.spinDebt), minLead)
}

// Spun records a spin that ended at now.
func (l *Lead) Spun(now int64, spun time.Duration) {
	l.settle(now)
	l.spinDebt = min(l.spinDebt+spun, maxSpinCredit)
}

func (l *Lead) settle(now int64) {
	l.spinDebt = max(l.spinDebt-time.Duration(now-l.settledAt)/spinShare, 0)
	l.settledAt = now
}
