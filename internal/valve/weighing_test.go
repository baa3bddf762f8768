package valve

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestWeighings(t *testing.T) {
	table, err := ParseWeighings(" 20 drops 1.4g at 30 ms;20 drops weigh  1.1 g at 24ms; 1 drop 40 mg at 20 ms ")
	require.NoError(t, err)
	require.Len(t, table, 3)
	assert.Equal(t, "1 drops 40 mg at 20 ms; 20 drops 1.1 g at 24 ms; 20 drops 1.4 g at 30 ms", FormatWeighings(table))
	assert.InEpsilon(t, 55e-6, float64(table[1].OneDrop()), 1e-12)
	again, err := ParseWeighings(FormatWeighings(table))
	require.NoError(t, err)
	assert.Equal(t, table, again)
	none, err := ParseWeighings("  ")
	require.NoError(t, err)
	assert.Empty(t, none)
}

func TestWeighingsThatCannotBe(t *testing.T) {
	for text, why := range map[string]string{
		"1.1 g":                                        "number of drops",
		"20 drops at 24 ms":                            "number of drops",
		"0 drops 1 g at 24 ms":                         "weigh 1 to 1000 drops",
		"5000 drops 1 g at 24 ms":                      "weigh 1 to 1000 drops",
		"20 drops 1.1 at 24 ms":                        "the unit is missing",
		"20 drops 1.1 g at 24":                         "the unit is missing",
		"20 drops 0 g at 24 ms":                        "more than 0 g",
		"20 drops 1 kg at 24 ms":                       "up to 5 g",
		"20 drops 1 g at 0 ms":                         "more than 0 ms",
		"20 drops 1 g at -24 ms":                       "more than 0 ms",
		"20 drops 1 g at 2 s":                          "up to 1 s",
		"20 drops 1 g at 24 ms;":                       "number of drops",
		"20 drops 1 g at 24 ms; 10 drops 1 g at 24 ms": "two for 24 ms",
		"20 drops 1 g at 24 ms; 20 drops 1 g at 30 ms": "no more mass",
		"1 drop 1 mg at 1 ms;1 drop 2 mg at 2 ms;1 drop 3 mg at 3 ms;1 drop 4 mg at 4 ms;1 drop 5 mg at 5 ms;" +
			"1 drop 6 mg at 6 ms;1 drop 7 mg at 7 ms;1 drop 8 mg at 8 ms;1 drop 9 mg at 9 ms": "8 are the most",
	} {
		_, err := ParseWeighings(text)
		wrong := new(WeighingError)
		require.ErrorAs(t, err, &wrong, text)
		assert.Contains(t, wrong.Why, why, text)
		assert.Contains(t, err.Error(), `write it like "20 drops 1.1 g at 24 ms"`)
	}
}

// Drops that weigh less than a full tip lets go of are those of openings that did not all let one fall, and of heavier
// ones than a tip can hold on to there were more.
func TestUnlikelyWeighings(t *testing.T) {
	v := tabletop(t)
	for text, says := range map[string]string{
		"20 drops 0.2 g at 24 ms": "light", "20 drops 0.7 g at 24 ms": "light", "20 drops 0.8 g at 24 ms": "",
		"20 drops 1.1 g at 24 ms": "", "20 drops 1.4 g at 30 ms; 20 drops 0.6 g at 20 ms": "light", "": "",
		"20 drops 2.4 g at 24 ms": "", "20 drops 4 g at 24 ms": "heavy",
		"20 drops 1.1 g at 24 ms; 1 drop 1 g at 90 ms": "heavy",
	} {
		var err error
		v.Weighed, err = ParseWeighings(text)
		require.NoError(t, err)
		if err = v.CheckWeighed(); says == "" {
			assert.NoError(t, err, text)
			continue
		}
		wrong := new(UnlikelyError)
		require.ErrorAs(t, err, &wrong, text)
		assert.Equal(t, says == "light", wrong.Light(), text)
	}
	v.Tip, v.Weighed = 1e-3, []Weighing{{Drops: 1, Mass: 20e-6, Open: 0.024}}
	assert.NoError(t, v.CheckWeighed(), "of a narrower tip")
}
