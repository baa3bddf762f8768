package journal

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/record"
)

// A journal as the program before boots left it opens, keeps all it had with the dates it had, and takes new shots.
func TestJournalFromBeforeBoots(t *testing.T) {
	path, ctx := t.TempDir()+"/journal.db", t.Context()
	db := raw(t, path)
	for i, name := range []string{"0001_sessions_and_shots", "0002_phones"} {
		text, err := embedded.ReadFile("migrations/" + name + ".sql")
		require.NoError(t, err)
		_, err = db.Exec(fmt.Sprintf("%s; PRAGMA application_id = %d; PRAGMA user_version = %d", text, applicationID, i+1))
		require.NoError(t, err)
	}
	_, err := db.Exec(`INSERT INTO sessions VALUES (1, 'crowns', 1000000000, 'gpio', '{}', '[]'),
		(2, 'sheets', 500000000, 'gpio', '{}', '[]');
		INSERT INTO shots VALUES (1, 1, 1, 2000000000, 'done', 0, 7, 0, 5, 0, 9, '{}', '{}', '[]', '', 'good', 'wet'),
		(2, 1, 2, 1500000000, 'late', 0, 7, 0, 6, 0, 9, '{}', '{}', '[]', '', '', '');
		INSERT INTO phones VALUES (zeroblob(32), 'phone 1', 3000000000)`)
	require.NoError(t, err)
	require.NoError(t, db.Close())

	_, err = OpenReadOnly(ctx, path)
	require.ErrorIs(t, err, ErrOlder)
	j := open(t, path)
	sessions, err := j.Sessions(ctx)
	require.NoError(t, err)
	require.Len(t, sessions, 2)
	assert.Equal(t, record.Summary{Session: record.Session{ID: 1, Name: "crowns", Started: time.Unix(1, 0), Board: "gpio",
		Set: "{}", Care: "[]", When: record.When{Wall: time.Unix(1, 0)}}, Shots: 2,
		Verdicts: map[record.Verdict]int{"good": 1, "": 1}}, sessions[1])
	new, err := j.Add(ctx, record.Shot{Session: 1, At: time.Unix(0, 0),
		When: record.When{Boot: "a", SinceBoot: time.Second}})
	require.NoError(t, err)
	assert.Equal(t, 3, new.Number)
	shots := newestFirst(t, j, 1)
	require.Len(t, shots, 3)
	assert.Equal(t, []int64{3, 2, 1}, []int64{shots[0].ID, shots[1].ID, shots[2].ID}, "the old ones keep their order")
	assert.Equal(t, record.Shot{ID: 1, Session: 1, Number: 1, At: time.Unix(2, 0),
		When: record.When{Wall: time.Unix(2, 0)}, Status: "done", BootID: 7, ClockNs: 5, DelayNs: 9,
		Set: "{}", Program: "{}", Cues: []record.Cue{}, Verdict: "good", Note: "wet"}, shots[2])
	phones, err := j.Phones(ctx)
	require.NoError(t, err)
	assert.Len(t, phones, 1)
}

func TestDateOfBootDatesWhatWasMadeInIt(t *testing.T) {
	path, ctx := newPath(t), t.Context()
	j := open(t, path)
	started := time.Unix(100, 0) // the clock stands in 1970
	s, err := j.NewSession(ctx, record.Session{Started: started,
		When: record.When{Boot: "a", SinceBoot: 10 * time.Second}})
	require.NoError(t, err)
	assert.Equal(t, record.When{Boot: "a", Number: 1, SinceBoot: 10 * time.Second, Wall: started,
		Dated: record.Undated}, s.When)
	assert.Equal(t, started, s.Started)
	assert.Equal(t, started.Format("2 January 2006, 15:04"), s.Title())
	shot, err := j.Add(ctx, record.Shot{Session: s.ID, At: started.Add(time.Minute),
		When: record.When{Boot: "a", SinceBoot: 70 * time.Second}})
	require.NoError(t, err)
	assert.Equal(t, record.Undated, shot.When.Dated)
	_, by, err := j.Origin(ctx, "a")
	require.NoError(t, err)
	assert.Equal(t, record.Undated, by)

	evening := time.Date(2026, 11, 25, 20, 0, 0, 0, time.Local)
	check := func(origin time.Time, by record.Dating) {
		t.Helper()
		s, _, err := j.LatestSession(ctx)
		require.NoError(t, err)
		assert.True(t, s.Started.Equal(origin.Add(10*time.Second)), s.Started)
		assert.Equal(t, by, s.When.Dated)
		assert.Equal(t, started, s.When.Wall, "what the machine's clock said stays")
		shots := newestFirst(t, j, s.ID)
		assert.True(t, shots[0].At.Equal(origin.Add(70*time.Second)), shots[0].At)
		assert.Equal(t, by, shots[0].When.Dated)
		kept, keptBy, err := j.Origin(ctx, "a")
		require.NoError(t, err)
		assert.True(t, kept.Equal(origin))
		if by != record.ByClock {
			assert.Equal(t, by, keptBy)
		}
	}
	require.NoError(t, j.SetOrigin(ctx, "a", evening, record.ByPhone))
	check(evening, record.ByPhone)
	require.NoError(t, j.SetOrigin(ctx, "a", evening.Add(time.Hour), record.ByPhone))
	check(evening.Add(time.Hour), record.ByPhone)
	require.NoError(t, j.SetOrigin(ctx, "a", evening.Add(-time.Hour), record.BySystem))
	check(evening.Add(-time.Hour), record.BySystem)
	require.NoError(t, j.SetOrigin(ctx, "a", evening, record.ByPhone))
	check(evening.Add(-time.Hour), record.BySystem)
	require.NoError(t, j.SetOrigin(ctx, "a", started.Add(-10*time.Second), record.BySystem))
	check(started.Add(-10*time.Second), record.ByClock) // the clock was right after all
	for off, by := range map[time.Duration]record.Dating{
		clockRightWithin - 1: record.ByClock, clockRightWithin: record.BySystem,
		1 - clockRightWithin: record.ByClock, -clockRightWithin: record.BySystem,
	} {
		origin := started.Add(-10*time.Second + off)
		require.NoError(t, j.SetOrigin(ctx, "a", origin, record.BySystem))
		check(origin, by)
	}
	require.NoError(t, j.SetOrigin(ctx, "a", started.Add(-10*time.Second), record.BySystem))

	require.NoError(t, j.Close())
	j = open(t, path)
	check(started.Add(-10*time.Second), record.ByClock)
	require.Error(t, j.SetOrigin(ctx, "a", evening, "guess"))
}

