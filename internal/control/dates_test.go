package control

import (
	"bytes"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/board"
	"stillwater/internal/bootclock"
	"stillwater/internal/journal"
	"stillwater/internal/record"
	"stillwater/internal/wire"
)

// wrongClock is the clock of a machine that started a minute ago believing that it is 1970, until it is made right.
type wrongClock struct {
	mu    sync.Mutex
	began time.Time
	right bool
}

func (w *wrongClock) set(began time.Time, right bool) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.began, w.right = began, right
}

func (w *wrongClock) read() bootclock.Reading {
	w.mu.Lock()
	defer w.mu.Unlock()
	r := bootclock.Reading{Boot: "this boot", SinceBoot: time.Since(w.began), Trusted: w.right}
	r.Wall = time.Unix(0, 0).Add(r.SinceBoot)
	if w.right {
		r.Wall = time.Now().Round(0)
	}
	return r
}

// atNoon moves the bubble's time, which begins in 2000, into the years in which Stillwater is used.
func atNoon(t *testing.T) {
	time.Sleep(time.Until(time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)))
}

func withWrongClock() (*wrongClock, func(*Options)) {
	w := &wrongClock{began: time.Now().Add(-time.Minute)}
	return w, func(o *Options) { o.Clock = w.read }
}

// Sessions and shots that were made before any phone gave the time get their dates when one does, and better ones when
// the machine's own clock is set.
func TestPhoneTellsTheDate(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		atNoon(t)
		clock, use := withWrongClock()
		x := setUp(t, use)
		x.ready()
		s := x.Snapshot()
		assert.Equal(t, int64(60), s.Session.Started.Unix(), "1970")
		assert.Equal(t, "The machine's clock is not set: dates are uncertain.", s.Session.Dates)
		x.arm(1)
		x.fire()
		made := time.Now()
		time.Sleep(time.Hour)
		require.Equal(t, 1970, x.Snapshot().Shots[0].At.UTC().Year())
		assert.Equal(t, "clock not set", x.Snapshot().Shots[0].Dated)

		x.must(me, Command{Type: "clock", Now: time.Now().UnixMilli()})
		dates := x.journal.origins["this boot"]
		assert.WithinDuration(t, clock.began, dates.at, time.Second)
		assert.Equal(t, record.ByPhone, dates.by)
		s = x.Snapshot()
		assert.WithinDuration(t, made, s.Shots[0].At, time.Second)
		assert.Equal(t, "by a phone's clock", s.Shots[0].Dated)
		assert.WithinDuration(t, clock.began.Add(time.Minute), s.Session.Started, time.Second)
		assert.Empty(t, s.Session.Name, "its date is its name")
		assert.Equal(t, "The machine's clock is not set: dates come from a phone's clock.", s.Session.Dates)
		assert.Equal(t, int64(60), x.journal.sessions[0].Started.Unix(), "what the machine's clock said is kept")

		clock.set(clock.began.Add(-5*time.Minute), true) // the phone's clock was wrong by as much
		time.Sleep(clockInterval)
		synctest.Wait()
		assert.Equal(t, record.BySystem, x.journal.origins["this boot"].by)
		assert.WithinDuration(t, clock.began, x.journal.origins["this boot"].at, time.Second)
		assert.Empty(t, x.Snapshot().Session.Dates)
		clock.set(clock.began, false)
		x.must(me, Command{Type: "clock", Now: time.Now().Add(time.Hour).UnixMilli()})
		assert.Equal(t, record.BySystem, x.journal.origins["this boot"].by, "a clock that was right in this boot counts")
	})
}

// A phone that tells the right time to a machine whose clock is right changes no date.
func TestClockThatIsRightStays(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		atNoon(t)
		x := setUp(t)
		assert.Equal(t, record.BySystem, x.journal.origins["this boot"].by, "at once, without any phone")
		x.ready()
		x.must(me, Command{Type: "clock", Now: time.Now().Add(48 * time.Hour).UnixMilli()})
		x.arm(1)
		x.fire()
		s := x.Snapshot()
		assert.WithinDuration(t, time.Now(), s.Shots[0].At, time.Second)
		assert.Empty(t, s.Shots[0].Dated+s.Session.Dates)
	})
}

