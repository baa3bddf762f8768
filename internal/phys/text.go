package phys

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// ParseError reports why a text is not a quantity and how to write one.
type ParseError struct {
	Input    string // what was given
	Quantity string // "length", "speed", ...
	Why      string // what is wrong with it
	Hint     string // how to write it: "write it like 40 cm, 0.4 m or 400 mm"
}

func (e *ParseError) Error() string {
	article := "a"
	if strings.HasPrefix(e.Quantity, "a") {
		article = "an"
	}
	return fmt.Sprintf("%q is not %s %s: %s; %s", e.Input, article, e.Quantity, e.Why, e.Hint)
}

// unit converts to SI: (number + offset) * num / den. Both factors are whole numbers wherever the unit allows, so that
// a decimal such as 40 cm becomes the float64 nearest to 0.4 and not its neighbour.
type unit struct {
	names    []string // the first one is printed
	num, den float64
	offset   float64
}

func (u unit) toSI(n float64) float64 {
	if u.offset != 0 {
		// 293 K is 19.85 °C, not the 19.850000000000023 of the binary difference.
		n = math.Round((n+u.offset)*1e9) / 1e9
	}
	return n * u.num / u.den
}

func (u unit) fromSI(x float64) float64 { return x*u.den/u.num - u.offset }

// dimension describes how one quantity is parsed and formatted.
type dimension struct {
	name     string
	hint     string
	units    []unit
	fraction bool    // "1/125 s" is accepted
	min      float64 // smallest SI value there can be
	belowMin string  // the error below min
	siUnit   string  // printed after a value that is not finite
}

// parse reads a number followed by one of k's units.
func (k *dimension) parse(s string) (float64, error) {
	fail := func(why string, args ...any) (float64, error) {
		return 0, &ParseError{Input: s, Quantity: k.name, Why: fmt.Sprintf(why, args...), Hint: k.hint}
	}
	text := strings.TrimSpace(s)
	if text == "" {
		return fail("it is empty")
	}
	if strings.Contains(text, ",") {
		return fail("it has a comma; the decimal mark is a point, as in %q", strings.ReplaceAll(text, ",", "."))
	}
	number, name := cutNumber(text, k.fraction)
	name = strings.TrimSpace(name)
	if number == "" {
		if notFinite(text) {
			return fail("it is not a finite number")
		}
		return fail("it does not begin with a number")
	}
	if name == "" {
		return fail("the unit is missing")
	}
	u, ok := k.unitByName(name)
	if !ok {
		return fail("%q is not a unit known here", name)
	}
	n, err := parseNumber(number)
	if err != nil {
		return fail("%s", err)
	}
	x := u.toSI(n)
	switch {
	case math.IsInf(x, 0) || math.IsNaN(x):
		return fail("it is too large")
	case x < k.min:
		return fail("%s", k.belowMin)
	}
	return x, nil
}

func (k *dimension) unitByName(name string) (unit, bool) {
	for _, u := range k.units {
		for _, n := range u.names {
			if n == name {
				return u, true
			}
		}
	}
	return unit{}, false
}

// notFinite reports whether text spells NaN or an infinity, with or without a unit.
func notFinite(text string) bool {
	text = strings.ToLower(strings.TrimLeft(text, "+-"))
	return strings.HasPrefix(text, "nan") || strings.HasPrefix(text, "inf")
}

// cutNumber splits text after its leading decimal number or, if fraction is set, fraction of two whole numbers.
func cutNumber(text string, fraction bool) (number, rest string) {
	i := 0
	if i < len(text) && (text[i] == '+' || text[i] == '-') {
		i++
	}
	whole := digitsLen(text[i:])
	i += whole
	if fraction && whole > 0 && strings.HasPrefix(text[i:], "/") {
		if under := digitsLen(text[i+1:]); under > 0 {
			return text[:i+1+under], text[i+1+under:]
		}
	}
	part := 0
	if strings.HasPrefix(text[i:], ".") {
		part = digitsLen(text[i+1:])
		i += 1 + part
	}
	if whole+part == 0 {
		return "", text
	}
	return text[:i+exponentLen(text[i:])], text[i+exponentLen(text[i:]):]
}

// digitsLen is the number of leading decimal digits.
func digitsLen(text string) int {
	n := 0
	for n < len(text) && text[n] >= '0' && text[n] <= '9' {
		n++
	}
	return n
}

