// Package clocksync follows a board's clock from this machine: it widens the board's 32-bit ticks to a count that does
// not wrap, and learns how fast the board's clock runs and what it reads now.
//
// All it is told is readings: the board's clock read so much, at some instant between the host's sending of a question
// and the coming of the answer. Nothing is taken for granted of how that time divides between the way there and the way
// back, so that each reading is a pair of limits, and the limits on rate and offset follow by arithmetic as long as the
// clock is steady. The likeliest value comes from a regression in which the readings with the shortest round trips
// count most: a packet that met no queue tells the most (Mills, RFC 5905, section 10, on the clock filter).
//
// Host times are durations since any one instant on a clock that does not jump. No shot depends on any of this: boards
// time by their own clock.
package clocksync

import (
	"math"
	"time"
)

const (
	// bucket is how long readings compete for the shortest round trip; buckets is how many winners are kept. A clock is
	// taken as steady for as long as that.
	bucket  = 2 * time.Second
	buckets = 64

	// mostOff is how far a board's rate can be from what it announced. Crystals keep to 0.01 percent, ceramic resonators
	// to 0.5 (common practice, no source); with 5 a serial line would not work, as half a bit is lost over ten.
	mostOff = 0.05
)

// reading is one winner. Wide is the widened tick.
type reading struct {
	wide      int64
	sent, got time.Duration
}

func (r reading) trip() time.Duration   { return r.got - r.sent }
func (r reading) middle() time.Duration { return r.sent + r.trip()/2 }

// Clock follows the clock of one board from one start of the board to its next. Make it with New.
type Clock struct {
	hz     float64 // announced
	heard  bool
	newest int64         // ticks, widened
	at     time.Duration // when newest was heard

	readings []reading     // by time; the last is that of the present bucket
	began    time.Duration // of the present bucket
	fit      line
	restarts int
}

// New follows a clock that announced hz ticks a second.
func New(hz uint32) *Clock { return &Clock{hz: float64(hz)} }

// Estimate is what is known of a board's clock against this machine's.
type Estimate struct {
	PPM               float64       // parts per million that the board's clock is fast; negative: slow
	LowPPM, HighPPM   float64       // it is surely within these, if both clocks are steady
	Within            time.Duration // Now is surely this near, both ways
	ShortestRoundTrip time.Duration
	Over              time.Duration // from the first reading used to the last
	Readings          int           // used
	Restarts          int           // times that the readings fitted no steady clock and learning began again
}

// line is the board's count as a line over host time: from a reading on, with limits of its slope in ticks a second.
type line struct {
	base           reading
	rate, low, top float64
	offset         float64 // of the fitted line from base.wide at base.got, in ticks
}

// Glimpse takes a tick that the board said of itself, heard at got: how long ago it was sent is not known. It widens
// and teaches nothing else.
func (c *Clock) Glimpse(tick uint32, got time.Duration) { c.advance(c.near(tick, got), got) }

// Reading takes a tick that the board's clock read at some instant between sent and got. Readings come in the order of
// got.
func (c *Clock) Reading(tick uint32, sent, got time.Duration) {
	r := reading{c.near(tick, sent+(got-sent)/2), sent, got}
	c.advance(r.wide, got)
	if !c.keep(r) {
		return
	}
	if c.refit(); c.fit.low > c.fit.top {
		// No steady clock reads like this: it drifted, or this machine slept. What was learned is of the past.
		c.readings = append(c.readings[:0], r)
		c.began = got
		c.restarts++
		c.refit()
	}
}

// near widens a tick to the count nearest to the one expected at a host time. Right through any silence in which the
// two clocks drift apart by less than half a wrap: 29 hours at 2 MHz and a percent, a year once the rate is known to 30
// parts per million.
func (c *Clock) near(tick uint32, host time.Duration) int64 {
	if !c.heard {
		return int64(tick)
	}
	return widen(tick, c.newest+int64((host-c.at).Seconds()*c.rate()))
}

// widen is the count nearest to another whose low 32 bits are tick.
func widen(tick uint32, near int64) int64 { return near + int64(int32(tick-uint32(near))) }

func (c *Clock) advance(wide int64, got time.Duration) {
	if !c.heard || wide > c.newest {
		c.heard, c.newest, c.at = true, wide, got
	}
}

func (c *Clock) rate() float64 {
	if len(c.readings) == 0 {
		return c.hz
	}
	return c.fit.rate
}

