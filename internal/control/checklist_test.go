package control

import (
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/care"
	"stillwater/internal/wire"
)

// tickAll ticks every caution.
func (x *harness) tickAll() {
	x.t.Helper()
	for _, caution := range care.Checklist() {
		x.must(me, Command{Type: "care", ID: caution.ID, Ticked: true})
	}
}

// assertAskedAgain asserts that arming is refused until every caution is ticked again, and why.
func (x *harness) assertAskedAgain(because string) {
	x.t.Helper()
	r := x.refused(me, Command{Type: "arm", Shots: 1})
	assert.Equal(x.t, "care", r.Field)
	assert.Equal(x.t, "The checklist must be ticked again, because "+because+".", r.Why)
	s := x.Snapshot()
	assert.False(x.t, s.CareDone)
	assert.Equal(x.t, because, s.CareAgain)
	for _, caution := range s.Care {
		assert.False(x.t, caution.Ticked, caution.ID)
	}
	first := care.Checklist()[0].ID
	x.must(me, Command{Type: "care", ID: first, Ticked: true})
	assert.Equal(x.t, because, x.Snapshot().CareAgain, "until all are ticked")
	x.tickAll()
	assert.Empty(x.t, x.Snapshot().CareAgain)
	assert.True(x.t, x.Snapshot().CareDone)
}

// What was ticked before a restart arms nothing after it.
func TestCareIsAskedAtEachStart(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		assert.Empty(t, x.Snapshot().CareAgain, "nothing was ticked before")
		x.ready()
		x.arm(1)
		require.NoError(t, x.stop())
		y := setUpWith(t, x.journal)
		y.Join(me)
		y.must(me, Command{Type: "take"})
		y.assertAskedAgain("Stillwater was restarted")
		y.arm(1)
	})
}

// Four hours after the last shot, or after the first tick, the cautions are asked again; the page shows it by itself.
func TestCareIsAskedAfterHoursWithoutAShot(t *testing.T) {
	for name, use := range map[string]func(*Options){
		"clock right":   func(*Options) {},
		"clock not set": func(o *Options) { _, wrong := withWrongClock(); wrong(o) },
	} {
		t.Run(name, func(t *testing.T) {
			inBubble(t, func(t *testing.T) {
				atNoon(t)
				x := setUp(t, use)
				x.ready()
				time.Sleep(care.MaxIdle - time.Second)
				x.arm(1)
				x.fire()
				time.Sleep(care.MaxIdle - time.Second)
				x.arm(1) // four hours are counted from the shot
				x.must(me, Command{Type: "disarm"})
				time.Sleep(time.Second)
				x.assertAskedAgain("there was no shot for four hours")
				x.arm(1)
				x.must(me, Command{Type: "disarm"})
				time.Sleep(care.MaxIdle + clockInterval)
				synctest.Wait()
				assert.False(t, x.Snapshot().CareDone, "nobody asked")
			})
		})
	}
}

// A tick among old ones does not renew them.
func TestOneTickRenewsNoOther(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		atNoon(t)
		x := setUp(t)
		x.ready()
		first := care.Checklist()[0].ID
		time.Sleep(care.MaxIdle - time.Second)
		x.must(me, Command{Type: "care", ID: first})
		x.must(me, Command{Type: "care", ID: first, Ticked: true})
		time.Sleep(time.Second)
		x.must(me, Command{Type: "care", ID: first, Ticked: true}) // the others lapsed: it is the first of the new ones
		s := x.Snapshot()
		assert.False(t, s.CareDone)
		assert.True(t, s.Care[0].Ticked)
		assert.False(t, s.Care[1].Ticked)
	})
}

// eveningToMidnight is a harness whose cautions were ticked an hour before midnight, which it is now; it was armed a
// second before.
func eveningToMidnight(t *testing.T, change ...func(*Options)) *harness {
	t.Helper()
	midnight := time.Date(2026, 11, 26, 0, 0, 0, 0, time.Local)
	time.Sleep(time.Until(midnight.Add(-time.Hour)))
	x := setUp(t, change...)
	x.ready()
	time.Sleep(time.Hour - time.Second)
	x.arm(1)
	x.must(me, Command{Type: "disarm"})
	time.Sleep(time.Second)
	return x
}

// On a new day of a machine whose clock is right the cautions are asked again; a clock that is not set has no days.
func TestCareIsAskedOnANewDay(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := eveningToMidnight(t)
		x.assertAskedAgain("a new day has begun")
		x.arm(1)
	})
	inBubble(t, func(t *testing.T) {
		itsMidnight := time.Date(1970, 1, 2, 0, 0, 0, 0, time.Local).Sub(time.Unix(0, 0))
		began := time.Date(2026, 11, 25, 23, 30, 0, 0, time.Local).Add(-itsMidnight)
		clock := &wrongClock{began: began} // a day of its own ends meanwhile
		x := eveningToMidnight(t, func(o *Options) { o.Clock = clock.read })
		x.arm(1)
		x.must(me, Command{Type: "disarm"})
		clock.set(began, true) // the network sets it: the ticks are of the day before
		x.assertAskedAgain("a new day has begun")
	})
}

// Ticks that lapse while it is armed leave it armed, also in the middle of a shot; they count at the next arming.
func TestCareNeverDisarms(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		midnight := time.Date(2026, 11, 26, 0, 0, 0, 0, time.Local)
		time.Sleep(time.Until(midnight.Add(-time.Minute)))
		x := setUp(t)
		x.ready()
		x.arm(3)
		x.fire()
		x.dev.begin()
		time.Sleep(2 * time.Minute)
		synctest.Wait()
		assert.Equal(t, Firing, x.Snapshot().State)
		assert.True(t, x.Snapshot().CareDone)
		x.dev.end()
		synctest.Wait()
		assert.Equal(t, Armed, x.Snapshot().State)
		x.fire()
		assert.Equal(t, wire.Safe, x.dev.now())
		assert.Equal(t, "the shots asked for are done", x.Snapshot().Reason)
		x.assertAskedAgain("a new day has begun")
	})
}
