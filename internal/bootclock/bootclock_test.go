package bootclock

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"stillwater/internal/proctest"
)

// The boot has one name, its age rises with time, and the date is the machine's.
func TestRead(t *testing.T) {
	a := Read()
	after := time.Now()
	var b Reading
	var elapsed time.Duration
	proctest.Eventually(t, "its age rises", func() bool {
		elapsed = time.Since(after)
		b = Read()
		return b.SinceBoot > a.SinceBoot
	})
	assert.NotEmpty(t, a.Boot)
	assert.Equal(t, a.Boot, b.Boot)
	assert.Positive(t, a.SinceBoot)
	assert.GreaterOrEqual(t, b.SinceBoot-a.SinceBoot, elapsed)
	assert.WithinRange(t, a.Wall, time.Now().Add(-time.Hour), time.Now())
	assert.WithinDuration(t, a.Origin(), b.Origin(), time.Hour)
	assert.Equal(t, a.Wall.Round(0), a.Wall, "a date, not a Go clock's reading that would count on by itself")
}

func TestReadingBack(t *testing.T) {
	r := Reading{Boot: "a", SinceBoot: time.Minute, Wall: time.Unix(1000, 0), Trusted: true}
	assert.Equal(t, time.Unix(940, 0), r.Origin())
	back := r.Earlier(20 * time.Second)
	assert.Equal(t, Reading{Boot: "a", SinceBoot: 40 * time.Second, Wall: time.Unix(980, 0), Trusted: true}, back)
	assert.Equal(t, r.Origin(), back.Origin())
}

// A machine without names for its boots gets one for each run of the program.
func TestOfProcess(t *testing.T) {
	a, b := readProcess(), readProcess()
	assert.Contains(t, a.Boot, "process-")
	assert.Equal(t, a.Boot, b.Boot)
	assert.GreaterOrEqual(t, b.SinceBoot, a.SinceBoot)
}
