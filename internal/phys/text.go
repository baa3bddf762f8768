package phys

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// ParseError says why a text is not a quantity and how to write one.
type ParseError struct {
	Input    string // what was given
	Quantity string // "length", "speed", ...
	Why      string // what is wrong with it
	Form     string // the accepted form: "write it like 40 cm, 0.4 m or 400 mm"
}

func (e *ParseError) Error() string {
	article := "a"
	if strings.HasPrefix(e.Quantity, "a") {
		article = "an"
	}
	return fmt.Sprintf("%q is not %s %s: %s; %s", e.Input, article, e.Quantity, e.Why, e.Form)
}

// A unit is one way to write a quantity: the SI value is (number + shift) * times / per. Both factors are whole
// numbers wherever the unit allows it, so that a decimal such as 40 cm becomes the float64 nearest to 0.4 and not its
// neighbour.
type unit struct {
	names      []string // the first one is printed
	times, per float64
	shift      float64
}

func (u unit) si(n float64) float64 {
	if u.shift != 0 {
		// 293 K is 19.85 °C, not the 19.850000000000023 of the binary difference.
		n = math.Round((n+u.shift)*1e9) / 1e9
	}
	return n * u.times / u.per
}

func (u unit) of(x float64) float64 { return x*u.per/u.times - u.shift }

// A kind is everything that reading and writing one quantity needs.
type kind struct {
	name     string
	form     string
	units    []unit
	fraction bool    // "1/125 s" is accepted
	least    float64 // smallest SI value there can be
	why      string  // what to say below least
	si       string  // unit named in the text of a value that is not finite
}

// read parses s, which is a number and one of k's units.
func (k *kind) read(s string) (float64, error) {
	fail := func(why string, args ...any) (float64, error) {
		return 0, &ParseError{Input: s, Quantity: k.name, Why: fmt.Sprintf(why, args...), Form: k.form}
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
	u, ok := k.unitNamed(name)
	if !ok {
		return fail("%q is not a unit known here", name)
	}
	n, err := value(number)
	if err != nil {
		return fail("%s", err)
	}
	x := u.si(n)
	switch {
	case math.IsInf(x, 0) || math.IsNaN(x):
		return fail("it is too large")
	case x < k.least:
		return fail("%s", k.why)
	}
	return x, nil
}

func (k *kind) unitNamed(name string) (unit, bool) {
	for _, u := range k.units {
		for _, n := range u.names {
			if n == name {
				return u, true
			}
		}
	}
	return unit{}, false
}

// notFinite reports a text that spells no number or infinity, with or without a unit.
func notFinite(text string) bool {
	text = strings.ToLower(strings.TrimLeft(text, "+-"))
	return strings.HasPrefix(text, "nan") || strings.HasPrefix(text, "inf")
}

// cutNumber splits text after its leading decimal number, or fraction of two whole numbers if fraction is set.
func cutNumber(text string, fraction bool) (number, rest string) {
	i := 0
	if i < len(text) && (text[i] == '+' || text[i] == '-') {
		i++
	}
	whole := digits(text[i:])
	i += whole
	if fraction && whole > 0 && strings.HasPrefix(text[i:], "/") {
		if under := digits(text[i+1:]); under > 0 {
			return text[:i+1+under], text[i+1+under:]
		}
	}
	part := 0
	if strings.HasPrefix(text[i:], ".") {
		part = digits(text[i+1:])
		i += 1 + part
	}
	if whole+part == 0 {
		return "", text
	}
	return text[:i+exponent(text[i:])], text[i+exponent(text[i:]):]
}

// digits is the count of decimal digits that text begins with.
func digits(text string) int {
	n := 0
	for n < len(text) && text[n] >= '0' && text[n] <= '9' {
		n++
	}
	return n
}

// exponent is the length of the "e-3" that text begins with, or 0.
func exponent(text string) int {
	if text == "" || (text[0] != 'e' && text[0] != 'E') {
		return 0
	}
	i := 1
	if i < len(text) && (text[i] == '+' || text[i] == '-') {
		i++
	}
	n := digits(text[i:])
	if n == 0 {
		return 0
	}
	return i + n
}

// value is the number that cutNumber cut.
func value(number string) (float64, error) {
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

// write prints x with the largest of k's printing units in which it is not below 1, or the smallest unit.
func (k *kind) write(x float64, units ...unit) string {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return strconv.FormatFloat(x, 'g', -1, 64) + " " + k.si
	}
	u := units[len(units)-1]
	for _, larger := range units[:len(units)-1] {
		// A value an ulp short of 1 m still prints as 1 m.
		if math.Abs(larger.of(x)) >= 1-1e-15 {
			u = larger
			break
		}
	}
	if x == 0 {
		x, u = 0, units[0] // no minus sign
	}
	return shortest(x, u) + " " + u.names[0]
}

// shortest is the shortest decimal that u reads back as x, give or take one unit in the last place.
func shortest(x float64, u unit) string {
	n := u.of(x)
	for precision := 1; precision < 17; precision++ {
		s := plain(n, precision)
		back, err := strconv.ParseFloat(s, 64)
		if err == nil && near(u.si(back), x) {
			return s
		}
	}
	return plain(n, 17)
}

// plain formats n with so many significant digits, without an exponent between 1e-6 and 1e15.
func plain(n float64, precision int) string {
	s := strconv.FormatFloat(n, 'e', precision-1, 64)
	rounded, err := strconv.ParseFloat(s, 64)
	size := math.Abs(rounded)
	if err != nil || size != 0 && (size < 1e-6 || size >= 1e15) {
		return s
	}
	return strconv.FormatFloat(rounded, 'f', -1, 64)
}

// near reports that a and b are the same number or neighbours.
func near(a, b float64) bool { return a == b || math.Nextafter(a, b) == b }

// marshal is write for a machine to read back: a value that is not finite cannot be.
func (k *kind) marshal(x float64, text string) ([]byte, error) {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return nil, fmt.Errorf("a %s of %s cannot be written", k.name, text)
	}
	return []byte(text), nil
}

// unmarshal reads text into *to, and leaves it alone when that is an error.
func unmarshal[Q any](to *Q, text []byte, parse func(string) (Q, error)) error {
	read, err := parse(string(text))
	if err == nil {
		*to = read
	}
	return err
}

// Round rounds q, in its SI unit, to so many significant digits: for texts that people read.
func Round[Q ~float64](q Q, significant int) Q {
	x, err := strconv.ParseFloat(strconv.FormatFloat(float64(q), 'e', max(significant, 1)-1, 64), 64)
	if err != nil {
		return q
	}
	return Q(x)
}
