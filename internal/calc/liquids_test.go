package calc

import (
	"bytes"
	"stillwater/internal/liquids"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Every liquid that a set can name is listed, with its numbers, what it changes and where they are from.
func TestLiquids(t *testing.T) {
	a := Liquids()
	require.Len(t, a.liquids, len(liquids.All()))
	for _, l := range a.liquids {
		assert.NotEmpty(t, l.Changes, l.Name)
		assert.NotEmpty(t, l.Looks, l.Name)
		assert.NotEmpty(t, l.Flows, l.Name)
		assert.InDelta(t, 1.36, l.Index, 0.04, l.Name)
	}
	var out bytes.Buffer
	require.NoError(t, a.Write(&out))
	assert.Regexp(t, `water +1\.333 +998 kg/m³ +1\.0 mPa s +72\.7 mN/m`, out.String())
	assert.Contains(t, out.String(), "Bertsch")
}
