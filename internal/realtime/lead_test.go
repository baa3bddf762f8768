package realtime

import (
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestLeadGoesUpAtOnceAndDownSlowly(t *testing.T) {
	var l Lead
	now := int64(time.Hour)
	assert.Equal(t, initialLead, l.Ahead(now), "cautious while nothing is known")
	l.Woke(10 * time.Microsecond)
	assert.Equal(t, 17500*time.Nanosecond, l.Ahead(now), "a quarter more than it took, and the margin")
	l.Woke(100 * time.Microsecond)
	high := l.Ahead(now)
	assert.Equal(t, 130*time.Microsecond, high, "one late wake-up is enough")
	for range 10 {
		l.Woke(10 * time.Microsecond)
	}
	assert.Greater(t, l.Ahead(now), high*9/10, "ten early ones are not")
	for range 10 * leadDecay {
		l.Woke(10 * time.Microsecond)
	}
	assert.Less(t, l.Ahead(now), 19*time.Microsecond, "thousands are")
}

func TestLeadBounds(t *testing.T) {
	var l Lead
	l.Woke(-time.Second)
	assert.Equal(t, minLead, l.Ahead(1))
	l.Woke(time.Hour)
	assert.Equal(t, maxLead, l.Ahead(1))
}

// The lead covers every wake-up that is no later than one of the last hundred, unless it is at its bound.
func TestLeadCoversProperty(t *testing.T) {
	for seed := range uint64(100) {
		r := rand.New(rand.NewPCG(seed, 5))
		var l Lead
		scale := r.Int64N(600_000) + 1
		var last []time.Duration
		for i := range 2000 {
			late := time.Duration(r.Int64N(scale))
			most := time.Duration(0)
			for _, w := range last[max(0, len(last)-100):] {
				most = max(most, w)
			}
			if i > 0 && late <= most {
				require.GreaterOrEqual(t, l.Ahead(0), min(late+leadMargin, maxLead)*100/150, "seed %d", seed)
			}
			l.Woke(late)
			last = append(last, late)
		}
	}
}

// Spinning takes no more than its share of a processor, whatever is requested, and recovers after a pause.
func TestLeadShare(t *testing.T) {
	var l Lead
	now := int64(time.Second)
	begin, used := now, time.Duration(0)
	for range 20_000 { // a pulse each 2 ms, and wake-ups that take a millisecond
		l.Woke(time.Millisecond)
		lead := l.Ahead(now)
		now += int64(2 * time.Millisecond)
		l.Spun(now, lead)
		used += lead
	}
	passed := time.Duration(now - begin)
	assert.LessOrEqual(t, used, passed/spinShare+maxSpinCredit+minLead*20_000)
	assert.LessOrEqual(t, l.Ahead(now), 2*time.Millisecond/spinShare, "all that was saved is spent")
	now += int64(spinShare * maxSpinCredit)
	assert.Equal(t, maxLead, l.Ahead(now), "and saved up again")

	var rare Lead
	for range 1000 { // a shot each second, eight pulses
		rare.Woke(time.Millisecond)
		now += int64(time.Second)
		for range 8 {
			require.Equal(t, maxLead, rare.Ahead(now), "a shot now and then has all it wants")
			now += int64(time.Millisecond)
			rare.Spun(now, maxLead)
		}
	}
}
