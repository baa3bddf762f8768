package journal

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/record"
)

// Whatever changes of a session's shots is made known, when it is on the disk and by then only; what does not concern
// them, and what failed, is not.
func TestChangesAreMadeKnown(t *testing.T) {
	j := open(t, newPath(t))
	s := session(t, j)
	made := add(t, j, s.ID, 2)
	var reported []int64
	j.OnChange(func(session int64) {
		all, err := j.Shots(t.Context(), s.ID, 9) // it may be called back
		require.NoError(t, err)
		assert.NotEmpty(t, all)
		reported = append(reported, session)
	})
	ctx := t.Context()
	for what, c := range map[string]struct {
		change func() error
		want   []int64
	}{
		"a shot":      {func() error { add(t, j, s.ID, 1); return nil }, []int64{s.ID}},
		"a verdict":   {func() error { return j.SetVerdict(ctx, made.ID, "good") }, []int64{s.ID}},
		"a picture":   {func() error { return j.SetPicture(ctx, made.ID, "black") }, []int64{s.ID}},
		"a place":     {func() error { return j.SetPast(ctx, made.ID, 1, 2) }, []int64{s.ID}},
		"the set":     {func() error { return j.SaveSet(ctx, s.ID, `{"kind":"throw"}`) }, []int64{s.ID}},
		"a number":    {func() error { return j.SetFile(ctx, made.ID, 471) }, []int64{0}},
		"from there":  {func() error { return j.SetFileFrom(ctx, s.ID, 2, 471) }, []int64{s.ID}},
		"a date":      {func() error { return j.SetOrigin(ctx, "b", made.At, record.ByPhone) }, []int64{0}},
		"a name":      {func() error { return j.Rename(ctx, s.ID, "crowns") }, nil},
		"a frame":     {func() error { return j.KeepFrame(ctx, record.Frame{Session: s.ID, Name: "A"}) }, nil},
		"its matches": {func() error { return j.KeepMatches(ctx, s.ID, nil, true) }, nil},
	} {
		reported = nil
		require.NoError(t, c.change(), what)
		assert.Equal(t, c.want, reported, what)
	}
	reported = nil
	require.Error(t, j.SetVerdict(ctx, 99, "good"))
	require.Error(t, j.SaveSet(ctx, 99, "{}"))
	require.Error(t, j.SetFile(ctx, 99, 471))
	assert.Empty(t, reported)
}
