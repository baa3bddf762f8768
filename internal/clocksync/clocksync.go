// Package clocksync tracks a board's clock from the host: it widens the board's 32-bit ticks to a count that does not
// wrap, and estimates the clock's rate and current value.
//
// Its input is round trips: the board's clock had some value between the host's request and the answer. Nothing is
// assumed about how the time divides between the two directions, so each reading is a pair of bounds, and the bounds on
// rate and offset follow by arithmetic while the clock is steady. The best estimate is a regression weighted towards
// the shortest round trips, which met no queue (Mills, RFC 5905, section 10, on the clock filter).
//
// Host times are durations since a fixed instant of a monotonic clock. No shot depends on this package: boards time by
// their own clock.
package clocksync

import (
	"math"
	"time"
)

const (
	// Of the readings in each bucket the one with the shortest round trip is kept, maxReadings in all. A clock is assumed
	// steady over that time.
	bucket      = 2 * time.Second
	maxReadings = 64

	// maxRateError bounds a board's rate against the announced one. Crystals keep to 0.01 percent, ceramic resonators to
	// 0.5 (common practice, no source); at 5 a serial line fails, as half a bit is lost over ten.
	maxRateError = 0.05
)

// reading is one round trip with the board's widened tick.
type reading struct {
	wide      int64
	sent, got time.Duration
}

func (r reading) roundTrip() time.Duration { return r.got - r.sent }
func (r reading) midpoint() time.Duration  { return r.sent + r.roundTrip()/2 }

// Clock tracks the clock of one board from one boot to the next. Make it with New.
type Clock struct {
	hz       float64 // announced
	seen     bool
	newest   int64         // ticks, widened
	newestAt time.Duration // when newest was heard

	readings    []reading     // by time; the last is that of the present bucket
	bucketStart time.Duration // of the present bucket
	fit         line
	restarts    int
}

// New returns a Clock for a board that announced hz ticks a second.
func New(hz uint32) *Clock { return &Clock{hz: float64(hz)} }

// Estimate relates a board's clock to the host's.
type Estimate struct {
	PPM               float64       // parts per million that the board's clock is fast; negative: slow
	LowPPM, HighPPM   float64       // bounds on PPM, if both clocks are steady
	Uncertainty       time.Duration // bound on the error of Now, either way
	ShortestRoundTrip time.Duration
	Span              time.Duration // from the first reading used to the last
	Readings          int           // used
	Restarts          int           // times that the readings fitted no steady clock and were discarded
}

// line is the board's count as a linear function of host time from a base reading, with bounds on its slope in ticks a
// second.
type line struct {
	base            reading
	rate, low, high float64
	offset          float64 // of the fitted line from base.wide at base.got, in ticks
}

// AddTick takes a tick that the board sent unasked, received at got. As its age is unknown, it serves widening only.
func (c *Clock) AddTick(tick uint32, got time.Duration) { c.advance(c.widenAt(tick, got), got) }

// AddRoundTrip takes a tick that the board's clock showed at some instant between sent and got. Calls are in order of
// got.
func (c *Clock) AddRoundTrip(tick uint32, sent, got time.Duration) {
	r := reading{c.widenAt(tick, sent+(got-sent)/2), sent, got}
	c.advance(r.wide, got)
	if !c.addReading(r) {
		return
	}
	if c.refit(); c.fit.low > c.fit.high {
		// No steady clock fits: it drifted, or the host slept. Start again from this reading.
		c.readings = append(c.readings[:0], r)
		c.bucketStart = got
		c.restarts++
		c.refit()
	}
}

// widenAt widens a tick to the count nearest to the one expected at a host time. It is right across any silence in
// which the clocks drift apart by less than half a wrap: 29 hours at 2 MHz and one percent, a year once the rate is
// known to 30 parts per million.
func (c *Clock) widenAt(tick uint32, host time.Duration) int64 {
	if !c.seen {
		return int64(tick)
	}
	return nearestCount(tick, c.newest+int64((host-c.newestAt).Seconds()*c.rate()))
}

// nearestCount is the count nearest to near whose low 32 bits are tick.
func nearestCount(tick uint32, near int64) int64 { return near + int64(int32(tick-uint32(near))) }

func (c *Clock) advance(wide int64, got time.Duration) {
	if !c.seen || wide > c.newest {
		c.seen, c.newest, c.newestAt = true, wide, got
	}
}

func (c *Clock) rate() float64 {
	if len(c.readings) == 0 {
		return c.hz
	}
	return c.fit.rate
}

// Widen widens a tick less than half a wrap from the newest one.
func (c *Clock) Widen(tick uint32) int64 {
	if !c.seen {
		return int64(tick)
	}
	return nearestCount(tick, c.newest)
}

