package care

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
)

func TestLapsed(t *testing.T) {
	zone := time.FixedZone("east", 2*60*60)
	at := func(day, hour, minute int) time.Time { return time.Date(2026, 11, day, hour, minute, 0, 0, zone) }
	const day, idle = "a new day has begun", "there was no shot for four hours"
	for name, c := range map[string]struct {
		ticks Ticks
		now   time.Duration
		date  time.Time
		want  string
	}{
		"at once":                      {Ticks{First: time.Hour}, time.Hour, at(28, 20, 0), ""},
		"just before four hours":       {Ticks{First: time.Hour}, 5*time.Hour - 1, at(28, 20, 0), ""},
		"four hours":                   {Ticks{First: time.Hour}, 5 * time.Hour, at(28, 20, 0), idle},
		"a shot meanwhile":             {Ticks{time.Hour, 4 * time.Hour}, 8*time.Hour - 1, at(28, 20, 0), ""},
		"four hours after it":          {Ticks{time.Hour, 4 * time.Hour}, 8 * time.Hour, at(28, 20, 0), idle},
		"a shot before the ticks":      {Ticks{4 * time.Hour, time.Hour}, 8*time.Hour - 1, at(28, 20, 0), ""},
		"a minute before midnight":     {Ticks{First: time.Hour}, 2 * time.Hour, at(28, 23, 59), ""},
		"midnight":                     {Ticks{First: time.Hour}, 2 * time.Hour, at(29, 0, 0), day},
		"midnight, with shots":         {Ticks{time.Hour, 2 * time.Hour}, 2 * time.Hour, at(29, 0, 0), day},
		"midnight elsewhere":           {Ticks{First: time.Hour}, 2 * time.Hour, at(29, 2, 0), ""},
		"midnight of a new year":       {Ticks{}, time.Hour, time.Date(2027, 1, 1, 0, 0, 0, 0, zone), day},
		"a year later, to the day":     {Ticks{0, 365 * 24 * time.Hour}, 365 * 24 * time.Hour, at(28, 20, 0), day},
		"clock not set, past midnight": {Ticks{time.Hour, 24 * time.Hour}, 25 * time.Hour, time.Time{}, ""},
		"clock not set, four hours":    {Ticks{First: time.Hour}, 5 * time.Hour, time.Time{}, idle},
	} {
		assert.Equal(t, c.want, c.ticks.LapseReason(c.now, c.date), name)
	}
}

// An evening lasts until four hours without a tick or a shot; of an unknown time nothing is taken for granted.
func TestEveningOver(t *testing.T) {
	assert.False(t, EveningOver(4*time.Hour-1, true))
	assert.True(t, EveningOver(4*time.Hour, true))
	assert.True(t, EveningOver(time.Minute, false))
}
