package journal

import (
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/record"
)

// Frames are kept with their pictures, matched, and forgotten; names are any bytes that a file may be called.
func TestFramesAreKept(t *testing.T) {
	path := newPath(t)
	j, ctx := open(t, path), t.Context()
	first, other := session(t, j), session(t, j)
	add(t, j, first.ID, 3)
	names := []string{"A/PICT0001", "PICT0001", "\xff\n\u202e"}
	for i, name := range names {
		require.NoError(t, j.KeepFrame(ctx, record.Frame{Session: first.ID, Name: name, Files: "[]", Facts: fmt.Sprint(i),
			Picture: []byte{0xff, 0xd8, byte(i)}}))
	}
	require.NoError(t, j.KeepFrame(ctx, record.Frame{Session: other.ID, Name: "PICT0001"}))
	require.NoError(t, j.KeepMatches(ctx, first.ID, []record.Frame{
		{Name: names[0], Shot: 2, Sure: "certain", Probability: 1, Settled: true},
		{Name: names[1], Shot: 1, Sure: "likely", Probability: 0.8}}, false))
	require.NoError(t, j.KeepFrame(ctx, record.Frame{Session: first.ID, Name: names[0], Facts: "again",
		Picture: []byte{7}}))
	require.NoError(t, j.Close())

	j = open(t, path)
	all, err := j.Frames(ctx, first.ID)
	require.NoError(t, err)
	assert.Equal(t, []record.Frame{
		{Session: first.ID, Name: names[0], Facts: "again", Shot: 2, Sure: "certain", Probability: 1, Settled: true},
		{Session: first.ID, Name: names[1], Files: "[]", Facts: "1", Shot: 1, Sure: "likely", Probability: 0.8},
		{Session: first.ID, Name: names[2], Files: "[]", Facts: "2"}}, all)
	picture, err := j.FramePicture(ctx, first.ID, names[0])
	require.NoError(t, err)
	assert.Equal(t, []byte{7}, picture)
	shots := newestFirst(t, j, first.ID)
	picture, err = j.ShotPicture(ctx, shots[2].ID)
	require.NoError(t, err)
	assert.Equal(t, []byte{0xff, 0xd8, 1}, picture)
	assert.Equal(t, []string{"", names[0], names[1]}, []string{shots[0].Frame, shots[1].Frame, shots[2].Frame})
	named := map[string]int{}
	require.NoError(t, j.Reader().FrameNames(ctx, func(session int64, shot int, name string) {
		assert.Equal(t, first.ID, session)
		named[name] = shot
	}))
	assert.Equal(t, map[string]int{names[0]: 2, names[1]: 1}, named)
	assert.Equal(t, []bool{false, true, true}, []bool{shots[0].Framed, shots[1].Framed, shots[2].Framed})
	picture, err = j.Reader().ShotPicture(ctx, shots[1].ID)
	require.NoError(t, err)
	assert.Equal(t, []byte{7}, picture)
	for _, none := range []func() ([]byte, error){
		func() ([]byte, error) { return j.ShotPicture(ctx, shots[0].ID) },
		func() ([]byte, error) { return j.FramePicture(ctx, other.ID, "PICT0001") },
		func() ([]byte, error) { return j.FramePicture(ctx, other.ID, "none") },
	} {
		_, err = none()
		assert.ErrorIs(t, err, record.ErrNotFound)
	}

	require.NoError(t, j.KeepMatches(ctx, first.ID, []record.Frame{{Name: names[1], Shot: 2, Sure: "certain"}}, true))
	all, err = j.Frames(ctx, first.ID)
	require.NoError(t, err)
	require.Len(t, all, 1)
	assert.Equal(t, []any{names[1], 2, false}, []any{all[0].Name, all[0].Shot, all[0].Settled})
	all, err = j.Frames(ctx, other.ID)
	require.NoError(t, err)
	assert.Len(t, all, 1, "another session's are its own")
}

