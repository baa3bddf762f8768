package background

import (
	"runtime/debug"
	"testing"

	"github.com/stretchr/testify/assert"
)

var garbage []byte

// While work is done nothing is collected but between two parts of it, and afterwards all is as it was.
func TestCollectorIsHeld(t *testing.T) {
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
	c.collectIfDue()
	assert.Equal(t, usual, percent())
	c.hold(func() {
		c.hold(func() { assert.Equal(t, -1, percent()) })
		assert.Equal(t, -1, percent(), "the outer work is not done")
		before := collections()
		for range 40 {
			garbage = make([]byte, collectAfter/8)
		}
		assert.Equal(t, before, collections())
		c.collectIfDue()
		assert.Equal(t, before+1, collections())
		c.collectIfDue()
		assert.Equal(t, before+1, collections(), "there is little")
	})
	assert.Equal(t, usual, percent())
}

// Work that ends badly leaves it as it was.
func TestCollectorIsFreeAfterPanic(t *testing.T) {
	var c collector
	assert.Panics(t, func() { c.hold(func() { panic("damaged") }) })
	assert.Zero(t, c.holders)
}
