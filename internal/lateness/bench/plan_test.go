package bench

import (
	"encoding/json"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/journal"
	"stillwater/internal/record"
	"stillwater/internal/shot"
)

// The plan at hand is that of the latest session, else the usual one, unless flags say otherwise.
func TestFindPlan(t *testing.T) {
	home := t.TempDir()
	plan, err := FindPlan(t.Context(), PlanOptions{Journal: filepath.Join(home, "none.db"), Limit: time.Millisecond})
	require.NoError(t, err)
	homeless, err := FindPlan(t.Context(), PlanOptions{Limit: time.Millisecond})
	require.NoError(t, err)
	assert.Equal(t, plan, homeless)
	assert.Equal(t, "a drop", plan.Name)
	assert.Contains(t, plan.From, "nothing is recorded yet")
	assert.Equal(t, time.Millisecond, plan.Limit)

	near, err := FindPlan(t.Context(), PlanOptions{Kind: "throw", Fields: []string{"throw.to_focus=5cm"}})
	require.NoError(t, err)
	far, err := FindPlan(t.Context(), PlanOptions{Kind: "throw"})
	require.NoError(t, err)
	assert.Less(t, near.Repeat, far.Repeat, "what is nearer is more exact")
	assert.Equal(t, "as given", near.From)

	path := filepath.Join(home, "evenings.db")
	keep := func(set string) {
		j, err := journal.Open(t.Context(), path)
		require.NoError(t, err)
		_, err = j.NewSession(t.Context(), record.Session{Name: "rain", Started: time.Unix(1e9, 0), Set: set, Care: "[]"})
		require.NoError(t, err)
		require.NoError(t, j.Close())
	}
	set := shot.DefaultSet()
	set.Kind = shot.Throw
	kept, err := json.Marshal(set)
	require.NoError(t, err)
	keep(string(kept))
	latest, err := FindPlan(t.Context(), PlanOptions{Journal: path, Given: true})
	require.NoError(t, err)
	assert.Equal(t, far.Plan, latest.Plan)
	assert.Equal(t, "the latest session, rain", latest.From)
	keep("{")
	_, err = FindPlan(t.Context(), PlanOptions{Journal: path, Given: true})
	assert.ErrorContains(t, err, "the set of session 2 cannot be read")

	_, err = FindPlan(t.Context(), PlanOptions{Journal: filepath.Join(home, "none.db"), Given: true})
	assert.ErrorContains(t, err, "--plan")
}
