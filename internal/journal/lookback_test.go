package journal

import (
	"context"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/record"
)

// add keeps shots without anything in them.
func add(t testing.TB, j *Journal, session int64, shots int) (last record.Shot) {
	t.Helper()
	for range shots {
		var err error
		last, err = j.Add(t.Context(), record.Shot{Session: session, At: time.Unix(1, 0), Status: record.StatusDone})
		require.NoError(t, err)
	}
	return last
}

// files are the camera's numbers of a session's pictures, the oldest shot first.
func files(t *testing.T, j *Journal, session int64) (list []int) {
	t.Helper()
	for s, err := range j.AllShots(t.Context(), session) {
		require.NoError(t, err)
		assert.Empty(t, s.Damaged)
		list = append(list, s.File)
	}
	return list
}

// The camera's number is typed once and counts on; one that is typed later counts from its shot on.
func TestFileNumbers(t *testing.T) {
	path, ctx := newPath(t), t.Context()
	j := open(t, path)
	first, other := session(t, j).ID, session(t, j).ID
	assert.Zero(t, add(t, j, first, 2).File)
	require.NoError(t, j.SetFileFrom(ctx, first, 3, 9998))
	assert.Equal(t, 9998, add(t, j, first, 1).File)
	last := add(t, j, first, 3)
	assert.Equal(t, 2, last.File, "a camera counts from 9999 to 1")
	next, err := j.NextFile(ctx, first)
	require.NoError(t, err)
	assert.Equal(t, 3, next)
	assert.Zero(t, add(t, j, other, 1).File, "another session has its own")
	assert.Equal(t, []int{0, 0, 9998, 9999, 1, 2}, files(t, j, first))

	shots := newestFirst(t, j, first)
	require.NoError(t, j.SetFile(ctx, shots[1].ID, 7)) // a frame that the camera lost or had twice
	assert.Equal(t, []int{0, 0, 9998, 9999, 7, 8}, files(t, j, first))
	require.NoError(t, j.SetFile(ctx, shots[2].ID, 0))
	assert.Equal(t, []int{0, 0, 9998, 0, 7, 8}, files(t, j, first))
	require.NoError(t, j.SetFileFrom(ctx, first, 7, 100))
	require.NoError(t, j.SetFileFrom(ctx, first, 7, 200))
	assert.Equal(t, 200, add(t, j, first, 1).File)
	byNumber, err := j.Shot(ctx, first, 5)
	require.NoError(t, err)
	assert.Equal(t, 7, byNumber.File)
	newest, err := j.Shots(ctx, first, 2)
	require.NoError(t, err)
	assert.Equal(t, []int{200, 8}, []int{newest[0].File, newest[1].File})

	var stretches []string
	require.NoError(t, j.Reader().FileNumbers(ctx, func(s record.Shot, n int) {
		stretches = append(stretches, fmt.Sprint(s.Session, "/", s.Number, ": ", n, " from ", s.File))
	}))
	assert.Equal(t, []string{"1/3: 1 from 9998", "1/5: 2 from 7", "1/7: 1 from 200"}, stretches)

	assert.ErrorIs(t, j.SetFile(ctx, 99, 1), record.ErrNotFound)
	assert.ErrorIs(t, j.SetFileFrom(ctx, 99, 1, 1), record.ErrNotFound)
	assert.Error(t, j.SetFile(ctx, 1, record.MaxFile+1))
	none, err := j.NextFile(ctx, 99)
	require.NoError(t, err)
	assert.Zero(t, none)
}

// Stars, what a picture is like and names are kept as verdicts and notes are, and damage is noticed in them too.
func TestStarsPicturesAndNames(t *testing.T) {
	path, ctx := newPath(t), t.Context()
	j := open(t, path)
	s := session(t, j)
	one := add(t, j, s.ID, 2)
	require.NoError(t, j.SetStar(ctx, one.ID, true))
	require.NoError(t, j.SetPicture(ctx, one.ID, record.PictureBlurred))
	require.NoError(t, j.SetPast(ctx, one.ID, -3000, 400))
	require.NoError(t, j.SetVerdict(ctx, one.ID, "too high"))
	require.NoError(t, j.Rename(ctx, s.ID, "crowns, the second try"))
	require.NoError(t, j.Close())
	j = open(t, path)
	got := newestFirst(t, j, s.ID)
	one.Star, one.Picture, one.Verdict = true, "blurred", "too high"
	one.PastUm, one.PastSDUm = -3000, 400
	assert.Equal(t, one, got[0])
	assert.False(t, got[1].Star)
	all, err := j.Sessions(ctx)
	require.NoError(t, err)
	assert.Equal(t, "crowns, the second try", all[0].Name)
	for _, err := range []error{j.SetStar(ctx, 99, true), j.SetPicture(ctx, 99, "x"), j.Rename(ctx, 99, "x")} {
		assert.ErrorIs(t, err, record.ErrNotFound)
	}
	_, err = raw(t, path).Exec("UPDATE shots SET star = 0 WHERE id = ?", one.ID)
	require.NoError(t, err)
	assert.Contains(t, newestFirst(t, j, s.ID)[0].Damaged, "checksum")
	require.NoError(t, j.SetStar(ctx, one.ID, true))
	assert.Empty(t, newestFirst(t, j, s.ID)[0].Damaged, "as it was written")
}