// A report that waited before it was looked at is dated by when it came.
func TestReportThatWaited(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		x.ready()
		x.arm(1)
		report := x.dev.report(wire.Done)
		time.Sleep(7 * time.Second)
		x.dev.emit(board.Event{Shot: report})
		synctest.Wait()
		kept := x.journal.kept()
		require.Len(t, kept, 1)
		assert.WithinDuration(t, report.Received, kept[0].At, time.Millisecond)
		assert.Equal(t, time.Minute, kept[0].When.SinceBoot.Round(time.Second), "the boot was a minute before")
	})
}

func TestMiddleOfPhonesClocks(t *testing.T) {
	now := time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)
	for _, c := range []struct {
		offs   []time.Duration // of phone 0, phone 1, ...
		holder string
		want   time.Duration
		split  bool
	}{
		{[]time.Duration{0}, "", 0, false},
		{[]time.Duration{0, clocksAgreeWithin - 1}, "phone 1", 0, false}, // they say the same
		{[]time.Duration{0, clocksAgreeWithin}, "phone 1", clocksAgreeWithin, true},
		{[]time.Duration{time.Hour, 0}, "", 0, true},
		{[]time.Duration{time.Hour, 0}, "phone 7", 0, true},
		{[]time.Duration{time.Hour, 0, -time.Hour}, "phone 0", 0, true},
		{[]time.Duration{3, time.Hour, 2, -time.Hour}, "", 2, true}, // the earlier of the two in the middle
	} {
		var d dates
		for i, off := range c.offs {
			_, err := d.report(fmt.Sprint("phone ", i), now.Add(off), bootclock.Reading{})
			require.NoError(t, err)
		}
		middle, ok := d.phoneOrigin(c.holder)
		assert.True(t, ok)
		assert.Equal(t, c.want, middle.Sub(now), "%v", c)
		assert.Equal(t, c.split, d.disagreement != "", "%v: %s", c, d.disagreement)
	}
}

func TestNonsenseOfPhonesIsRefused(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		atNoon(t)
		_, use := withWrongClock()
		x := setUp(t, use)
		x.ready()
		for _, now := range []int64{0, -1, -1 << 62, 1 << 62, earliest.UnixMilli() - 1, latest.UnixMilli() + 1} {
			r := x.refused(me, Command{Type: "clock", Now: now})
			assert.Equal(t, "now", r.Field)
			assert.Contains(t, r.Why, "clock cannot be right", now)
		}
		assert.Empty(t, x.journal.origins)
		assert.Contains(t, x.refused("stranger", Command{Type: "clock", Now: time.Now().UnixMilli()}).Why, "not connected")
		for _, now := range []time.Time{earliest, latest} {
			x.must(me, Command{Type: "clock", Now: now.UnixMilli()})
		}
	})
}

// A phone whose clock jumps against the boot's moves no date, until its reports have agreed for a while. A clock that
// creeps jumps too.
func TestClockThatJumpsIsNotBelieved(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		atNoon(t)
		clock, use := withWrongClock()
		var log bytes.Buffer
		x := setUp(t, use, func(o *Options) { o.Log = slog.New(slog.NewTextHandler(&log, nil)) })
		x.Join(other)
		tell := func(off time.Duration) {
			x.must(other, Command{Type: "clock", Now: time.Now().Add(off).UnixMilli()})
		}
		counts := func(off time.Duration) {
			t.Helper()
			assert.WithinDuration(t, clock.began.Add(off), x.journal.origins["this boot"].at, time.Second)
		}
		tell(0)
		counts(0)
		for i := range 1000 { // to and fro
			tell(time.Duration(i%2) * time.Hour)
			time.Sleep(50 * time.Millisecond)
			counts(0)
		}
		assert.Equal(t, 1, strings.Count(log.String(), "clock jumped"))
		assert.Equal(t, 1, strings.Count(log.String(), "date of this boot"))
		for range 10 {
			tell(2 * time.Hour)
			counts(0)
			time.Sleep(trustAfter / 10)
		}
		tell(2 * time.Hour)
		counts(2 * time.Hour)
		for i := range 100 { // little by little
			tell(2*time.Hour + time.Duration(i)*time.Second)
			time.Sleep(time.Second)
		}
		counts(2 * time.Hour)
	})
}

