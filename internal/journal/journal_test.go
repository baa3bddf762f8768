package journal

import (
	"context"
	"database/sql"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"testing"
	"testing/fstest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/record"
)

func newPath(t testing.TB) string { return filepath.Join(t.TempDir(), "state", "journal.db") }

func open(t testing.TB, path string) *Journal {
	t.Helper()
	j, err := Open(t.Context(), path)
	require.NoError(t, err)
	t.Cleanup(func() { assert.NoError(t, j.Close()) })
	return j
}

func session(t testing.TB, j *Journal) record.Session {
	t.Helper()
	s, err := j.NewSession(t.Context(), record.Session{Name: "crowns in milk",
		Started: time.Unix(1_800_000_000, 123456789), Board: "simulated", Set: `{"kind":"drop"}`, Care: `["water"]`})
	require.NoError(t, err)
	return s
}

// newestFirst reads all shots of a session, or of all when it is 0.
func newestFirst(t testing.TB, j *Journal, session int64) []record.Shot {
	t.Helper()
	all := []record.Shot{}
	for s, err := range j.AllShots(t.Context(), session) {
		require.NoError(t, err)
		all = append(all, s)
	}
	slices.Reverse(all)
	return all
}

// raw opens the file behind the journal's back.
func raw(t testing.TB, path string) *sql.DB {
	t.Helper()
	db, err := sql.Open("sqlite", path)
	require.NoError(t, err)
	db.SetMaxOpenConns(1)
	t.Cleanup(func() { db.Close() })
	return db
}

// words that text columns must give back as they were.
var words = []string{"", "good", "crown, a little late", "it's \"so\"; DROP TABLE shots; --", "Tröpfchen 水滴",
	"two\nlines\ttab", "nul\x00inside", `{"a":1}`}

// someShot is a shot whose every field follows from r.
func someShot(r *rand.Rand, session int64) record.Shot {
	word := func() string { return words[r.IntN(len(words))] }
	s := record.Shot{Session: session, At: time.Unix(1_800_000_000+r.Int64N(1e6), r.Int64N(1e9)), Status: word(),
		Simulated: r.IntN(2) == 0, BootID: r.Uint32(), GateNs: r.Int64(), ClockNs: -r.Int64(), IntervalNs: r.Int64N(1e9),
		DelayNs: r.Int64N(1e9), Set: word(), Program: word(), Cues: []record.Cue{}, Seen: word(),
		Verdict: record.Verdict(word()), Note: word()}
	s.When.Wall = s.At
	for range r.IntN(9) {
		s.Cues = append(s.Cues, record.Cue{Name: "valve\n\"1\"", Opening: r.IntN(2) == 0, PlannedNs: r.Int64N(1e9),
			OnNs: r.Int64N(1e9), OffNs: -r.Int64N(1e9)})
	}
	return s
}

func TestDefaultPath(t *testing.T) {
	for name, c := range map[string]struct{ state, home, want string }{
		"state folder":          {"/var/s", "/people/a", "/var/s/stillwater/journal.db"},
		"home":                  {"", "/people/a", "/people/a/.local/state/stillwater/journal.db"},
		"relative state folder": {"s", "/people/a", "/people/a/.local/state/stillwater/journal.db"},
		"nothing":               {"", "", ""},
		"relative home":         {"", "a", ""},
	} {
		t.Run(name, func(t *testing.T) {
			got, err := DefaultPath(func(k string) string {
				return map[string]string{"XDG_STATE_HOME": c.state, "HOME": c.home}[k]
			})
			assert.Equal(t, c.want, got)
			assert.Equal(t, c.want == "", err != nil, "%v", err)
		})
	}
}