// version4 makes a journal as the program before remarks left it.
func version4(t testing.TB, path string, shots int) {
	t.Helper()
	asBefore(t, path, shots)
	db := raw(t, path)
	steps, err := listMigrations(migrations)
	require.NoError(t, err)
	_, err = db.Exec("BEGIN; " + steps[3] + "; PRAGMA user_version = 4; COMMIT")
	require.NoError(t, err)
	require.NoError(t, db.Close())
}

// A journal from before remarks is read as it is, and brought up to date by the program that writes it.
func TestJournalFromBeforeRemarks(t *testing.T) {
	path, ctx := newPath(t), t.Context()
	version4(t, path, 150)
	look, err := OpenReadOnly(ctx, path)
	require.NoError(t, err)
	before := newestFirst(t, look, 0)
	require.Len(t, before, 150)
	assert.NoError(t, look.Close())
	j := open(t, path)
	assert.Equal(t, before, newestFirst(t, j, 0))
	require.NoError(t, j.SetStar(ctx, before[0].ID, true))
	require.NoError(t, j.SetFile(ctx, before[1].ID, 5))
	after := newestFirst(t, j, 0)
	assert.True(t, after[0].Star)
	assert.Equal(t, []int{6, 5, 0}, []int{after[0].File, after[1].File, after[2].File})
	remarks := 0
	require.NoError(t, j.Reader().Remarked(ctx, func(s record.Shot) {
		remarks++
		assert.Equal(t, after[150-s.Number].Verdict, s.Verdict)
		assert.Equal(t, after[150-s.Number].Note, s.Note)
		assert.Equal(t, after[150-s.Number].Star, s.Star)
	}))
	assert.Equal(t, 110, remarks, "those with a verdict (100) and those with a note only (10, and the star is on one)")
}

// Shots are read in parts, the newest first, and every one is reached.
func TestShotsInParts(t *testing.T) {
	j, ctx := open(t, newPath(t)), t.Context()
	first, other := session(t, j).ID, session(t, j).ID
	r := rand.New(rand.NewPCG(1, 5))
	for i := range 90 {
		_, err := j.Add(ctx, someShot(r, []int64{first, other, first}[i%3]))
		require.NoError(t, err)
	}
	want := newestFirst(t, j, first)
	var got []record.Shot
	for before := 0; ; {
		part, err := j.Reader().ShotsBefore(ctx, first, before, 7)
		require.NoError(t, err)
		if len(part) == 0 {
			break
		}
		got = append(got, part...)
		before = part[len(part)-1].Number
		if before == 1 {
			break
		}
	}
	assert.Equal(t, want, got)
	for _, none := range []int64{0, 99, -1} {
		part, err := j.Reader().ShotsBefore(ctx, none, 0, 7)
		require.NoError(t, err)
		assert.Empty(t, part)
	}
	var keepers, gotKeepers []record.Shot
	for _, s := range want {
		if s.Number%4 == 0 {
			require.NoError(t, j.SetStar(ctx, s.ID, true))
			s.Star = true
			keepers = append(keepers, s)
		}
	}
	for before := 0; before != 4; before = gotKeepers[len(gotKeepers)-1].Number {
		part, err := j.Reader().KeepersBefore(ctx, first, before, 7)
		require.NoError(t, err)
		require.NotEmpty(t, part)
		gotKeepers = append(gotKeepers, part...)
	}
	assert.Equal(t, keepers, gotKeepers)
	require.NoError(t, j.SetStar(ctx, want[0].ID, want[0].Star))
	one, err := j.Reader().Shot(ctx, want[3].ID)
	require.NoError(t, err)
	assert.Equal(t, want[3], one)
	_, err = j.Reader().Shot(ctx, 999)
	assert.ErrorIs(t, err, record.ErrNotFound)
	set, err := j.Reader().StoredSet(ctx, first, 0)
	require.NoError(t, err)
	assert.Equal(t, `{"kind":"drop"}`, set)
	set, err = j.Reader().StoredSet(ctx, 0, want[3].ID)
	require.NoError(t, err)
	assert.Equal(t, want[3].Set, set)
	_, err = j.Reader().StoredSet(ctx, 99, 0)
	assert.ErrorIs(t, err, record.ErrNotFound)
}

// reading holds a reader in the middle of its rows until release is called; ended gets how the reading ended.
func reading(t *testing.T, j *Journal) (release func(), ended <-chan error) {
	t.Helper()
	begun, goOn, end := make(chan struct{}, 1), make(chan struct{}), make(chan error, 1)
	go func() {
		first := true
		end <- j.Reader().Remarked(context.Background(), func(record.Shot) {
			if first {
				first = false
				begun <- struct{}{}
				<-goOn
			}
		})
	}()
	<-begun
	return func() { close(goOn) }, end
}