// Boot and time since order shots, not the order in which they came to the journal, nor the clock.
func TestOrderIsByBootAndTimeSince(t *testing.T) {
	j, ctx := open(t, newPath(t)), t.Context()
	s := session(t, j)
	add := func(boot string, since time.Duration, wall int64) int64 {
		shot, err := j.Add(ctx, record.Shot{Session: s.ID, At: time.Unix(wall, 0),
			When: record.When{Boot: boot, SinceBoot: since}})
		require.NoError(t, err)
		return shot.ID
	}
	second := add("a", 20*time.Second, 1000)
	first := add("a", 10*time.Second, 2000)
	fourth := add("b", 2*time.Second, 10)
	third := add("b", time.Second, 5000)
	for _, session := range []int64{0, s.ID} {
		shots := newestFirst(t, j, session)
		require.Len(t, shots, 4)
		assert.Equal(t, []int64{fourth, third, second, first},
			[]int64{shots[0].ID, shots[1].ID, shots[2].ID, shots[3].ID})
	}
}

// Whatever the clock of the machine does, and whatever is said of it: the order is that in which things were made.
func TestOrderIsTheOrderOfMaking(t *testing.T) {
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	r := rand.New(rand.NewPCG(seed, 0))
	path, ctx := newPath(t), t.Context()
	var shots, sessions []int64
	for boot := range 6 {
		name, since := fmt.Sprint("boot ", r.Uint64()), time.Duration(0)
		origin := time.Unix(r.Int64N(2e9), 0) // what the machine believes
		j := open(t, path)
		for range 30 {
			since += time.Duration(r.Int64N(1e12))
			when, wall := record.When{Boot: name, SinceBoot: since}, origin.Add(since)
			switch {
			case len(sessions) == 0 || r.IntN(8) == 0:
				s, err := j.NewSession(ctx, record.Session{Started: wall, When: when})
				require.NoError(t, err)
				sessions = append(sessions, s.ID)
			case r.IntN(5) == 0: // the clock is stepped
				origin = time.Unix(r.Int64N(2e9), 0)
			case r.IntN(5) == 0: // somebody tells the time
				by := []record.Dating{record.ByPhone, record.BySystem}[r.IntN(2)]
				require.NoError(t, j.SetOrigin(ctx, name, time.Unix(r.Int64N(2e9), 0), by))
			case r.IntN(9) == 0: // the daemon starts again
				require.NoError(t, j.Close())
				j = open(t, path)
			default:
				s, err := j.Add(ctx, record.Shot{Session: sessions[len(sessions)-1], At: wall, When: when})
				require.NoError(t, err)
				assert.Equal(t, int64(boot+1), s.When.Number)
				shots = append(shots, s.ID)
			}
		}
		require.NoError(t, j.Close())
	}
	j := open(t, path)
	got := newestFirst(t, j, 0)
	for i, s := range slices.Backward(got) {
		require.Equal(t, shots[len(got)-1-i], s.ID)
	}
	require.Len(t, got, len(shots))
	all, err := j.Sessions(ctx)
	require.NoError(t, err)
	require.Len(t, all, len(sessions))
	for i, s := range slices.Backward(all) {
		require.Equal(t, sessions[len(all)-1-i], s.ID)
		own := newestFirst(t, j, s.ID)
		for n, shot := range own {
			require.Equal(t, len(own)-n, shot.Number)
		}
	}
}
