package elevation

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"stillwater/internal/phys"
	"stillwater/internal/svg"
)

// short formats a quantity to four digits.
func short[Q interface {
	~float64
	fmt.Stringer
}](q Q) string {
	return svg.KeepUnits(phys.Round(q, 4).String())
}

// inLength formats a length to four digits, small ones in millimetres.
func inLength(l phys.Length) string {
	const mm = 1e-3
	if l < mm {
		return svg.KeepUnits(strconv.FormatFloat(float64(phys.Round(l/mm, 4)), 'f', -1, 64) + " mm")
	}
	return short(l)
}

// inDegrees formats an angle to a hundredth of a degree: rounded in radians it would not be a round number.
func inDegrees(a phys.Angle) string {
	const degree = math.Pi / 180
	hundredths := math.Round(float64(a) / degree * 100)
	return trueMinus(strconv.FormatFloat(hundredths/100, 'f', -1, 64)) + "°"
}

func inMs(t phys.Time) string {
	return trueMinus(svg.KeepUnits(fmt.Sprintf("%.1f ms", float64(t)*1e3)))
}

func trueMinus(text string) string { return strings.Replace(text, "-", "−", 1) }

func inSpeed(v phys.Speed) string { return svg.KeepUnits(fmt.Sprintf("%.2f m/s", float64(v))) }

// about formats a length to two digits.
func about(l phys.Length) string { return svg.KeepUnits(phys.Round(max(l, -l), 2).String()) }
