package circuit

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// A value has a limit and its reason, or is reported and has none: no limit that cannot fail stands for one.
func TestLimitsLimit(t *testing.T) {
	list, err := Limits("one,a,V,,2,why\none,b,V,1,,why\none,c,V,,,reported: why\n")
	require.NoError(t, err)
	assert.Equal(t, Limit{"one", "a", "V", math.Inf(-1), 2, "why"}, list[0])
	assert.True(t, Row{Limit: list[2], Least: -1e9, Most: 1e9}.Within())
	for name, text := range map[string]string{
		"no limit": "one,a,V,,,why", "reported with a limit": "one,a,V,,2,reported: why", "no reason": "one,a,V,,2,",
		"twice": "one,a,V,,2,why\none,a,V,,3,why", "upside down": "one,a,V,3,2,why", "no number": "one,a,V,x,2,why",
	} {
		_, err := Limits(text)
		assert.ErrorContains(t, err, "limits: one a", name)
	}
}

// Values that are there are held to the limits as they are now, in their order; a value without a limit, and a limit
// without a value, are named.
func TestRelimit(t *testing.T) {
	limit := func(measure string, high float64) Limit { return Limit{"one", measure, "V", math.Inf(-1), high, "why"} }
	rows := []Row{{limit("a", 2), 0.5, 1, 1.5}, {limit("b", 4), 2, 3, 3.5}}
	now := []Limit{limit("b", 3), limit("a", 2)}
	got, err := Relimit(rows, now)
	require.NoError(t, err)
	assert.Equal(t, []Row{{now[0], 2, 3, 3.5}, {now[1], 0.5, 1, 1.5}}, got)
	assert.False(t, got[0].Within(), "the new limit")
	assert.True(t, got[1].Within())
	_, err = Relimit(rows, append(now, limit("c", 1)))
	require.ErrorContains(t, err, "one c is not in the table of measured values: simulate its deck")
	_, err = Relimit(rows, now[:1])
	assert.ErrorContains(t, err, "the table has 2 measured values and limits.csv 1")
}