// Phones that are paired one after the other and disagree change the date as often as they like; the log has it once a
// minute.
func TestPhonesThatDisagreeDoNotFloodTheLog(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		atNoon(t)
		_, use := withWrongClock()
		var log bytes.Buffer
		x := setUp(t, use, func(o *Options) { o.Log = slog.New(slog.NewTextHandler(&log, nil)) })
		const minutes, each = 5, 100
		changes, before := 0, time.Time{}
		for i := range minutes * each {
			client := fmt.Sprint("phone ", i+10)
			x.Join(client)
			off := time.Duration(i) * time.Hour // the middle of them moves
			x.must(client, Command{Type: "clock", Now: time.Now().Add(off).UnixMilli()})
			synctest.Wait()
			if at := x.journal.origins["this boot"].at; !at.Equal(before) {
				changes, before = changes+1, at
			}
			time.Sleep(time.Minute / each)
		}
		assert.Greater(t, changes, 10*minutes)
		said := strings.Count(log.String(), "date of this boot")
		assert.Positive(t, said)
		assert.LessOrEqual(t, said, minutes+1)
	})
}

// Clocks that flip while the journal is slow neither pile up nor hold up a shot, and what is read anew for a date is
// what is shown.
func TestClocksDoNotHoldUpShots(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		atNoon(t)
		_, use := withWrongClock()
		b := &fakeJournal{sessions: []record.Session{{ID: 1, Set: "{}", Care: "[]"}}}
		for i := range 3000 {
			b.shots = append(b.shots, record.Shot{ID: int64(i + 1), Session: 1, Number: i + 1})
		}
		x := setUpWith(t, b, use)
		x.ready()
		assert.Equal(t, maxEvening, b.shotsRead, "read at the start")
		assert.Equal(t, 3000, x.Snapshot().ShotCount)
		x.journal.attempts()
		stuck := make(chan struct{})
		b.mu.Lock()
		b.stuck = stuck
		b.mu.Unlock()
		x.must(me, Command{Type: "set", Field: "drop.height", Value: "41 cm"}) // is being written
		for i := range 50 {
			client := fmt.Sprint("phone ", i+10)
			x.Join(client)
			x.must(client, Command{Type: "clock", Now: time.Now().Add(time.Duration(i) * time.Hour).UnixMilli()})
			x.must(me, Command{Type: "set", Field: "drop.height", Value: fmt.Sprintf("%d cm", 20+i)})
		}
		x.arm(2)
		x.fire()
		x.fire()
		b.shotsRead = 0
		close(stuck)
		b.mu.Lock()
		b.stuck = nil
		b.mu.Unlock()
		synctest.Wait()
		assert.Equal(t, []string{"set", "shot", "shot", "set", "origin"}, x.journal.attempts())
		assert.LessOrEqual(t, b.shotsRead, shotsShown)
		assert.Contains(t, b.sessions[0].Set, "69 cm")
		assert.Equal(t, 3002, x.Snapshot().ShotCount)
		assert.Len(t, x.Snapshot().Shots, shotsShown)
		for _, s := range x.Snapshot().Shots {
			assert.Equal(t, s.Number > 3000, s.Dated != "clock not set", "shot %d: %s", s.Number, s.Dated)
		}
	})
}

