package journal

import (
	"fmt"
	"math/rand/v2"
	"os"
	"runtime"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/record"
)

// written makes a journal of several sessions and boots, closed in order, and returns what is in it, by id.
func written(t *testing.T, r *rand.Rand, shots int) (path string, all map[int64]record.Shot) {
	t.Helper()
	path = newPath(t)
	j, ctx := open(t, path), t.Context()
	require.NoError(t, j.Verify(ctx))
	_, err := j.db.Exec("PRAGMA synchronous = off") // what is tested is not what a power cut does
	require.NoError(t, err)
	var sessions []int64
	for range 3 {
		sessions = append(sessions, session(t, j).ID)
	}
	all = map[int64]record.Shot{}
	for i := range shots {
		s := someShot(r, sessions[r.IntN(len(sessions))])
		s.When = record.When{Boot: fmt.Sprint("boot ", i*4/shots), SinceBoot: time.Duration(i) * time.Second}
		s.Set = strings.Repeat("set ", r.IntN(200))
		s.Program = strings.Repeat("program ", r.IntN(900)) // some run over several pages
		s, err := j.Add(ctx, s)
		require.NoError(t, err)
		if r.IntN(3) == 0 {
			s.Note = strings.Repeat("note ", r.IntN(60))
			require.NoError(t, j.SetNote(ctx, s.ID, s.Note))
		}
		all[s.ID] = s
	}
	require.NoError(t, j.Verify(ctx))
	require.NoError(t, j.Close())
	return path, all
}

// diskPage is a page of the file, and how many shots can be lost with it.
type diskPage struct {
	number, shots int64
	table         string
}

// The schema stays on the first page: with any page of it nothing of the journal can be read.
func TestSchemaIsOnOnePage(t *testing.T) {
	path := newPath(t)
	require.NoError(t, open(t, path).Close())
	var pages int
	require.NoError(t, raw(t, path).QueryRow("SELECT count(*) FROM dbstat WHERE name = 'sqlite_schema'").Scan(&pages))
	assert.Equal(t, 1, pages)
}

// pagesOf lists the pages of the file, but for the first, which has the schema.
func pagesOf(t *testing.T, path string) (pages []diskPage) {
	t.Helper()
	db := raw(t, path)
	rows, err := db.Query("SELECT name, path, pageno, pagetype, ncell FROM dbstat WHERE pageno > 1")
	require.NoError(t, err)
	defer rows.Close()
	below := map[string]int64{} // shots on the leaves below an inner page
	kinds := map[int64]string{}
	paths := map[int64]string{}
	for rows.Next() {
		var p diskPage
		var kind, at string
		var cells int64
		require.NoError(t, rows.Scan(&p.table, &at, &p.number, &kind, &cells))
		if p.table == "shots" && kind == "leaf" {
			p.shots = cells
			for i := range at {
				if at[i] == '/' {
					below[at[:i+1]] += cells
				}
			}
		}
		if p.table == "shots" && kind == "overflow" {
			p.shots = 1
		}
		kinds[p.number], paths[p.number] = kind, at
		pages = append(pages, p)
	}
	require.NoError(t, rows.Err())
	require.NoError(t, db.Close())
	for i, p := range pages {
		if p.table == "shots" && kinds[p.number] == "internal" {
			pages[i].shots = below[strings.TrimSuffix(paths[p.number], "/")+"/"]
		}
	}
	return pages
}

// damage overwrites a page, or a part of it, as bad memory cards do: with nothing, with ones, or with anything.
func damage(t *testing.T, r *rand.Rand, path string, page diskPage) {
	t.Helper()
	const size = 4096
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	require.NoError(t, err)
	defer f.Close()
	from, n := 0, size
	if r.IntN(2) == 0 {
		from, n = 512*r.IntN(8), 512
	}
	junk := make([]byte, n)
	switch r.IntN(3) {
	case 0:
	case 1:
		for i := range junk {
			junk[i] = 0xff
		}
	default:
		for i := range junk {
			junk[i] = byte(r.Uint32())
		}
	}
	_, err = f.WriteAt(junk, (page.number-1)*size+int64(from))
	require.NoError(t, err)
}

