package circuit

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestADeckIsRunInItsVariants(t *testing.T) {
	texts, err := Variants("a deck\n*vary 5 LIGHT=5 POS=0.1\n*vary 20 LIGHT=20 POS=0.2\n" +
		".meas tran level AVG v(a)\n.meas tran delay\n")
	require.NoError(t, err)
	require.Len(t, texts, 2)
	assert.Contains(t, texts[0], ".param LIGHT=5\n.param POS=0.1\n")
	assert.Equal(t, []string{"level_5", "delay_5"}, MeasuresOf(texts[0]))
	assert.Equal(t, []string{"level_20", "delay_20"}, MeasuresOf(texts[1]))
	texts, err = Variants(".meas tran level AVG v(a)\n")
	require.NoError(t, err)
	assert.Equal(t, []string{".meas tran level AVG v(a)\n"}, texts)
}

func TestAVariantThatIsNoneIsRefused(t *testing.T) {
	for _, bad := range []string{"*vary", "*vary 5", "*vary A B=1", "*vary 5 B", "*vary 5 B=x",
		"*vary 5 B=1\n*vary 5 B=2"} {
		_, err := Variants(bad + "\n")
		assert.ErrorContains(t, err, "write ", bad)
	}
}

// Three pins in a star of 1, 2 and 3 ohm from a fourth: between two of them their sum, with the fourth out of the way.
func TestCopperSeenFromSomeOfItsPins(t *testing.T) {
	star := Copper{Pins: []string{"R1.1", "R2.1", "R3.1", "J1.1"}, Siemens: [][]float64{
		{0, 0, 0, 1}, {0, 0, 0, 1. / 2}, {0, 0, 0, 1. / 3}, {1, 1. / 2, 1. / 3, 0}}}
	assert.InDelta(t, 3, ohmsBetween(star, "R1.1", "R2.1"), 1e-9)
	assert.InDelta(t, 5, ohmsBetween(star, "R2.1", "R3.1"), 1e-9)
	assert.InDelta(t, 1, ohmsBetween(star, "R1.1", "J1.1"), 1e-9)
}

func ohmsBetween(c Copper, from, to string) float64 {
	ohms, _, _ := c.Among([]string{from, to}).Worst()
	return ohms
}