func TestPhonesThatDisagree(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		atNoon(t)
		clock, use := withWrongClock()
		x := setUp(t, use)
		x.ready()
		tell := func(client string, off time.Duration) string {
			x.Join(client)
			x.must(client, Command{Type: "clock", Now: time.Now().Add(off).UnixMilli()})
			return x.Snapshot().Session.Dates
		}
		counts := func(off time.Duration) {
			t.Helper()
			assert.WithinDuration(t, clock.began.Add(off), x.journal.origins["this boot"].at, time.Second)
		}
		assert.NotContains(t, tell(other, 3*time.Hour), "differ")
		counts(3 * time.Hour)
		assert.Equal(t, "The machine's clock is not set. The phones' clocks differ by 3 h: dates come from phone 1.",
			tell(me, 0))
		counts(0) // the holder's
		x.must(me, Command{Type: "give", To: other})
		time.Sleep(clockInterval)
		synctest.Wait()
		counts(3 * time.Hour)
		assert.Contains(t, tell("phone 3", 10*time.Second), "dates come from phone 3")
		counts(10 * time.Second) // the middle one
		assert.Contains(t, tell("phone 4", 10*time.Second), "dates come from")
		counts(10 * time.Second)
		assert.NotContains(t, tell(other, time.Second), "differ by 3 h")
	})
}

// A restart in the same boot keeps what is known; in the next boot nothing is.
func TestDatesOverARestart(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		atNoon(t)
		_, use := withWrongClock()
		x := setUp(t, use)
		x.ready()
		x.must(me, Command{Type: "clock", Now: time.Now().UnixMilli()})
		require.NoError(t, x.stop())
		x = setUpWith(t, x.journal, use)
		assert.WithinDuration(t, time.Now(), x.newSession("").started, time.Second)
		assert.Contains(t, x.Snapshot().Session.Dates, "from a phone's clock")
		require.NoError(t, x.stop())
		x = setUpWith(t, x.journal, use, func(o *Options) {
			o.Clock = func() bootclock.Reading { return bootclock.Reading{Boot: "next", Wall: time.Unix(9, 0)} }
		})
		assert.Equal(t, int64(9), x.newSession("").started.Unix())
		assert.Contains(t, x.Snapshot().Session.Dates, "uncertain")
	})
}

// machine is a machine with a true time nobody on it knows, and the journal it writes.
type machine struct {
	t     *testing.T
	j     *journal.Journal
	true  time.Time
	boots []*bootOf
	made  map[int64]int // shot to the boot it was made in
	at    map[int64]time.Time
	order []int64
}

type bootOf struct {
	bootclock.Reading
	dates   dates
	trusted bool // at some time in this boot
	phones  map[string]modelPhone
}

// modelPhone is a phone whose clock is off by so much since then, and was off by something else before if it jumped.
type modelPhone struct {
	off, since time.Duration
	jumped     bool
}

func (e *machine) boot(wall time.Time) *bootOf {
	b := &bootOf{phones: map[string]modelPhone{}}
	b.Boot, b.Wall = fmt.Sprint("boot ", len(e.boots)), wall
	b.dates.boot = b.Boot
	e.boots = append(e.boots, b)
	return b
}

func (e *machine) pass(b *bootOf, d time.Duration) {
	e.true = e.true.Add(d)
	b.SinceBoot += d
	b.Wall = b.Wall.Add(d)
}

func (e *machine) settle(b *bootOf) {
	b.trusted = b.trusted || b.Trusted
	if b.dates.settle(b.Reading, "phone 0") {
		require.NoError(e.t, e.j.SetOrigin(e.t.Context(), b.Boot, b.dates.origin, b.dates.datedBy))
	}
}

// restart is the daemon starting again in the same boot.
func (e *machine) restart(b *bootOf) {
	var err error
	b.dates = dates{boot: b.Boot}
	b.dates.origin, b.dates.datedBy, err = e.j.Origin(e.t.Context(), b.Boot)
	require.NoError(e.t, err)
	b.phones = map[string]modelPhone{}
	e.settle(b)
}

// wrong says that most believed phones of a boot, or some of few, have a clock that is wrong.
func (b *bootOf) wrong() bool {
	wrong, believed := 0, 0
	for _, p := range b.phones {
		if p.jumped {
			continue
		}
		believed++
		if p.off != 0 {
			wrong++
		}
	}
	return believed == 0 || 2*wrong >= believed
}