func TestFilesAreForTheUserOnly(t *testing.T) {
	path := newPath(t)
	j := open(t, path)
	session(t, j)
	dir, err := os.Stat(filepath.Dir(path))
	require.NoError(t, err)
	assert.Equal(t, os.FileMode(0o700), dir.Mode().Perm())
	files, err := os.ReadDir(filepath.Dir(path))
	require.NoError(t, err)
	assert.GreaterOrEqual(t, len(files), 3) // database, -wal, -shm, .lock
	for _, f := range files {
		info, err := f.Info()
		require.NoError(t, err)
		assert.Equal(t, os.FileMode(0o600), info.Mode().Perm(), f.Name())
	}
}

func TestSettingsThatKeepAcknowledgedShots(t *testing.T) {
	j := open(t, newPath(t))
	for pragma, want := range map[string]string{"journal_mode": "wal", "synchronous": "2", "foreign_keys": "1",
		"busy_timeout": "2000", "user_version": "9", "application_id": fmt.Sprint(applicationID)} {
		var got string
		require.NoError(t, j.db.QueryRow("PRAGMA "+pragma).Scan(&got))
		assert.Equal(t, want, got, pragma)
	}
}

func TestOddPaths(t *testing.T) {
	for _, name := range []string{"a b.db", "what?.db", "100%.db", "#1;x=2&mode=memory.db", "%41.db", "ü.db"} {
		path := filepath.Join(t.TempDir(), name)
		session(t, open(t, path))
		info, err := os.Stat(path)
		require.NoError(t, err)
		assert.Positive(t, info.Size(), name)
	}
}

func TestSessions(t *testing.T) {
	path, ctx := newPath(t), t.Context()
	j := open(t, path)
	_, ok, err := j.LatestSession(ctx)
	require.NoError(t, err)
	assert.False(t, ok)
	all, err := j.Sessions(ctx)
	require.NoError(t, err)
	assert.Empty(t, all)

	first, second, third := session(t, j), session(t, j), session(t, j)
	require.NoError(t, j.SaveSet(ctx, second.ID, `{"kind":"throw"}`))
	require.NoError(t, j.SaveCare(ctx, second.ID, `[]`))
	for i, verdict := range []record.Verdict{"good", "good", "late", ""} {
		_, err := j.Add(ctx, record.Shot{Session: first.ID, At: time.Unix(int64(i), 0), Verdict: verdict})
		require.NoError(t, err)
	}
	require.NoError(t, j.Close())

	j = open(t, path)
	got, ok, err := j.LatestSession(ctx)
	require.NoError(t, err)
	assert.True(t, ok)
	assert.Equal(t, third, got, "what is saved of one session leaves those before and after it alone")
	second.Set, second.Care = `{"kind":"throw"}`, `[]`
	all, err = j.Sessions(ctx)
	require.NoError(t, err)
	assert.Equal(t, []record.Summary{
		{Session: third, Verdicts: map[record.Verdict]int{}},
		{Session: second, Verdicts: map[record.Verdict]int{}},
		{Session: first, Shots: 4, Verdicts: map[record.Verdict]int{"good": 2, "late": 1, "": 1}},
	}, all)
}

func TestUnknownIDs(t *testing.T) {
	j, ctx := open(t, newPath(t)), t.Context()
	_, err := j.Add(ctx, record.Shot{Session: 7, At: time.Unix(1, 0)})
	for name, err := range map[string]error{
		"Add": err, "SaveSet": j.SaveSet(ctx, 7, ""), "SaveCare": j.SaveCare(ctx, 7, ""),
		"SetVerdict": j.SetVerdict(ctx, 7, ""), "SetNote": j.SetNote(ctx, 7, ""),
	} {
		assert.ErrorIs(t, err, record.ErrNotFound, name)
		assert.ErrorContains(t, err, "7 is not in the journal", name)
	}
}

func TestTimesAreRequired(t *testing.T) {
	j := open(t, newPath(t))
	_, err := j.NewSession(t.Context(), record.Session{})
	assert.ErrorContains(t, err, "no start time")
	_, err = j.Add(t.Context(), record.Shot{Session: session(t, j).ID})
	assert.ErrorContains(t, err, "no time")
}

