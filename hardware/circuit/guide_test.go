package circuit

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
)

func TestExpect(t *testing.T) {
	row := func(unit string, low, high float64) Row {
		return Row{Limit{Measure: "x", Unit: unit, Low: low, High: high}, 0.9, 1, 1.2}
	}
	assert.Equal(t, "1 V (0.871 to 1.23)", row("V", 0, 2).expect(), "1 % and 0.02 V for the meter")
	assert.Equal(t, "1e+03 mA (891 to 1.21e+03)", row("A", 0, 2).expect())
	assert.Equal(t, "below 2 V", row("V", math.Inf(-1), 2).expect())
	assert.Equal(t, "above 0.5 V", row("V", 0.5, math.Inf(1)).expect())
	supply := row("V", 0, 2)
	supply.Measure, supply.Typical = "v_rest", 1.023
	assert.Equal(t, "0.31 of VIO", supply.expect())
}
