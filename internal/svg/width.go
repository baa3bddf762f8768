package svg

import (
	"regexp"
	"strings"
)

// widths has the widths of the characters from space to ~ in hundredths of the letters' size, in DejaVu Sans as a
// browser measured them: the fonts of phones are narrower.
var widths = [...]uint8{
	32, 41, 46, 84, 64, 96, 78, 28, 40, 40, 50, 84, 32, 37, 32, 34, 64, 64, 64, 64, 64, 64, 64, 64,
	64, 64, 34, 34, 84, 84, 84, 54, 100, 69, 69, 70, 78, 64, 58, 78, 76, 30, 30, 66, 56, 87, 75, 79,
	61, 79, 70, 64, 62, 74, 69, 99, 69, 62, 69, 40, 34, 40, 84, 50, 50, 62, 64, 55, 64, 62, 36, 64,
	64, 28, 28, 58, 28, 98, 64, 62, 64, 64, 42, 53, 40, 64, 60, 82, 60, 60, 53, 64, 34, 64, 84,
}

// Width is how wide a text in letters of a size is at most, in the size's unit. Bold letters may be a seventh wider.
func Width(text string, size float64) float64 {
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

// Wrap breaks words into lines of at most that width. A word that is longer is cut.
func Wrap(words string, size, wide float64) (lines []string) {
	line, used := "", 0.0
	add := func(part string) {
		needs := Width(strings.TrimSuffix(part, " "), size)
		if line != "" && used+needs > wide {
			lines, line, used = append(lines, strings.TrimSuffix(line, " ")), "", 0
		}
		line, used = line+part, used+Width(part, size)
	}
	for word := range strings.SplitAfterSeq(words, " ") {
		if Width(strings.TrimSuffix(word, " "), size) <= wide {
			add(word)
			continue
		}
		for _, r := range word {
			add(string(r))
		}
	}
	return append(lines, strings.TrimSuffix(line, " "))
}

var beforeUnit = regexp.MustCompile(`(\d) ((?:[µnm]?s|[cmµ]?m|degrees|°C)\b|%)`)

// KeepUnits keeps each number and its unit on one line, by a no-break space.
func KeepUnits(words string) string { return beforeUnit.ReplaceAllString(words, "$1\u00a0$2") }
