package optics

import (
	"encoding"
	"encoding/json"
	"fmt"
	"strconv"
	"strings"

	"stillwater/internal/phys"
)

// Optional is a value that somebody in the room saw or measured, or nobody has yet: then it is not Known.
type Optional[T fmt.Stringer] struct {
	Value T
	Known bool
}

// Known is a value that was seen or measured.
func Known[T fmt.Stringer](v T) Optional[T] { return Optional[T]{v, true} }

// countable is a type of which somebody may have seen none: for it "none" does not say that nobody has looked.
type countable interface{ countable() }

// unknown is how a value that nobody has seen yet is written.
const unknown = "unknown"

func (o Optional[T]) String() string {
	if !o.Known {
		return unknown
	}
	return o.Value.String()
}

// MarshalText formats o as String does.
func (o Optional[T]) MarshalText() ([]byte, error) {
	if m, is := any(o.Value).(encoding.TextMarshaler); is && o.Known {
		return m.MarshalText()
	}
	return []byte(unknown), nil
}

// UnmarshalText accepts what T does, "unknown", and "none" as unknown of what is not counted; on error it leaves *o
// unchanged.
func (o *Optional[T]) UnmarshalText(text []byte) error {
	var next Optional[T]
	word := strings.ToLower(strings.TrimSpace(string(text)))
	_, counted := any(next.Value).(countable)
	if word != unknown && (word != "none" || counted) {
		if err := any(&next.Value).(encoding.TextUnmarshaler).UnmarshalText(text); err != nil {
			return err
		}
		next.Known = true
	}
	*o = next
	return nil
}

// UnmarshalJSON accepts text, and a bare number as counts were once stored: 0 was not known.
func (o *Optional[T]) UnmarshalJSON(data []byte) error {
	var text string
	switch err := json.Unmarshal(data, &text); {
	case err == nil:
		return o.UnmarshalText([]byte(text))
	case string(data) == "0":
		return o.UnmarshalText([]byte(unknown))
	}
	return o.UnmarshalText(data)
}

// Pixels is a number of the camera's pixels.
type Pixels int

func (Pixels) countable() {}

// maxPixels is more than any camera has across.
const maxPixels = 100_000

// ParsePixels parses a number of pixels: "12", "12 pixels", "0". The error is a *phys.ParseError.
func ParsePixels(s string) (Pixels, error) {
	n := notation{"number of pixels", "write it like 12, 0 if there was no blur, or unknown if nobody has looked"}
	text := strings.ToLower(strings.TrimSpace(s))
	for _, unit := range []string{"pixels", "pixel", "px"} {
		if rest, is := strings.CutSuffix(text, unit); is {
			text = strings.TrimSpace(rest)
			break
		}
	}
	x, err := strconv.Atoi(text)
	switch {
	case err != nil:
		return 0, n.fail(s, "%q is not a whole number", text)
	case x < 0 || x > maxPixels:
		return 0, n.fail(s, "it is outside 0 to %d", maxPixels)
	}
	return Pixels(x), nil
}

func (p Pixels) String() string {
	if p == 1 {
		return "1 pixel"
	}
	return fmt.Sprintf("%d pixels", int(p))
}

// MarshalText formats p as String does.
func (p Pixels) MarshalText() ([]byte, error) { return []byte(p.String()), nil }

// UnmarshalText accepts what ParsePixels does; on error it leaves *p unchanged.
func (p *Pixels) UnmarshalText(text []byte) error { return unmarshal(p, text, ParsePixels) }

// ExposureTime is the shutter time of a frame that was taken. Unlike Shutter it is never held open: then nobody knows
// it.
type ExposureTime float64

func (t ExposureTime) String() string { return Shutter(t).String() }

// MarshalText formats t as String does.
func (t ExposureTime) MarshalText() ([]byte, error) { return Shutter(t).MarshalText() }

// UnmarshalText accepts what ParseShutter does, but not B; on error it leaves *t unchanged.
func (t *ExposureTime) UnmarshalText(text []byte) error {
	s, err := ParseShutter(string(text))
	if err == nil && s == Bulb {
		err = &phys.ParseError{Input: string(text), Quantity: "shutter time", Why: "how long it was held open is not said",
			Hint: shutterHint}
	}
	if err == nil {
		*t = ExposureTime(s)
	}
	return err
}
