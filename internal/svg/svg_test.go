package svg

import (
	"encoding/xml"
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestNumber(t *testing.T) {
	for x, want := range map[float64]string{
		0: "0", 1: "1", 12.34: "12.3", -0.05: "-0.1", 1e21: "1000000000000000000000", math.Inf(1): "0", math.Inf(-1): "0",
		-0.01: "0", math.NaN(): "0",
	} {
		assert.Equal(t, want, Number(x), "%g", x)
	}
}

// What comes out is read back by an XML parser as it went in, but for what XML does not allow.
func TestEscape(t *testing.T) {
	for text, want := range map[string]string{
		`a < b & "c" > 'd'`: `a < b & "c" > 'd'`, "two\nlines\tand": "two\nlines\tand", "nul\x00": "nul\uFFFD", "": "",
	} {
		var read string
		require.NoError(t, xml.Unmarshal([]byte("<t a=\""+Escape(text)+"\">"+Escape(text)+"</t>"), &read))
		assert.Equal(t, want, read)
	}
}

func TestKeepUnits(t *testing.T) {
	for words, want := range map[string]string{
		"40 cm, 3.2 m/s and 213 ms": "40\u00a0cm, 3.2\u00a0m/s and 213\u00a0ms", "20 °C": "20\u00a0°C",
		"95 % at 20 degrees": "95\u00a0% at 20\u00a0degrees", "5 more, 3 steps": "5 more, 3 steps",
	} {
		assert.Equal(t, want, KeepUnits(words))
	}
}