// Random work against a plain model of it, read back after each reopening.
func TestAgainstModel(t *testing.T) {
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	r := rand.New(rand.NewPCG(seed, 0))
	path, ctx := newPath(t), t.Context()
	var model []record.Shot // oldest first
	numbers := map[int64]int{}
	for range 4 {
		j := open(t, path)
		session(t, j)
		sessions, err := j.Sessions(ctx)
		require.NoError(t, err)
		for range 30 {
			if len(model) > 0 && r.IntN(3) == 0 {
				s := &model[r.IntN(len(model))]
				s.Verdict, s.Note = record.Verdict(words[r.IntN(len(words))]), words[r.IntN(len(words))]
				require.NoError(t, j.SetVerdict(ctx, s.ID, s.Verdict))
				require.NoError(t, j.SetNote(ctx, s.ID, s.Note))
				continue
			}
			want := someShot(r, sessions[r.IntN(len(sessions))].ID)
			got, err := j.Add(ctx, want)
			require.NoError(t, err)
			numbers[want.Session]++
			want.ID, want.Number = got.ID, numbers[want.Session]
			require.Equal(t, want, got)
			model = append(model, want)
		}
		checkModel(t, j, model, r.IntN(2*len(model)))
		require.NoError(t, j.Close())
	}
}

func checkModel(t *testing.T, j *Journal, model []record.Shot, limit int) {
	t.Helper()
	bySession := map[int64][]record.Shot{0: {}}
	for i := len(model) - 1; i >= 0; i-- {
		s := model[i]
		bySession[0] = append(bySession[0], s)
		bySession[s.Session] = append(bySession[s.Session], s)
	}
	for id, want := range bySession {
		got := newestFirst(t, j, id)
		require.Equal(t, want, got)
		n, err := j.Count(t.Context(), id)
		require.NoError(t, err)
		require.Equal(t, len(want), n)
		got, err = j.Shots(t.Context(), id, max(limit, 1))
		require.NoError(t, err)
		require.Equal(t, want[:min(max(limit, 1), len(want))], got)
	}
}

func TestNumbersHaveNoGapsWithManyWriters(t *testing.T) {
	j, ctx := open(t, newPath(t)), t.Context()
	a, b := session(t, j), session(t, j)
	var all sync.WaitGroup
	for range 8 {
		all.Go(func() {
			for i := range 10 {
				id := a.ID
				if i%2 == 1 {
					id = b.ID
				}
				_, err := j.Add(ctx, record.Shot{Session: id, At: time.Unix(1, 0)})
				assert.NoError(t, err)
			}
		})
	}
	all.Wait()
	for _, id := range []int64{a.ID, b.ID} {
		shots := newestFirst(t, j, id)
		require.Len(t, shots, 40)
		for i, s := range shots {
			assert.Equal(t, 40-i, s.Number)
		}
	}
}

func TestEndedContextStoresNothing(t *testing.T) {
	j := open(t, newPath(t))
	s := session(t, j)
	ended, cancel := context.WithCancel(t.Context())
	cancel()
	_, err := j.Add(ended, record.Shot{Session: s.ID, At: time.Unix(1, 0)})
	assert.ErrorIs(t, err, context.Canceled)
	got, err := j.Add(t.Context(), record.Shot{Session: s.ID, At: time.Unix(1, 0)})
	require.NoError(t, err)
	assert.Equal(t, 1, got.Number)
}

func TestReadingWhileWriting(t *testing.T) {
	path, ctx := newPath(t), t.Context()
	j := open(t, path)
	s := session(t, j)
	look, err := OpenReadOnly(ctx, path)
	require.NoError(t, err)
	defer look.Close()
	for i := range 5 {
		_, err := j.Add(ctx, record.Shot{Session: s.ID, At: time.Unix(1, 0)})
		require.NoError(t, err)
		n, err := look.Count(ctx, s.ID)
		require.NoError(t, err)
		assert.Equal(t, i+1, n, "a reader sees what was acknowledged")
	}
	_, err = look.Add(ctx, record.Shot{Session: s.ID, At: time.Unix(1, 0)})
	assert.ErrorIs(t, err, record.ErrReadOnly)
}

