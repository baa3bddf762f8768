package intake

import (
	"runtime/debug"
	"testing"

	"github.com/stretchr/testify/assert"
)

var garbage []byte

// While frames are looked at nothing is collected but between two of them, and afterwards all is as it was.
func TestCollectingBetweenFrames(t *testing.T) {
	percent := func() int {
		now := debug.SetGCPercent(-1)
		debug.SetGCPercent(now)
		return now
	}
	collections := func() int64 {
		var s debug.GCStats
		debug.ReadGCStats(&s)
		return s.NumGC
	}
	usual := percent()
	var c collector
	c.between()
	assert.Equal(t, usual, percent())
	c.during(func() {
		c.during(func() { assert.Equal(t, -1, percent()) })
		assert.Equal(t, -1, percent(), "one works still")
		before := collections()
		for range 40 {
			garbage = make([]byte, collectAfter/8)
		}
		assert.Equal(t, before, collections())
		c.between()
		assert.Equal(t, before+1, collections())
		c.between()
		assert.Equal(t, before+1, collections(), "there is little")
	})
	assert.Equal(t, usual, percent())
}

// A look that ends badly leaves it as it was.
func TestCollectingGoesOn(t *testing.T) {
	var c collector
	assert.Panics(t, func() { c.during(func() { panic("damaged") }) })
	assert.Zero(t, c.working)
}
