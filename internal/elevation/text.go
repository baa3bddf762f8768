package elevation

import (
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"stillwater/internal/phys"
)

// short formats a quantity to four digits.
func short[Q interface {
	~float64
	fmt.Stringer
}](q Q) string {
	return bound(phys.Round(q, 4).String())
}

// inLength formats a length to four digits, small ones in millimetres.
func inLength(l phys.Length) string {
	const mm = 1e-3
	if l < mm {
		return bound(strconv.FormatFloat(float64(phys.Round(l/mm, 4)), 'f', -1, 64) + " mm")
	}
	return short(l)
}

// inDegrees formats an angle to a hundredth of a degree: rounded in radians it would not be a round number.
func inDegrees(a phys.Angle) string {
	const degree = math.Pi / 180
	hundredths := math.Round(float64(a) / degree * 100)
	return trueMinus(strconv.FormatFloat(hundredths/100, 'f', -1, 64)) + "°"
}

func inMs(t phys.Time) string { return trueMinus(bound(fmt.Sprintf("%.1f ms", float64(t)*1e3))) }

func trueMinus(text string) string { return strings.Replace(text, "-", "−", 1) }

func inSpeed(v phys.Speed) string { return bound(fmt.Sprintf("%.2f m/s", float64(v))) }

// about formats a length to two digits.
func about(l phys.Length) string { return bound(phys.Round(max(l, -l), 2).String()) }

var beforeUnit = regexp.MustCompile(`(\d) ([µnm]?s|[cmµ]?m|m/s|[cm]m/s|°C?)\b`)

// bound keeps a number and its unit on one line.
func bound(words string) string { return beforeUnit.ReplaceAllString(words, "$1\u00a0$2") }

// sentence makes a sentence of words that begin small and end open.
func sentence(words string) string {
	first, size := utf8.DecodeRuneInString(words)
	if size == 0 {
		return ""
	}
	return string(unicode.ToUpper(first)) + strings.TrimSuffix(words[size:], ".") + "."
}

// widths are the widths of the characters from space to ~, in hundredths of the font size, in DejaVu Sans as a browser
// measured them: the fonts of phones are narrower.
var widths = [...]uint8{
	32, 41, 46, 84, 64, 96, 78, 28, 40, 40, 50, 84, 32, 37, 32, 34, 64, 64, 64, 64, 64, 64, 64, 64,
	64, 64, 34, 34, 84, 84, 84, 54, 100, 69, 69, 70, 78, 64, 58, 78, 76, 30, 30, 66, 56, 87, 75, 79,
	61, 79, 70, 64, 62, 74, 69, 99, 69, 62, 69, 40, 34, 40, 84, 50, 50, 62, 64, 55, 64, 62, 36, 64,
	64, 28, 28, 58, 28, 98, 64, 62, 64, 64, 42, 53, 40, 64, 60, 82, 60, 60, 53, 64, 34, 64, 84,
}

// textWidth is how wide a text is at most.
func textWidth(text string, size float64) float64 {
	sum := 0
	for _, r := range text {
		switch {
		case r == '\u00a0':
			sum += int(widths[0])
		case r == '°':
			sum += 50
		case r >= ' ' && r <= '~':
			sum += int(widths[r-' '])
		default:
			sum += 100
		}
	}
	return float64(sum) / 100 * size
}

// wrap breaks words into lines of at most that width. A word that is longer is cut.
func wrap(words string, size, wide float64) (lines []string) {
	line, used := "", 0.0
	add := func(part string) {
		needs := textWidth(strings.TrimSuffix(part, " "), size)
		if line != "" && used+needs > wide {
			lines, line, used = append(lines, strings.TrimSuffix(line, " ")), "", 0
		}
		line, used = line+part, used+textWidth(part, size)
	}
	for word := range strings.SplitAfterSeq(words, " ") {
		if textWidth(strings.TrimSuffix(word, " "), size) <= wide {
			add(word)
			continue
		}
		for _, r := range word {
			add(string(r))
		}
	}
	return append(lines, strings.TrimSuffix(line, " "))
}
