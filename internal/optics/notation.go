package optics

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"stillwater/internal/phys"
)

// FNumber is focal length by the diameter of the lens's opening: 16 for f/16. 0 is none.
type FNumber float64

// ISO is an arithmetic speed: 400 for ISO 400. 0 is none.
type ISO float64

// Shutter is a shutter time in seconds, as marked on a camera. Bulb is held open by hand or by a contact.
type Shutter float64

// Bulb is the shutter mark B.
const Bulb Shutter = 0

// Stops are factors of two of light.
type Stops float64

// Fraction is a part of a whole: a flash's power, or what a surface reflects. 0 is none.
type Fraction float64

// Level is a place in a camera's histogram: 0 black, 1 white.
type Level float64

// Largest values that are accepted: beyond what any lens, camera or scale has (own choice).
const (
	maxFNumber FNumber = 512
	maxISO     ISO     = 1e7
	maxShutter Shutter = 3600
	maxStops   Stops   = 40
)

const (
	fNumberHint  = "write it like f/16 or 5.6"
	isoHint      = "write it like ISO 400 or 400"
	shutterHint  = `write it like 1/125, 0.5 s, 2" or B`
	stopsHint    = "write it like 5, -1/3 or 1 2/3 stops"
	fractionHint = "write it like 1/16, full or 12.5 %"
	levelHint    = "write it like 80 %, from 0 % black to 100 % white, or unknown if nobody has looked"
)

// notation is how one of these values is written, for its errors.
type notation struct{ quantity, hint string }

func (n notation) fail(input, why string, args ...any) error {
	return &phys.ParseError{Input: input, Quantity: n.quantity, Why: fmt.Sprintf(why, args...), Hint: n.hint}
}

// ParseFNumber parses an f-number: "f/16", "f16", "5.6"; "none" is 0. The error is a *phys.ParseError.
func ParseFNumber(s string) (FNumber, error) {
	n := notation{"aperture", fNumberHint}
	text := strings.ToLower(strings.TrimSpace(s))
	if text == "none" {
		return 0, nil
	}
	if rest, is := strings.CutPrefix(text, "f"); is {
		text = strings.TrimPrefix(strings.TrimSpace(rest), "/")
	}
	x, err := decimal(text)
	switch {
	case err != nil:
		return 0, n.fail(s, "%s", err)
	case x <= 0:
		return 0, n.fail(s, "no lens has an opening that is not more than 0")
	case FNumber(x) > maxFNumber || FNumber(x) < 1/maxFNumber:
		return 0, n.fail(s, "no lens has such an opening")
	}
	return FNumber(x), nil
}

func (n FNumber) String() string {
	if n == 0 {
		return "none"
	}
	return "f/" + shortest(float64(n))
}

// MarshalText formats n as String does.
func (n FNumber) MarshalText() ([]byte, error) { return finite(float64(n), n.String()) }

// UnmarshalText accepts what ParseFNumber does; on error it leaves *n unchanged.
func (n *FNumber) UnmarshalText(text []byte) error { return unmarshal(n, text, ParseFNumber) }

// ParseISO parses a speed: "ISO 400", "400". The error is a *phys.ParseError.
func ParseISO(s string) (ISO, error) {
	n := notation{"camera's speed", isoHint}
	text := strings.TrimPrefix(strings.ToLower(strings.TrimSpace(s)), "iso")
	if text == "none" {
		return 0, nil
	}
	x, err := decimal(text)
	switch {
	case err != nil:
		return 0, n.fail(s, "%s", err)
	case x <= 0:
		return 0, n.fail(s, "a speed is more than 0")
	case ISO(x) > maxISO || x < 1e-3:
		return 0, n.fail(s, "no camera has such a speed")
	}
	return ISO(x), nil
}

func (i ISO) String() string {
	if i == 0 {
		return "none"
	}
	return "ISO " + shortest(float64(i))
}

// MarshalText formats i as String does.
func (i ISO) MarshalText() ([]byte, error) { return finite(float64(i), i.String()) }

// UnmarshalText accepts what ParseISO does; on error it leaves *i unchanged.
func (i *ISO) UnmarshalText(text []byte) error { return unmarshal(i, text, ParseISO) }