// report has a phone tell the time, mostly as far off as the last time.
func (e *machine) report(r *rand.Rand, b *bootOf) {
	name := fmt.Sprint("phone ", r.IntN(5))
	p, known := b.phones[name]
	off := p.off
	if !known || r.IntN(4) == 0 {
		off = []time.Duration{0, 0, 0, 26 * time.Hour, -400 * 24 * time.Hour}[r.IntN(5)]
	}
	if _, err := b.dates.report(name, e.true.Add(off), b.Reading); err != nil {
		return
	}
	switch {
	case !known:
		p = modelPhone{off: off, since: b.SinceBoot}
	case off != p.off:
		p = modelPhone{off: off, since: b.SinceBoot, jumped: true}
	case b.SinceBoot-p.since >= trustAfter:
		p.jumped = false
	}
	b.phones[name] = p
}

func (e *machine) advance(r *rand.Rand, session int64) {
	b := e.boots[len(e.boots)-1]
	e.pass(b, time.Duration(r.Int64N(int64(time.Hour))))
	switch r.IntN(9) {
	case 0: // power cut; the clock starts at 1970, at the time it stopped, or anywhere
		walls := []time.Time{time.Unix(0, 0), b.Wall, time.Unix(r.Int64N(4e9), 0)}
		e.boot(walls[r.IntN(len(walls))])
	case 1: // the network sets the clock
		b.Wall, b.Trusted = e.true, true
	case 2: // someone else does, or the network is lost
		b.Trusted = false
		if r.IntN(2) == 0 {
			b.Wall = time.Unix(r.Int64N(4e9), 0)
		}
	case 3, 4:
		e.report(r, b)
	case 5:
		e.restart(b)
	default:
		shot, err := e.j.Add(e.t.Context(), record.Shot{Session: session, At: b.Wall, When: whenOf(b.Reading)})
		require.NoError(e.t, err)
		e.order = append(e.order, shot.ID)
		e.made[shot.ID], e.at[shot.ID] = len(e.boots)-1, e.true
	}
	e.settle(b)
}

// Over any sequence of boots, steps of the clock, restarts and phones, right and wrong: shots stay in the order in
// which they were made, in each boot their dates rise as time does, and dates are right where anything right has said
// them last.
func TestDatesOverManyBoots(t *testing.T) {
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	r := rand.New(rand.NewPCG(seed, 0))
	right := 0
	for range 8 {
		j, err := journal.Open(t.Context(), filepath.Join(t.TempDir(), "journal.db"))
		require.NoError(t, err)
		e := &machine{t: t, j: j, true: time.Date(2027, 3, 1, 18, 0, 0, 0, time.UTC), made: map[int64]int{},
			at: map[int64]time.Time{}}
		e.boot(time.Unix(0, 0))
		first := e.boots[0]
		s, err := j.NewSession(t.Context(), record.Session{Started: first.Wall, When: whenOf(first.Reading)})
		require.NoError(t, err)
		for range 120 {
			e.advance(r, s.ID)
		}
		right += e.check()
		require.NoError(t, j.Close())
	}
	assert.Greater(t, right, 50, "dates that had to be right")
}

func (e *machine) check() (right int) {
	t := e.t
	shots, err := e.j.Shots(t.Context(), 0, len(e.order)+1)
	require.NoError(t, err)
	require.Len(t, shots, len(e.order))
	for i, s := range shots {
		require.Equal(t, e.order[len(shots)-1-i], s.ID)
		b := e.boots[e.made[s.ID]]
		if i > 0 && e.made[shots[i-1].ID] == e.made[s.ID] && s.When.Dated != record.Undated {
			require.False(t, s.At.After(shots[i-1].At), "shot %d", s.ID)
		}
		if b.trusted || !b.wrong() {
			require.WithinDuration(t, e.at[s.ID], s.At, time.Second, "shot %d, %s", s.ID, s.When.Dated)
			right++
		}
	}
	return right
}