// Wide widens a tick that is less than half a wrap from the newest heard.
func (c *Clock) Wide(tick uint32) int64 {
	if !c.heard {
		return int64(tick)
	}
	return widen(tick, c.newest)
}

// keep lets a reading compete in its bucket, and says whether it won so far.
func (c *Clock) keep(r reading) bool {
	last := len(c.readings) - 1
	if last >= 0 && r.got-c.began < bucket {
		won := r.trip() < c.readings[last].trip()
		if won {
			c.readings[last] = r
		}
		return won
	}
	if len(c.readings) == buckets {
		c.readings = append(c.readings[:0], c.readings[1:]...)
	}
	c.readings = append(c.readings, r)
	c.began = r.got
	return true
}

// refit draws the line through the readings kept.
func (c *Clock) refit() {
	c.fit = line{base: c.readings[len(c.readings)-1], rate: c.hz, low: c.hz * (1 - mostOff), top: c.hz * (1 + mostOff)}
	c.fit.slopes(c.readings)
	c.fit.regress(c.readings)
}

// slopes finds the limits of the rate. The count was at most wide+1 at sent and at least wide at got, so any two
// readings limit the slope between them; the tightest pair counts.
func (l *line) slopes(readings []reading) {
	const second = float64(time.Second)
	for j, b := range readings {
		for _, a := range readings[:j] {
			ticks := float64(b.wide - a.wide)
			l.low = max(l.low, second*(ticks-1)/float64(b.got-a.sent))
			if b.sent > a.got {
				l.top = min(l.top, second*(ticks+1)/float64(b.sent-a.got))
			}
		}
	}
}

// regress is weighted least squares over the middles of the readings, kept inside the limits. A reading's error is as
// long as its round trip, so its weight is one over the square of that.
func (l *line) regress(readings []reading) {
	var sum, x, y, xx, xy float64
	for _, r := range readings {
		trip := r.trip().Seconds() + 1e-6 // a tick or so: a reading is never exact
		w := 1 / (trip * trip)
		dx, dy := (r.middle() - l.base.got).Seconds(), float64(r.wide-l.base.wide)+0.5
		sum, x, y, xx, xy = sum+w, x+w*dx, y+w*dy, xx+w*dx*dx, xy+w*dx*dy
	}
	if len(readings) > 1 {
		l.rate = (sum*xy - x*y) / (sum*xx - x*x)
	}
	l.rate = min(max(l.rate, l.low), l.top)
	l.offset = (y - l.rate*x) / sum
}

// Now is the board's count at a host time, and how far it may be off, both in ticks. Before the first reading the count
// is that of the newest glimpse and may be off by anything.
func (c *Clock) Now(host time.Duration) (count int64, within float64) {
	if len(c.readings) == 0 {
		return c.newest, math.Inf(1)
	}
	low, top := math.Inf(-1), math.Inf(1)
	for _, r := range c.readings {
		wide := float64(r.wide - c.fit.base.wide)
		low = max(low, wide+least((host-r.got).Seconds(), c.fit.low, c.fit.top))
		top = min(top, wide+1+most((host-r.sent).Seconds(), c.fit.low, c.fit.top))
	}
	likeliest := c.fit.offset + c.fit.rate*(host-c.fit.base.got).Seconds()
	if low <= top {
		likeliest = min(max(likeliest, low), top)
	}
	within = max(top-likeliest, likeliest-low)
	return c.fit.base.wide + int64(math.Floor(likeliest)), within
}

func least(t, low, top float64) float64 { return min(t*low, t*top) }
func most(t, low, top float64) float64  { return max(t*low, t*top) }

// Estimate says what was learned up to a host time; false: nothing yet, which takes readings some seconds apart.
func (c *Clock) Estimate(host time.Duration) (Estimate, bool) {
	if len(c.readings) < 2 {
		return Estimate{Restarts: c.restarts}, false
	}
	_, within := c.Now(host)
	e := Estimate{
		PPM: c.ppm(c.fit.rate), LowPPM: c.ppm(c.fit.low), HighPPM: c.ppm(c.fit.top),
		Within:            time.Duration(within / c.fit.rate * float64(time.Second)),
		ShortestRoundTrip: c.readings[0].trip(),
		Over:              c.fit.base.got - c.readings[0].sent,
		Readings:          len(c.readings),
		Restarts:          c.restarts,
	}
	for _, r := range c.readings {
		e.ShortestRoundTrip = min(e.ShortestRoundTrip, r.trip())
	}
	return e, true
}

func (c *Clock) ppm(rate float64) float64 { return (rate/c.hz - 1) * 1e6 }
