package journal

import (
	"errors"
	"fmt"
	"os"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/record"
)

// kindsOf lists the kinds of each session that a journal lists.
func kindsOf(t testing.TB, j *Journal) (map[int64][]string, []record.Summary) {
	t.Helper()
	all, err := j.Sessions(t.Context())
	require.NoError(t, err)
	kinds := map[int64][]string{}
	for _, s := range all {
		kinds[s.ID] = s.Kinds
	}
	return kinds, all
}

// An evening of several kinds is listed with each of them, in the order in which they were begun; sets that cannot be
// read have none.
func TestKindsOfASession(t *testing.T) {
	path := newPath(t)
	j := open(t, path)
	mixed, odd, none := session(t, j).ID, session(t, j).ID, session(t, j).ID
	sets := map[int64][]string{
		mixed: {`{"kind":"throw"}`, `{"kind":"drop"}`, `{"kind":"throw"}`, `{"kind":"drop","trim":{"drop":"1 ms"}}`},
		odd:   {"", "{", `{"kind":7}`, `[]`, `{"kind":null}`, `{"Kind":"drop"}`, "\x00"},
	}
	for _, id := range []int64{mixed, odd} {
		for _, set := range sets[id] {
			_, err := j.Add(t.Context(), record.Shot{Session: id, At: time.Unix(1, 0), Set: set})
			require.NoError(t, err)
		}
	}
	want := map[int64][]string{mixed: {"throw", "drop"}, odd: nil, none: nil}
	got, _ := kindsOf(t, j)
	assert.Equal(t, want, got)
	require.NoError(t, j.Close())

	j = open(t, path)
	got, _ = kindsOf(t, j)
	assert.Equal(t, want, got, "opened again")
}

// A kind that is chosen after the last shot, for the evening to come, is not that of the evening that was.
func TestSetOfAnotherKind(t *testing.T) {
	j := open(t, newPath(t))
	id := session(t, j).ID
	change := func(set string) { require.NoError(t, j.SaveSet(t.Context(), id, set)) }
	is := func(want string) {
		t.Helper()
		all, err := j.Sessions(t.Context())
		require.NoError(t, err)
		assert.Equal(t, want, all[0].Set)
		stored, err := j.StoredSet(t.Context(), id, 0)
		require.NoError(t, err)
		assert.Equal(t, want, stored)
	}
	change(`{"kind":"drop"}`)
	is(`{"kind":"drop"}`)
	for _, set := range []string{`{"kind":"throw","n":1}`, `{"kind":"throw","n":2}`} {
		_, err := j.Add(t.Context(), record.Shot{Session: id, At: time.Unix(1, 0), Set: set})
		require.NoError(t, err)
	}
	is(`{"kind":"throw","n":2}`)
	change(`{"kind":"throw","n":3}`)
	is(`{"kind":"throw","n":3}`)
	change(`{"kind":"drop"}`)
	latest, _, err := j.LatestSession(t.Context())
	require.NoError(t, err)
	assert.Equal(t, `{"kind":"drop"}`, latest.Set, "what comes is as it was chosen")
	_, err = j.Add(t.Context(), record.Shot{Session: id, At: time.Unix(1, 0), Set: `{"kind":"drop"}`})
	require.NoError(t, err)
	is(`{"kind":"drop"}`)
}

// A journal from before kinds were kept says the same of its sessions before and after it is brought up to date.
func TestJournalFromBeforeKinds(t *testing.T) {
	path := newPath(t)
	version4(t, path, 60)
	db := raw(t, path)
	_, err := db.Exec(`UPDATE shots SET set_json = iif (number < 40, '{"kind":"sound"}', '{"kind":"drops"}')
		WHERE number > 20`)
	require.NoError(t, err)
	require.NoError(t, db.Close())
	want := map[int64][]string{1: {"sound", "drops"}}
	look, err := OpenReadOnly(t.Context(), path)
	require.NoError(t, err)
	got, _ := kindsOf(t, look)
	assert.Equal(t, want, got)
	require.NoError(t, look.Close())
	got, _ = kindsOf(t, open(t, path))
	assert.Equal(t, want, got)
}

// Where what was kept of the kinds is damaged, or the session with it, the shots say it; where some of those are
// damaged too, that is said. A new shot is kept all the same.
func TestKindsOfADamagedJournal(t *testing.T) {
	path := newPath(t)
	j := open(t, path)
	s := session(t, j).ID
	add := func(kind string) {
		_, err := j.Add(t.Context(), record.Shot{Session: s, At: time.Unix(1, 0), Set: fmt.Sprintf(`{"kind":%q}`, kind)})
		require.NoError(t, err)
	}
	for i := range 60 {
		add([]string{"throw", "drop"}[i/30])
	}
	want := []string{"throw", "drop"}
	for _, text := range []string{`null`, `["drop", null]`, `["throw", "dr`} {
		_, err := j.db.Exec(`UPDATE sessions SET kinds = ?`, text)
		require.NoError(t, err)
		got, all := kindsOf(t, j)
		assert.Equal(t, want, got[s], text)
		assert.Empty(t, all[0].Damaged)
	}
	for _, text := range []string{`["throw", "dr`, `["drop", null]`, `{"throw": 1}`, `7`} {
		_, err := j.db.Exec(`UPDATE sessions SET kinds = ?`, text)
		require.NoError(t, err)
		add("drop")
		var kept string
		require.NoError(t, j.db.QueryRow("SELECT kinds FROM sessions").Scan(&kept))
		assert.Equal(t, `["throw","drop"]`, kept, "a new shot puts right %s", text)
	}
	require.NoError(t, j.Verify(t.Context()))
	require.NoError(t, j.Close())

	pages := map[string][]diskPage{}
	for _, p := range pagesOf(t, path) {
		if p.table != "shots" || p.shots > 1 {
			pages[p.table] = append(pages[p.table], p)
		}
	}
	blank := func(table string) (map[int64][]string, []record.Summary) {
		require.NotEmpty(t, pages[table])
		for _, page := range pages[table] {
			f, err := os.OpenFile(path, os.O_RDWR, 0)
			require.NoError(t, err)
			_, err = f.WriteAt(make([]byte, 4096), (page.number-1)*4096)
			require.NoError(t, errors.Join(err, f.Close()))
		}
		look, err := OpenReadOnly(t.Context(), path)
		require.NoError(t, err)
		defer look.Close()
		return kindsOf(t, look)
	}
	got, all := blank("sessions")
	assert.Equal(t, want, got[s])
	assert.Equal(t, "the session itself cannot be read", all[0].Damaged)
	got, all = blank("shots")
	assert.Empty(t, got[s])
	assert.Equal(t, 64, all[0].Shots)
}
