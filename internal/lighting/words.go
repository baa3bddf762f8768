package lighting

import (
	"fmt"
	"math"
	"strconv"

	"stillwater/internal/optics"
	"stillwater/internal/phys"
)

// inStops writes stops for people, to a tenth.
func inStops(s optics.Stops) string {
	text := strconv.FormatFloat(math.Abs(math.Round(float64(s)*10)/10), 'f', -1, 64)
	switch {
	case math.IsInf(float64(s), 0):
		return "far"
	case s < -0.05:
		text = "-" + text
	}
	if text == "1" {
		return "1 stop"
	}
	return text + " stops"
}

// inTime writes a time to two digits, shorter ones as fractions of a second.
func inTime(t phys.Time) string {
	switch {
	case math.IsInf(float64(t), 0):
		return "any time"
	case t <= 0:
		return "0 s"
	case t < 0.1:
		return fmt.Sprintf("1/%.0f s", float64(phys.Round(1/t, 2)))
	}
	return phys.Round(t, 2).String()
}

// inLength writes a length to three digits.
func inLength(l phys.Length) string {
	if math.IsInf(float64(l), 0) {
		return "any distance"
	}
	return phys.Round(l, 3).String()
}

// inDepth writes a depth that may be without end.
func inDepth(l phys.Length) string {
	if math.IsInf(float64(l), 0) {
		return "any distance"
	}
	return inLength(phys.Round(l, 2))
}

// inMm writes a small length.
func inMm(l phys.Length) string {
	if mm := float64(l) * 1e3; mm < 10 {
		return fmt.Sprintf("%.2f mm", mm)
	}
	return fmt.Sprintf("%.0f mm", float64(l)*1e3)
}

// inFocal writes a focal length, as lenses have it engraved.
func inFocal(l phys.Length) string { return fmt.Sprintf("%.4g mm", float64(l)*1e3) }

// inMicrons writes a length on the sensor.
func inMicrons(l phys.Length) string { return fmt.Sprintf("%.0f µm", float64(l)*1e6) }

// inPixels writes a blur in the picture.
func inPixels(n float64) string {
	switch {
	case n > 0 && n < 0.1:
		return "less than 0.1 pixels"
	case n < 10:
		return fmt.Sprintf("%.1f pixels", n)
	}
	return fmt.Sprintf("%.0f pixels", n)
}

// inPercent writes a level.
func inPercent(l optics.Level) string { return fmt.Sprintf("%.0f %%", float64(l)*100) }

// InShots writes how often something is so, as so many of ten.
func InShots(p float64) string {
	switch n := math.Round(p * 10); {
	case p > 0.99:
		return "nearly all shots"
	case n > 9:
		return "more than 9 of 10 shots"
	case n < 1:
		return "less than 1 of 10 shots"
	default:
		return fmt.Sprintf("%.0f of 10 shots", n)
	}
}
