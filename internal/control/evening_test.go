package control

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/bootclock"
	"stillwater/internal/care"
)

// The lists have no point in common; two points of the evening's belong to steps of the light, and are there.
func TestEveningPoints(t *testing.T) {
	ids := map[string]bool{}
	for _, point := range append(care.Evening(), care.Checklist()...) {
		assert.False(t, ids[point.ID], point.ID)
		ids[point.ID] = true
	}
	assert.True(t, ids["focus"] && ids["away"])
}

// towels reports whether the evening's first point is ticked.
func (x *harness) towels() bool { return x.Snapshot().Evening[0].Ticked }

func (x *harness) tickTowels() {
	x.must(me, Command{Type: "evening", ID: care.Evening()[0].ID, Ticked: true})
}

// What was done for one kind of shot is to be done again for another: it flies elsewhere. The rest of the list stays.
func TestStepsAreTickedForOneKind(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		x.ready()
		ticked := func() (ids []string) {
			for _, point := range x.Snapshot().Evening {
				if point.Ticked {
					ids = append(ids, point.ID)
				}
			}
			return ids
		}
		x.tickTowels()
		for _, id := range care.EveningSteps() {
			x.must(me, Command{Type: "evening", ID: id, Ticked: true})
		}
		x.must(me, Command{Type: "set", Field: "camera.iso", Value: "800"})
		assert.Equal(t, []string{"towels", "focus", "away"}, ticked())
		x.must(me, Command{Type: "set", Field: "kind", Value: "throw"})
		assert.Equal(t, []string{"towels"}, ticked())
	})
}

// again is x after a restart of the program, so much later, with another clock if one is given.
func (x *harness) again(t *testing.T, later time.Duration, clock ...func(*Options)) *harness {
	require.NoError(t, x.stop())
	time.Sleep(later)
	y := setUpWith(t, x.journal, clock...)
	y.Join(me)
	y.must(me, Command{Type: "take"})
	return y
}

// An evening's list outlasts a restart and midnight; it begins anew four hours after the latest tick or shot.
func TestEveningGoesOnAfterARestart(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		time.Sleep(time.Until(time.Date(2026, 11, 25, 22, 0, 0, 0, time.Local)))
		clock := rightClock()
		sameBoot := func(o *Options) { o.Clock = clock }
		x := setUp(t, sameBoot)
		x.ready()
		x.tickTowels()
		x = x.again(t, 3*time.Hour, sameBoot)
		assert.True(t, x.towels(), "after midnight")
		assert.False(t, x.Snapshot().CareDone, "the cautions are asked again")
		x.ready()
		x.arm(1)
		x.fire()
		x = x.again(t, 2*time.Hour, sameBoot)
		assert.True(t, x.towels(), "there was a shot meanwhile")
		x = x.again(t, 2*time.Hour, sameBoot)
		assert.False(t, x.towels(), "four hours after it")
		x.ready()
		x.arm(1)
		x.fire()
		x = x.again(t, time.Minute, sameBoot)
		assert.False(t, x.towels(), "a shot brings no old tick back")
		x.tickTowels()
		time.Sleep(care.MaxIdle + clockInterval)
		assert.False(t, x.towels(), "nobody asked")
	})
}

// When the machine itself was started anew, the evening goes on if its clock was right before and is right now.
func TestEveningGoesOnAfterAReboot(t *testing.T) {
	boot := func(name string, trusted bool) func(*Options) {
		began := time.Now()
		return func(o *Options) {
			o.Clock = func() bootclock.Reading {
				return bootclock.Reading{Boot: name, SinceBoot: time.Since(began), Wall: time.Now().Round(0), Trusted: trusted}
			}
		}
	}
	for name, c := range map[string]struct {
		before, after bool
		later         time.Duration
		want          bool
	}{
		"clock right":       {true, true, time.Minute, true},
		"the next evening":  {true, true, 24 * time.Hour, false},
		"not set before it": {false, true, time.Minute, false},
		"not set after it":  {true, false, time.Minute, false},
	} {
		t.Run(name, func(t *testing.T) {
			inBubble(t, func(t *testing.T) {
				atNoon(t)
				x := setUp(t, boot("one", c.before))
				x.ready()
				x.tickTowels()
				x = x.again(t, c.later, boot("two", c.after))
				assert.Equal(t, c.want, x.towels())
			})
		})
	}
}

// Earlier versions kept the cautions only, as a list.
func TestTicksOfEarlierVersions(t *testing.T) {
	first := care.Checklist()[0].ID
	stored, err := readTicks(`["no such","` + first + `"]`)
	require.NoError(t, err)
	assert.Equal(t, []string{first}, stored.Care)
	assert.Empty(t, stored.Evening)
	_, err = readTicks(`{"evening":"towels"}`)
	assert.Error(t, err)
}