// ParseShutter parses a shutter time as cameras mark it: "1/125", "1/125 s", `2"`, `0"5`, "0.5 s", "B". A whole number
// alone could be 125 s or 1/125 s, and is refused. The error is a *phys.ParseError.
func ParseShutter(s string) (Shutter, error) {
	n := notation{"shutter time", shutterHint}
	text := strings.ToLower(strings.TrimSpace(s))
	if text == "b" || text == "bulb" {
		return Bulb, nil
	}
	number, seconds := strings.CutSuffix(text, "s")
	number = strings.TrimSpace(number)
	if whole, part, is := strings.Cut(number, `"`); is && !seconds { // 1"3 is 1.3 s
		number, seconds = whole, true
		if part = strings.TrimSpace(part); part != "" {
			number += "." + part
		}
	}
	x, err := ratio(number)
	switch {
	case err != nil:
		return 0, n.fail(s, "%s", err)
	case x <= 0:
		return 0, n.fail(s, "a time must be more than 0")
	case !seconds && !strings.ContainsAny(number, "/."):
		return 0, n.fail(s, `it could be 1/%s s or %s s: write 1/%s or %s"`, number, number, number, number)
	case Shutter(x) > maxShutter || x < 1e-7:
		return 0, n.fail(s, "no shutter is open for that long")
	}
	return Shutter(x), nil
}

func (t Shutter) String() string {
	if t == Bulb {
		return "B"
	}
	if n := math.Round(1 / float64(t)); t < 0.3 && n <= 1e7 && 1/n == float64(t) {
		return "1/" + shortest(n) + " s"
	}
	return shortest(float64(t)) + " s"
}

// MarshalText formats t as String does.
func (t Shutter) MarshalText() ([]byte, error) { return finite(float64(t), t.String()) }

// UnmarshalText accepts what ParseShutter does; on error it leaves *t unchanged.
func (t *Shutter) UnmarshalText(text []byte) error { return unmarshal(t, text, ParseShutter) }

// ParseStops parses stops: "5", "-1/3", "1 2/3 stops", "+0.7 EV". The error is a *phys.ParseError.
func ParseStops(s string) (Stops, error) {
	n := notation{"number of stops", stopsHint}
	text := strings.ToLower(strings.TrimSpace(s))
	for _, unit := range []string{"stops", "stop", "ev"} {
		if rest, is := strings.CutSuffix(text, unit); is {
			text = strings.TrimSpace(rest)
			break
		}
	}
	sign := 1.0
	if text != "" && strings.ContainsAny(text[:1], "+-") {
		if text[0] == '-' {
			sign = -1
		}
		text = text[1:]
	}
	x, err := mixed(text)
	switch {
	case err != nil:
		return 0, n.fail(s, "%s", err)
	case Stops(x) > maxStops:
		return 0, n.fail(s, "no scale has so many")
	case x == 0:
		return 0, nil // no minus sign
	}
	return Stops(sign * x), nil
}

func (s Stops) String() string {
	if s == 1 || s == -1 {
		return shortest(float64(s)) + " stop"
	}
	return shortest(float64(s)) + " stops"
}

// MarshalText formats s as String does.
func (s Stops) MarshalText() ([]byte, error) { return finite(float64(s), s.String()) }

// UnmarshalText accepts what ParseStops does; on error it leaves *s unchanged.
func (s *Stops) UnmarshalText(text []byte) error { return unmarshal(s, text, ParseStops) }

// MeterEV is what a light meter shows, an exposure value at ISO 100: "-2 EV". It is read as ParseStops reads.
type MeterEV float64

func (e MeterEV) String() string { return shortest(float64(e)) + " EV" }

// MarshalText formats e as String does.
func (e MeterEV) MarshalText() ([]byte, error) { return finite(float64(e), e.String()) }

// UnmarshalText accepts what ParseStops does; on error it leaves *e unchanged.
func (e *MeterEV) UnmarshalText(text []byte) error {
	s, err := ParseStops(string(text))
	if err == nil {
		*e = MeterEV(s)
	}
	return err
}

// ParseFraction parses a fraction of a whole: "1/16", "full", "12.5 %", "0.5". The error is a *phys.ParseError.
func ParseFraction(s string) (Fraction, error) {
	n := notation{"fraction", fractionHint}
	text := strings.ToLower(strings.TrimSpace(s))
	switch text {
	case "none":
		return 0, nil
	case "full":
		return 1, nil
	}
	number, percent := strings.CutSuffix(text, "%")
	x, err := ratio(strings.TrimSpace(number))
	if percent {
		x /= 100
	}
	switch {
	case err != nil:
		return 0, n.fail(s, "%s", err)
	case x > 1:
		return 0, n.fail(s, "it must be no more than the whole")
	case x < 1e-6:
		return 0, n.fail(s, "it must be more than 0")
	}
	return Fraction(x), nil
}