// addReading keeps r if it has the shortest round trip of its bucket so far, and reports whether it did.
func (c *Clock) addReading(r reading) bool {
	last := len(c.readings) - 1
	if last >= 0 && r.got-c.bucketStart < bucket {
		won := r.roundTrip() < c.readings[last].roundTrip()
		if won {
			c.readings[last] = r
		}
		return won
	}
	if len(c.readings) == maxReadings {
		c.readings = append(c.readings[:0], c.readings[1:]...)
	}
	c.readings = append(c.readings, r)
	c.bucketStart = r.got
	return true
}

// refit fits the line to the readings.
func (c *Clock) refit() {
	c.fit = line{base: c.readings[len(c.readings)-1],
		rate: c.hz, low: c.hz * (1 - maxRateError), high: c.hz * (1 + maxRateError)}
	c.fit.boundRate(c.readings)
	c.fit.regress(c.readings)
}

// boundRate bounds the rate. The count was at most wide+1 at sent and at least wide at got, so any two readings bound
// the slope between them; the tightest pair counts.
func (l *line) boundRate(readings []reading) {
	const second = float64(time.Second)
	for j, b := range readings {
		for _, a := range readings[:j] {
			ticks := float64(b.wide - a.wide)
			l.low = max(l.low, second*(ticks-1)/float64(b.got-a.sent))
			if b.sent > a.got {
				l.high = min(l.high, second*(ticks+1)/float64(b.sent-a.got))
			}
		}
	}
}

// regress is weighted least squares over the readings' midpoints, clamped to the bounds. A reading's error is
// proportional to its round trip, so its weight is the inverse square of that.
func (l *line) regress(readings []reading) {
	var sum, x, y, xx, xy float64
	for _, r := range readings {
		trip := r.roundTrip().Seconds() + 1e-6 // a tick or so: a reading is never exact
		w := 1 / (trip * trip)
		dx, dy := (r.midpoint() - l.base.got).Seconds(), float64(r.wide-l.base.wide)+0.5
		sum, x, y, xx, xy = sum+w, x+w*dx, y+w*dy, xx+w*dx*dx, xy+w*dx*dy
	}
	if len(readings) > 1 {
		l.rate = (sum*xy - x*y) / (sum*xx - x*x)
	}
	l.rate = min(max(l.rate, l.low), l.high)
	l.offset = (y - l.rate*x) / sum
}

// Now is the board's count at a host time and a bound on its error, both in ticks. Before the first reading the count
// is that of the newest AddTick, with an infinite bound.
func (c *Clock) Now(host time.Duration) (count int64, uncertainty float64) {
	if len(c.readings) == 0 {
		return c.newest, math.Inf(1)
	}
	low, high := math.Inf(-1), math.Inf(1)
	for _, r := range c.readings {
		wide := float64(r.wide - c.fit.base.wide)
		low = max(low, wide+minProduct((host-r.got).Seconds(), c.fit.low, c.fit.high))
		high = min(high, wide+1+maxProduct((host-r.sent).Seconds(), c.fit.low, c.fit.high))
	}
	likeliest := c.fit.offset + c.fit.rate*(host-c.fit.base.got).Seconds()
	if low <= high {
		likeliest = min(max(likeliest, low), high)
	}
	uncertainty = max(high-likeliest, likeliest-low)
	return c.fit.base.wide + int64(math.Floor(likeliest)), uncertainty
}

func minProduct(t, low, high float64) float64 { return min(t*low, t*high) }
func maxProduct(t, low, high float64) float64 { return max(t*low, t*high) }

// Estimate returns the estimate at a host time; false until there are readings some seconds apart.
func (c *Clock) Estimate(host time.Duration) (Estimate, bool) {
	if len(c.readings) < 2 {
		return Estimate{Restarts: c.restarts}, false
	}
	_, uncertainty := c.Now(host)
	e := Estimate{
		PPM: c.ppm(c.fit.rate), LowPPM: c.ppm(c.fit.low), HighPPM: c.ppm(c.fit.high),
		Uncertainty:       time.Duration(uncertainty / c.fit.rate * float64(time.Second)),
		ShortestRoundTrip: c.readings[0].roundTrip(),
		Span:              c.fit.base.got - c.readings[0].sent,
		Readings:          len(c.readings),
		Restarts:          c.restarts,
	}
	for _, r := range c.readings {
		e.ShortestRoundTrip = min(e.ShortestRoundTrip, r.roundTrip())
	}
	return e, true
}

func (c *Clock) ppm(rate float64) float64 { return (rate/c.hz - 1) * 1e6 }