func TestMigrationIsWholeOrNotAtAll(t *testing.T) {
	path, ctx := newPath(t), t.Context()
	j := open(t, path)
	kept := session(t, j)
	known, err := listMigrations(migrations)
	require.NoError(t, err)
	with := func(next string) fstest.MapFS {
		steps := fstest.MapFS{}
		for i, text := range append(slices.Clone(known), next) {
			steps[fmt.Sprintf("migrations/%04d_x.sql", i+1)] = &fstest.MapFile{Data: []byte(text)}
		}
		return steps
	}
	version := func() (v, tables int) {
		require.NoError(t, j.db.QueryRow(`SELECT (SELECT user_version FROM pragma_user_version),
			(SELECT count(*) FROM sqlite_schema WHERE name = 'lenses')`).Scan(&v, &tables))
		return v, tables
	}
	err = j.migrate(ctx, with(`CREATE TABLE lenses (x TEXT); INSERT INTO lenses VALUES ('a');
		INSERT INTO nowhere VALUES (1);`))
	assert.ErrorContains(t, err, fmt.Sprintf("bring up to version %d", len(known)+1))
	v, tables := version()
	assert.Equal(t, []int{len(known), 0}, []int{v, tables})

	require.NoError(t, j.migrate(ctx, with("CREATE TABLE lenses (x TEXT);")))
	v, tables = version()
	assert.Equal(t, []int{len(known) + 1, 1}, []int{v, tables})
	got, _, err := j.LatestSession(ctx)
	require.NoError(t, err)
	assert.Equal(t, kept, got)
}

func TestMigrationNumbersAreChecked(t *testing.T) {
	for _, name := range []string{"migrations/0002_a.sql", "migrations/first.sql", "migrations/0000_a.sql"} {
		_, err := listMigrations(fstest.MapFS{name: {}})
		assert.ErrorContains(t, err, name)
	}
}

func BenchmarkAdd(b *testing.B) {
	j := open(b, newPath(b))
	s := someShot(rand.New(rand.NewPCG(1, 1)), session(b, j).ID)
	s.Set, s.Program = string(make([]byte, 900)), string(make([]byte, 1500))
	for b.Loop() {
		if _, err := j.Add(b.Context(), s); err != nil {
			b.Fatal(err)
		}
	}
}

// The newest shot of all sessions comes first, and each is found by its number.
func TestNewestShotsAndOneByItsNumber(t *testing.T) {
	seed := rand.Uint64()
	t.Log("seed", seed)
	r := rand.New(rand.NewPCG(seed, 0))
	j := open(t, filepath.Join(t.TempDir(), "j.db"))
	first, second := session(t, j), session(t, j)
	for i := range 2*batchSize + 3 {
		_, err := j.Add(t.Context(), someShot(r, []record.Session{first, second}[i%2].ID))
		require.NoError(t, err)
	}
	var newest []record.Shot
	for s, err := range j.NewestShots(t.Context()) {
		require.NoError(t, err)
		newest = append(newest, s)
	}
	assert.Equal(t, newestFirst(t, j, 0), newest)
	for _, want := range []record.Shot{newest[0], newest[7], newest[len(newest)-1]} {
		got, err := j.Shot(t.Context(), want.Session, want.Number)
		require.NoError(t, err)
		assert.Equal(t, want, got)
	}
	for _, none := range []struct {
		session int64
		number  int
	}{{first.ID, 0}, {first.ID, 9999}, {99, 1}} {
		_, err := j.Shot(t.Context(), none.session, none.number)
		assert.ErrorIs(t, err, record.ErrNotFound)
	}
}
