// Package svg writes numbers and texts as they stand in an SVG, and says how wide a text is.
package svg

import (
	"encoding/xml"
	"math"
	"strconv"
	"strings"
)

// Number writes a coordinate or a length to a tenth of the drawing's unit, as SVG wants it: no exponent, and 0 for what
// is no finite number.
func Number(x float64) string {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		x = 0
	}
	return strconv.FormatFloat(math.Round(x*10)/10+0, 'f', -1, 64)
}

// Escape escapes a text for XML and replaces characters that XML does not allow.
func Escape(text string) string {
	var out strings.Builder
	xml.EscapeText(&out, []byte(text)) // a Builder does not fail
	return out.String()
}