// exponentLen is the length of a leading exponent such as "e-3", or 0.
func exponentLen(text string) int {
	if text == "" || (text[0] != 'e' && text[0] != 'E') {
		return 0
	}
	i := 1
	if i < len(text) && (text[i] == '+' || text[i] == '-') {
		i++
	}
	n := digitsLen(text[i:])
	if n == 0 {
		return 0
	}
	return i + n
}

// parseNumber parses what cutNumber split off.
func parseNumber(number string) (float64, error) {
	over, under, isFraction := strings.Cut(number, "/")
	n, err := strconv.ParseFloat(over, 64)
	if err != nil {
		return 0, fmt.Errorf("the number is too large")
	}
	if !isFraction {
		return n, nil
	}
	d, err := strconv.ParseFloat(under, 64)
	if err != nil {
		return 0, fmt.Errorf("the number is too large")
	}
	if d == 0 {
		return 0, fmt.Errorf("it divides by zero")
	}
	return n / d, nil
}

// format writes x in the largest of the units in which it is at least 1, or in the smallest.
func (k *dimension) format(x float64, units ...unit) string {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return strconv.FormatFloat(x, 'g', -1, 64) + " " + k.siUnit
	}
	u := units[len(units)-1]
	for _, larger := range units[:len(units)-1] {
		// A value one ulp below 1 m still prints as 1 m.
		if math.Abs(larger.fromSI(x)) >= 1-1e-15 {
			u = larger
			break
		}
	}
	if x == 0 {
		x, u = 0, units[0] // no minus sign
	}
	return shortestDecimal(x, u) + " " + u.names[0]
}

// shortestDecimal is the shortest decimal that u reads back as x, within one unit in the last place.
func shortestDecimal(x float64, u unit) string {
	n := u.fromSI(x)
	for precision := 1; precision < 17; precision++ {
		s := formatDigits(n, precision)
		back, err := strconv.ParseFloat(s, 64)
		if err == nil && withinULP(u.toSI(back), x) {
			return s
		}
	}
	return formatDigits(n, 17)
}

// formatDigits formats n with that many significant digits, without an exponent between 1e-6 and 1e15.
func formatDigits(n float64, precision int) string {
	s := strconv.FormatFloat(n, 'e', precision-1, 64)
	rounded, err := strconv.ParseFloat(s, 64)
	size := math.Abs(rounded)
	if err != nil || size != 0 && (size < 1e-6 || size >= 1e15) {
		return s
	}
	return strconv.FormatFloat(rounded, 'f', -1, 64)
}

// withinULP reports whether a and b are equal or adjacent.
func withinULP(a, b float64) bool { return a == b || math.Nextafter(a, b) == b }

// marshal returns text, or an error if x is not finite: no parser could read it back.
func (k *dimension) marshal(x float64, text string) ([]byte, error) {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return nil, fmt.Errorf("a %s of %s cannot be written", k.name, text)
	}
	return []byte(text), nil
}

// unmarshal parses text into *to; on error it leaves *to unchanged.
func unmarshal[Q any](to *Q, text []byte, parse func(string) (Q, error)) error {
	read, err := parse(string(text))
	if err == nil {
		*to = read
	}
	return err
}

// Round rounds q, in its SI unit, to that many significant digits, for texts that people read.
func Round[Q ~float64](q Q, significant int) Q {
	x, err := strconv.ParseFloat(strconv.FormatFloat(float64(q), 'e', max(significant, 1)-1, 64), 64)
	if err != nil {
		return q
	}
	return Q(x)
}

// RoundUp rounds a positive quantity up to that many significant digits, so that "at least" that much is enough.
func RoundUp[Q ~float64](q Q, significant int) Q {
	r := Round(q, significant)
	if r >= q {
		return r
	}
	return Round(r+lastPlace(q, significant), significant)
}

// RoundDown rounds a positive quantity down to that many significant digits, so that "at most" that much is enough.
func RoundDown[Q ~float64](q Q, significant int) Q {
	r := Round(q, significant)
	if r <= q {
		return r
	}
	return Round(r-lastPlace(q, significant), significant)
}

// lastPlace is one unit in the last of a positive quantity's significant digits.
func lastPlace[Q ~float64](q Q, significant int) Q {
	return Q(math.Pow10(int(math.Floor(math.Log10(float64(q)))) - significant + 1))
}