func (f Fraction) String() string {
	if f == 0 {
		return "none"
	}
	if n := math.Round(1 / float64(f)); n >= 1 && n <= 1e6 && 1/n == float64(f) {
		return "1/" + shortest(n)
	}
	return shortest(float64(f))
}

// MarshalText formats f as String does.
func (f Fraction) MarshalText() ([]byte, error) { return finite(float64(f), f.String()) }

// UnmarshalText accepts what ParseFraction does; on error it leaves *f unchanged.
func (f *Fraction) UnmarshalText(text []byte) error { return unmarshal(f, text, ParseFraction) }

// ParseLevel parses a place in the histogram: "80 %", "80", "0.8". The error is a *phys.ParseError.
func ParseLevel(s string) (Level, error) {
	n := notation{"level", levelHint}
	number, percent := strings.CutSuffix(strings.TrimSpace(s), "%")
	x, err := decimal(number)
	switch {
	case err != nil:
		return 0, n.fail(s, "%s", err)
	case x < 0:
		return 0, n.fail(s, "nothing is blacker than black")
	case !percent && x == 1:
		return 0, n.fail(s, "that is either 1 %% or all of white: write 1 %% or 100 %%")
	case percent, x > 1: // more than the whole is in percent
		x /= 100
	}
	switch {
	case x > 1:
		return 0, n.fail(s, "nothing is whiter than white")
	case x == 0:
		return 0, nil // no minus sign
	}
	return Level(x), nil
}

func (l Level) String() string {
	if percent := shortest(float64(l) * 100); len(percent) <= 5 {
		if back, err := ParseLevel(percent + "%"); err == nil && back == l {
			return percent + " %"
		}
	}
	return shortest(float64(l))
}

// MarshalText formats l as String does.
func (l Level) MarshalText() ([]byte, error) { return finite(float64(l), l.String()) }

// UnmarshalText accepts what ParseLevel does; on error it leaves *l unchanged.
func (l *Level) UnmarshalText(text []byte) error { return unmarshal(l, text, ParseLevel) }

// decimal parses a plain decimal number without an exponent. It may have a minus sign, to be refused by who asks.
func decimal(s string) (float64, error) {
	s = strings.TrimSpace(s)
	digits := strings.TrimPrefix(s, "-")
	switch {
	case digits == "":
		return 0, fmt.Errorf("it has no number")
	case strings.Contains(digits, ","):
		return 0, fmt.Errorf("it has a comma; the decimal mark is a point")
	case strings.Trim(digits, "0123456789.") != "":
		return 0, fmt.Errorf("%q is not a number", s)
	}
	x, err := strconv.ParseFloat(s, 64)
	if err != nil {
		return 0, fmt.Errorf("%q is not a number", s)
	}
	return x, nil
}

// ratio parses a decimal number, or a fraction of two.
func ratio(s string) (float64, error) {
	over, under, is := strings.Cut(s, "/")
	n, err := decimal(over)
	if err != nil || !is {
		return n, err
	}
	d, err := decimal(under)
	switch {
	case err != nil:
		return 0, err
	case d == 0:
		return 0, fmt.Errorf("it divides by zero")
	case math.IsInf(n/d, 0):
		return 0, fmt.Errorf("it is too large")
	}
	return n / d, nil
}

// mixed parses a ratio, or a whole number and a fraction: "1 2/3".
func mixed(s string) (float64, error) {
	whole, part, is := strings.Cut(strings.TrimSpace(s), " ")
	if !is {
		x, err := ratio(s)
		if err == nil && x < 0 {
			return 0, fmt.Errorf("it has two signs")
		}
		return x, err
	}
	n, err := decimal(whole)
	if err != nil {
		return 0, err
	}
	f, err := ratio(part)
	if err == nil && (n != math.Trunc(n) || n < 0 || f < 0 || f >= 1 || !strings.Contains(part, "/")) {
		return 0, fmt.Errorf("%q is not a whole number and a fraction", s)
	}
	return n + f, err
}

func shortest(x float64) string { return strconv.FormatFloat(x, 'f', -1, 64) }

// finite returns text, or an error if x is not finite: no parser could read it back.
func finite(x float64, text string) ([]byte, error) {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return nil, fmt.Errorf("%s cannot be written", text)
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
