package journal

import (
	"bytes"
	"os"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/record"
)

// Damage that Verify finds ends writing. What was acknowledged until then is in the -wal file, the database is as it
// was to the byte, and all that can be read of both is read.
func TestWritingUntilDamageIsFound(t *testing.T) {
	path, size := full(t)
	garbage(t, path, size/3, size/3)
	before, err := os.ReadFile(path)
	require.NoError(t, err)
	ctx := t.Context()
	j := open(t, path)
	s := session(t, j)
	for range 50 {
		_, err := j.Add(ctx, record.Shot{Session: s.ID, At: time.Unix(1, 0), Program: string(make([]byte, 3000))})
		require.NoError(t, err)
	}
	err = j.Verify(ctx)
	require.ErrorIs(t, err, record.ErrDamaged)
	assert.ErrorContains(t, err, "record export")
	_, err = j.Add(ctx, record.Shot{Session: s.ID, At: time.Unix(1, 0)})
	require.ErrorIs(t, err, record.ErrDamaged)
	require.ErrorIs(t, j.SetNote(ctx, 1, "x"), record.ErrDamaged)
	require.NoError(t, j.Close())
	after, err := os.ReadFile(path)
	require.NoError(t, err)
	assert.True(t, bytes.Equal(before, after), "the database was changed")

	j, err = OpenReadOnly(ctx, path)
	require.NoError(t, err)
	defer j.Close()
	assert.Len(t, newestFirst(t, j, s.ID), 50)
}

// Until a journal is known to be undamaged its database stays as it is, even when closed; after that all is in it.
func TestDatabaseStaysUntilItIsVerified(t *testing.T) {
	path, _ := full(t)
	ctx := t.Context()
	before, err := os.ReadFile(path)
	require.NoError(t, err)
	j := open(t, path)
	s := session(t, j)
	require.NoError(t, j.Close())
	after, err := os.ReadFile(path)
	require.NoError(t, err)
	assert.True(t, bytes.Equal(before, after))

	j = open(t, path)
	kept, _, err := j.LatestSession(ctx)
	require.NoError(t, err)
	assert.Equal(t, s, kept)
	require.NoError(t, j.Verify(ctx))
	require.NoError(t, j.Close())
	assert.NoFileExists(t, path+"-wal")
	kept, _, err = open(t, path).LatestSession(ctx)
	require.NoError(t, err)
	assert.Equal(t, s, kept)
}

// Verifying does not hold up writing, and ends with its context.
func TestVerifyBesideWriting(t *testing.T) {
	path, _ := full(t)
	j := open(t, path)
	s := session(t, j)
	done := make(chan error, 1)
	go func() { done <- j.Verify(t.Context()) }()
	for range 20 {
		_, err := j.Add(t.Context(), record.Shot{Session: s.ID, At: time.Unix(1, 0)})
		require.NoError(t, err)
	}
	require.NoError(t, <-done)
}