// A reader that takes its time holds up no shot and no remark, and what it reads is as it was.
func TestSlowReaderHoldsUpNothing(t *testing.T) {
	j, ctx := open(t, newPath(t)), t.Context()
	s := session(t, j)
	require.NoError(t, j.SetNote(ctx, add(t, j, s.ID, 1).ID, "one"))
	release, ended := reading(t, j)
	last := add(t, j, s.ID, 20)
	require.NoError(t, j.SetVerdict(ctx, last.ID, "good"))
	require.NoError(t, j.Rename(ctx, s.ID, "meanwhile"))
	waiting, stop := context.WithCancel(ctx)
	stop()
	_, err := j.Reader().Sessions(waiting)
	assert.ErrorIs(t, err, context.Canceled, "the next reader waits for its turn, and no longer than it wants to")
	assert.Empty(t, ended)
	release()
	require.NoError(t, <-ended)
	all, err := j.Reader().Sessions(ctx)
	require.NoError(t, err)
	assert.Equal(t, 21, all[0].Shots)
	assert.Equal(t, "meanwhile", all[0].Name)
}

// What is deleted or replaced while somebody reads costs no shot: the reader is interrupted, and may ask again.
func TestReadingWhileFilesGo(t *testing.T) {
	for name, spoil := range map[string]func(t *testing.T, path string){
		"the -wal file": func(t *testing.T, path string) { require.NoError(t, os.Remove(path+"-wal")) },
		"the -shm file": func(t *testing.T, path string) { require.NoError(t, os.Remove(path+"-shm")) },
		"the database":  func(t *testing.T, path string) { require.NoError(t, os.Remove(path)) },
		"all of them": func(t *testing.T, path string) {
			for _, suffix := range []string{"", "-wal", "-shm"} {
				require.NoError(t, os.Remove(path+suffix))
			}
		},
		"replaced": func(t *testing.T, path string) {
			require.NoError(t, os.Remove(path))
			require.NoError(t, os.WriteFile(path, []byte("another file"), 0o600))
		},
	} {
		t.Run(name, func(t *testing.T) {
			path, ctx := newPath(t), t.Context()
			j := open(t, path)
			s := session(t, j)
			require.NoError(t, j.SetNote(ctx, add(t, j, s.ID, 5).ID, "one"))
			release, ended := reading(t, j)
			spoil(t, path)
			release2 := make(chan struct{})
			go func() { // the writer waits for the reader's row, and for nothing more of it
				release()
				close(release2)
			}()
			last := add(t, j, s.ID, 1)
			<-release2
			assert.Equal(t, 6, last.Number)
			<-ended // with or without an error, by when the row was released
			all, err := j.Reader().Sessions(ctx)
			require.NoError(t, err)
			assert.Equal(t, 6, all[0].Shots)
			at := j.Path()
			require.NoError(t, j.Close())
			assert.Len(t, newestFirst(t, open(t, at), s.ID), 6)
		})
	}
}

// A reader says so when there is something else where the journal was, before the writer has found out.
func TestReaderOfAnotherFile(t *testing.T) {
	path, ctx := newPath(t), t.Context()
	j := open(t, path)
	s := session(t, j)
	require.NoError(t, os.Remove(path+"-wal"))
	_, err := j.Reader().Sessions(ctx)
	assert.ErrorContains(t, err, "try again")
	add(t, j, s.ID, 1)
	all, err := j.Reader().Sessions(ctx)
	require.NoError(t, err)
	assert.Equal(t, 1, all[0].Shots)
	require.NoError(t, j.Close())
	_, err = j.Reader().Sessions(ctx)
	assert.Error(t, err)
}

// A damaged journal is read as far as it can be, and the rest is said.
func TestReaderOfADamagedJournal(t *testing.T) {
	path, ctx := newPath(t), t.Context()
	j := open(t, path)
	s := session(t, j)
	r := rand.New(rand.NewPCG(3, 4))
	for range 120 {
		made := someShot(r, s.ID)
		made.Note, made.Program = strings.Repeat("a long note ", 30), strings.Repeat("p", 2000)
		_, err := j.Add(ctx, made)
		require.NoError(t, err)
	}
	require.NoError(t, j.Verify(ctx))
	require.NoError(t, j.Close())
	var page, size int64
	require.NoError(t, raw(t, path).QueryRow(`SELECT rootpage, (SELECT page_size FROM pragma_page_size)
		FROM sqlite_schema WHERE name = 'shots_remarked'`).Scan(&page, &size))
	garbage(t, path, (page-1)*size, size)
	f, err := os.Open(path)
	require.NoError(t, err)
	defer f.Close()
	_, err = io.CopyN(io.Discard, f, page*size)
	require.NoError(t, err, "it is in the file")
	look, err := OpenReadOnly(ctx, path)
	require.NoError(t, err)
	defer look.Close()
	assert.ErrorIs(t, look.Reader().Remarked(ctx, func(record.Shot) {}), record.ErrDamaged)
	part, err := look.Reader().ShotsBefore(ctx, s.ID, 0, 50)
	require.NoError(t, err)
	assert.Len(t, part, 50)
}