// Which frame is which shot is kept whole or not at all.
func TestMatchesAreWholeOrNotAtAll(t *testing.T) {
	j, ctx := open(t, newPath(t)), t.Context()
	s := session(t, j)
	for _, name := range []string{"a", "b"} {
		require.NoError(t, j.KeepFrame(ctx, record.Frame{Session: s.ID, Name: name}))
	}
	before := []record.Frame{{Name: "a", Shot: 1, Sure: "certain"}, {Name: "b", Shot: 2, Sure: "certain"}}
	require.NoError(t, j.KeepMatches(ctx, s.ID, before, false))
	kept, err := j.Frames(ctx, s.ID)
	require.NoError(t, err)
	assert.Error(t, j.KeepMatches(ctx, s.ID, []record.Frame{{Name: "a", Shot: 3}, {Name: "b", Shot: 3}}, true),
		"two frames of one shot")
	assert.ErrorIs(t, j.KeepFrame(ctx, record.Frame{Session: 99, Name: "a"}), record.ErrNotFound)
	after, err := j.Frames(ctx, s.ID)
	require.NoError(t, err)
	assert.Equal(t, kept, after)
}

// A journal from before frames is read as it is, and has none.
func TestJournalFromBeforeFrames(t *testing.T) {
	path, ctx := newPath(t), t.Context()
	version4(t, path, 5)
	look, err := OpenReadOnly(ctx, path)
	require.NoError(t, err)
	defer look.Close()
	all, err := look.Frames(ctx, 1)
	require.NoError(t, err)
	assert.Empty(t, all)
	_, err = look.ShotPicture(ctx, 1)
	assert.ErrorIs(t, err, record.ErrNotFound)
	j := open(t, path)
	assert.NoError(t, j.KeepFrame(ctx, record.Frame{Session: 1, Name: "a"}))
}

// What is marked in the frames of a session is kept whole, however much it is, and replaced.
func TestMarks(t *testing.T) {
	path, ctx := newPath(t), t.Context()
	j := open(t, path)
	first, other, none := session(t, j), session(t, j), session(t, j)
	large := `{"n":"` + strings.Repeat("x", 100_000) + `"}`
	require.NoError(t, j.KeepMarks(ctx, first.ID, []byte(`{"n":1}`)))
	require.NoError(t, j.KeepMarks(ctx, other.ID, []byte("{\xff")))
	require.NoError(t, j.KeepMarks(ctx, first.ID, []byte(large)))
	assert.ErrorIs(t, j.KeepMarks(ctx, 99, nil), record.ErrNotFound)
	require.NoError(t, j.SaveSet(ctx, first.ID, `{"kind":"drop"}`))
	require.NoError(t, j.Close())

	j = open(t, path)
	for id, want := range map[int64]string{first.ID: large, other.ID: "{\xff"} {
		got, err := j.Marks(ctx, id)
		require.NoError(t, err)
		assert.Equal(t, want, string(got))
	}
	for _, id := range []int64{none.ID, 99} {
		_, err := j.Marks(ctx, id)
		assert.ErrorIs(t, err, record.ErrNotFound)
	}
	marked, err := j.Marked(ctx)
	require.NoError(t, err)
	assert.Equal(t, []int64{first.ID, other.ID}, marked)
	require.NoError(t, j.Verify(ctx))
}

// A journal from before marks is read as it is, and has none.
func TestJournalFromBeforeMarks(t *testing.T) {
	path, ctx := newPath(t), t.Context()
	version4(t, path, 5)
	look, err := OpenReadOnly(ctx, path)
	require.NoError(t, err)
	defer look.Close()
	_, err = look.Marks(ctx, 1)
	assert.ErrorIs(t, err, record.ErrNotFound)
	marked, err := look.Marked(ctx)
	require.NoError(t, err)
	assert.Empty(t, marked)
	j := open(t, path)
	assert.NoError(t, j.KeepMarks(ctx, 1, []byte("{}")))
}
