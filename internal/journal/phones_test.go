package journal

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/record"
)

func TestPhonesAreKeptAndForgotten(t *testing.T) {
	path, ctx := newPath(t), t.Context()
	j := open(t, path)
	all, err := j.Phones(ctx)
	require.NoError(t, err)
	assert.Empty(t, all)
	first := record.Phone{Hash: [32]byte{1}, Name: "phone 1", Paired: time.Unix(1_800_000_000, 5)}
	second := record.Phone{Hash: [32]byte{2}, Name: "phone 2", Paired: time.Unix(1_800_000_100, 0)}
	require.NoError(t, j.AddPhone(ctx, second))
	require.NoError(t, j.AddPhone(ctx, first))
	assert.Error(t, j.AddPhone(ctx, first), "a token is paired once")
	require.NoError(t, j.Close())

	j = open(t, path)
	all, err = j.Phones(ctx)
	require.NoError(t, err)
	assert.Equal(t, []record.Phone{first, second}, all)
	require.NoError(t, j.ForgetPhone(ctx, first.Hash))
	all, err = j.Phones(ctx)
	require.NoError(t, err)
	assert.Equal(t, []record.Phone{second}, all)
	require.NoError(t, j.ForgetPhone(ctx, first.Hash), "gone already")
	require.NoError(t, j.AddPhone(ctx, first))
	require.NoError(t, j.ForgetPhones(ctx))
	all, err = j.Phones(ctx)
	require.NoError(t, err)
	assert.Empty(t, all)
}