// Whatever pages are damaged: what is read as intact is true, all on other pages is read, and the rest is named.
func TestDamagedPages(t *testing.T) {
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	r := rand.New(rand.NewPCG(seed, 0))
	path, all := written(t, r, 300)
	pages := pagesOf(t, path)
	whole, err := os.ReadFile(path)
	require.NoError(t, err)
	var rounds, lost, doubtful, named int
	for range 60 {
		require.NoError(t, os.WriteFile(path, whole, 0o600))
		mayLose, other, files := int64(0), false, false
		for range 1 + r.IntN(4) {
			p := pages[r.IntN(len(pages))]
			damage(t, r, path, p)
			mayLose += p.shots
			other = other || p.table == "boots"
			files = files || p.table == "file_numbers"
		}
		j, err := OpenReadOnly(t.Context(), path)
		require.NoError(t, err)
		intact := map[int64]bool{}
		for s, err := range j.AllShots(t.Context(), 0) {
			require.NoError(t, err)
			require.False(t, intact[s.ID], "shot %d twice", s.ID)
			want, made := all[s.ID]
			if files && s.Damaged == fileUncertain { // and nothing else is wrong with it
				s.Damaged, s.File = "", want.File
			}
			switch {
			case s.Lost:
				lost++
				if made && s.Number != 0 {
					named++
					assert.Equal(t, []int64{want.Session, int64(want.Number)}, []int64{s.Session, int64(s.Number)})
				}
			case s.Damaged != "":
				doubtful++
			default:
				intact[s.ID] = true
				if other { // dates are of the boots, which have no checksum
					want.At, want.When = s.At, s.When
				}
				require.True(t, made)
				require.Equal(t, want, s)
			}
		}
		if !other {
			assert.GreaterOrEqual(t, int64(len(intact)), int64(len(all))-mayLose)
		}
		sessions, err := j.Sessions(t.Context())
		require.NoError(t, err)
		assert.NotEmpty(t, sessions)
		require.NoError(t, j.Close())
		rounds++
	}
	t.Logf("%d rounds, %d pages: %d shots lost, %d of them named, %d doubtful", rounds, len(pages), lost, named, doubtful)
	assert.Positive(t, lost)
	assert.Positive(t, doubtful)
}

// Sessions whose own page is damaged are listed as long as anything names them: the counts of verdicts, an index of
// shots, or the shots.
func TestSessionsKnownByTheirShots(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 0))
	path, _ := written(t, r, 60)
	db := raw(t, path)
	roots := map[string]int64{}
	rows, err := db.Query("SELECT name, rootpage FROM sqlite_schema WHERE rootpage > 1")
	require.NoError(t, err)
	for rows.Next() {
		var name string
		var page int64
		require.NoError(t, rows.Scan(&name, &page))
		roots[name] = page
	}
	require.NoError(t, rows.Err())
	require.NoError(t, db.Close())
	naming := []string{"sessions", "counts", "sqlite_autoindex_shots_1", "shots_by_time", "shots"}
	for i, name := range naming {
		f, err := os.OpenFile(path, os.O_RDWR, 0)
		require.NoError(t, err)
		_, err = f.WriteAt(make([]byte, 4096), (roots[name]-1)*4096)
		require.NoError(t, err)
		require.NoError(t, f.Close())
		j, err := OpenReadOnly(t.Context(), path)
		require.NoError(t, err)
		sessions, err := j.Sessions(t.Context())
		require.NoError(t, err)
		if i < len(naming)-1 {
			assert.Len(t, sessions, 3, "without %v", naming[:i+1])
		} else {
			assert.Empty(t, sessions, "nothing is left that names them")
		}
		require.NoError(t, j.Close())
	}
}

// A row that another program damaged is shown as far as it can be read, says what is wrong, and does not hide the
// others.
func TestDamagedRow(t *testing.T) {
	path, ctx := newPath(t), t.Context()
	j := open(t, path)
	s := session(t, j)
	for i := range 30 {
		_, err := j.Add(ctx, record.Shot{Session: s.ID, At: time.Unix(int64(i+1), 0), Status: "done",
			Cues: []record.Cue{{Name: "flash"}, {Name: "shutter"}}})
		require.NoError(t, err)
	}
	_, err := j.db.Exec(`UPDATE shots SET cues_json = '[{"name": 7}, {"name": "flash"}]', crc = NULL WHERE id = 28;
		UPDATE shots SET cues_json = '{}', crc = NULL WHERE id = 29;
		UPDATE shots SET note = 'not what was said' WHERE id = 30`)
	require.NoError(t, err)
	shots, err := j.Shots(ctx, s.ID, 20)
	require.NoError(t, err)
	require.Len(t, shots, 20)
	assert.Contains(t, shots[0].Damaged, "checksum does not match")
	assert.Equal(t, "its cues cannot be read", shots[1].Damaged)
	assert.Equal(t, "1 of its cues cannot be read", shots[2].Damaged)
	assert.Equal(t, []record.Cue{{Name: "flash"}}, shots[2].Cues)
	assert.Equal(t, []string{"", "{}", `[{"name": 7}, {"name": "flash"}]`},
		[]string{shots[0].CuesText, shots[1].CuesText, shots[2].CuesText})
	for _, intact := range shots[3:] {
		assert.Empty(t, intact.Damaged)
	}
	require.NoError(t, j.SetVerdict(ctx, 30, "good"))
	shots, err = j.Shots(ctx, s.ID, 1)
	require.NoError(t, err)
	assert.Equal(t, record.Good, shots[0].Verdict)
	assert.NotEmpty(t, shots[0].Damaged, "a verdict does not make it whole")
}

// What a session needs to be listed or taken up again is read without its shots.
func TestListReadsNoShots(t *testing.T) {
	path, ctx := newPath(t), t.Context()
	j := open(t, path)
	s := session(t, j)
	for range 50 {
		_, err := j.Add(ctx, record.Shot{Session: s.ID, At: time.Unix(1, 0), Program: strings.Repeat("p", 3000)})
		require.NoError(t, err)
	}
	require.NoError(t, j.SetVerdict(ctx, 7, "good"))
	require.NoError(t, j.SetVerdict(ctx, 7, "late"))
	require.NoError(t, j.SetVerdict(ctx, 7, "late"))
	_, err := j.Add(ctx, record.Shot{Session: s.ID, At: time.Unix(1, 0), Set: `{"kind":"throw"}`})
	require.NoError(t, err)
	for _, query := range []string{countsQuery, indexQuery(s.ID, descending), indexQuery(s.ID, ascending),
		indexQuery(0, descending), indexQuery(0, ascending)} {
		for _, line := range planOf(t, j, query, s.ID, noLimit) {
			assert.False(t, strings.Contains(line, "shots") && !strings.Contains(line, "COVERING INDEX"), line)
		}
	}
	all, err := j.Sessions(ctx)
	require.NoError(t, err)
	require.Len(t, all, 1)
	assert.Equal(t, map[record.Verdict]int{"": 50, "late": 1}, all[0].Verdicts)
	assert.Equal(t, 51, all[0].Shots)
	assert.Equal(t, []string{"throw"}, all[0].Kinds)
}

func planOf(t *testing.T, j *Journal, query string, args ...any) (lines []string) {
	t.Helper()
	if !strings.Contains(query, "?") {
		args = nil
	}
	rows, err := j.db.Query("EXPLAIN QUERY PLAN "+query, args...)
	require.NoError(t, err)
	defer rows.Close()
	for rows.Next() {
		var id, parent, unused int
		var line string
		require.NoError(t, rows.Scan(&id, &parent, &unused, &line))
		lines = append(lines, line)
	}
	require.NotEmpty(t, lines)
	return lines
}

// Reading a record takes as much memory for many shots as for few, whatever the shots are like.
func TestReadingTakesLittleMemory(t *testing.T) {
	path := newPath(t)
	const shots = 20_000 // 48 MB of sets and programs
	asBefore(t, path, shots)
	j := open(t, path)
	most, read := uint64(0), 0
	var m runtime.MemStats
	for s, err := range j.AllShots(t.Context(), 0) {
		require.NoError(t, err)
		require.Empty(t, s.Damaged)
		if read++; read%2000 == 0 {
			runtime.GC()
			runtime.ReadMemStats(&m)
			most = max(most, m.HeapAlloc)
		}
	}
	require.Equal(t, shots, read)
	assert.Less(t, most, uint64(16<<20))
}

// A journal of an older version is brought up to date with all it had, and says so while it is.
func TestOlderJournalIsBroughtUpToDate(t *testing.T) {
	path := newPath(t)
	asBefore(t, path, 500)
	var said []int
	j, err := OpenReporting(t.Context(), path, func(version, last int) { said = append(said, version, last) })
	require.NoError(t, err)
	defer j.Close()
	assert.Equal(t, []int{4, 9, 5, 9, 6, 9, 7, 9, 8, 9, 9, 9}, said)
	all, err := j.Sessions(t.Context())
	require.NoError(t, err)
	assert.Equal(t, 500, all[0].Shots)
	assert.Equal(t, map[record.Verdict]int{"good": 334, "": 166}, all[0].Verdicts)
	assert.Len(t, newestFirst(t, j, 1), 500)
	require.NoError(t, j.SetNote(t.Context(), 1, "x"))
	assert.Empty(t, newestFirst(t, j, 1)[499].Damaged)
}

func TestNewJournalIsNotBroughtUpToDate(t *testing.T) {
	j, err := OpenReporting(t.Context(), newPath(t), func(version, _ int) { t.Errorf("version %d", version) })
	require.NoError(t, err)
	assert.NoError(t, j.Close())
}
