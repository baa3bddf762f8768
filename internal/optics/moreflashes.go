package optics

import (
	"fmt"
	"strings"

	"stillwater/internal/phys"
)

// Others are flash units beside the first that are not like it, each with its guide number, power, distance, what it
// loses on the way, and how long its light lasts at that power: "28 m, 1/16, 60 cm, 1/4000 s; 20 m, 1/8, 1 m, 1 stop".
// "" is none.
type Others string

// OtherUnit is a flash unit of Others.
type OtherUnit struct {
	Unit
	Lasts phys.Time // at its power; 0 not known
}

// maxOthers bounds them: what one person sets up, own choice.
const maxOthers = 5

// Table parses the list; the error names the unit that cannot be read.
func (o Others) Table() ([]OtherUnit, error) {
	n := notation{"list of flashes", "write guide number, power and distance of each, and how long it lights if that " +
		"is known, like 28 m, 1/16, 60 cm, 1/4000 s; 20 m, full, 1 m"}
	var table []OtherUnit
	for _, text := range strings.Split(string(o), ";") {
		if text = strings.TrimSpace(text); text == "" {
			continue
		}
		unit, err := parseOther(text)
		if err != nil {
			return nil, n.fail(string(o), "of %q %v", text, err)
		}
		table = append(table, unit)
	}
	if len(table) > maxOthers {
		return nil, n.fail(string(o), "there are more than %d", maxOthers)
	}
	return table, nil
}

// parseOther reads one unit. Its parts tell by their units what they are; of two lengths the first is the guide number.
func parseOther(text string) (OtherUnit, error) {
	u := OtherUnit{Unit: Unit{Count: 1}}
	for _, part := range strings.Split(text, ",") {
		if err := u.put(strings.TrimSpace(part)); err != nil {
			return OtherUnit{}, err
		}
	}
	for _, lacks := range []struct {
		is   bool
		what string
	}{{u.Guide == 0, "guide number"}, {u.Power == 0, "power"}, {u.Distance == 0, "distance"}} {
		if lacks.is {
			return OtherUnit{}, fmt.Errorf("the %s is missing", lacks.what)
		}
	}
	return u, nil
}

// Least and greatest values of one unit: as those of the first.
const (
	minGuide, maxGuide      phys.Length = 0.1, 500
	minAway, maxAway        phys.Length = 0.01, 20
	minPower                Fraction    = 1. / 2048
	maxLost                 Stops       = 10
	shortestLit, longestLit phys.Time   = 1e-6, 0.1
)

// put takes one part of a unit's text.
func (u *OtherUnit) put(part string) error {
	word := strings.ToLower(part)
	switch {
	case strings.HasSuffix(word, "stop"), strings.HasSuffix(word, "stops"):
		s, err := ParseStops(part)
		return within(&u.Loss, s, 0, maxLost, err)
	case strings.HasSuffix(word, "ms"), strings.HasSuffix(word, "us"), strings.HasSuffix(word, "µs"):
		var t phys.Time
		err := t.UnmarshalText([]byte(part))
		return within(&u.Lasts, t, shortestLit, longestLit, err)
	case strings.HasSuffix(word, "s"):
		t, err := ParseShutter(part)
		return within(&u.Lasts, phys.Time(t), shortestLit, longestLit, err)
	case strings.HasSuffix(word, "m"):
		var l phys.Length
		err := l.UnmarshalText([]byte(part))
		if u.Guide == 0 {
			return within(&u.Guide, l, minGuide, maxGuide, err)
		}
		return within(&u.Distance, l, minAway, maxAway, err)
	}
	f, err := ParseFraction(part)
	return within(&u.Power, f, minPower, 1, err)
}

// within puts a value that was not given before and is neither too small nor too large.
func within[T interface {
	~float64
	fmt.Stringer
}](to *T, x, low, high T, err error) error {
	switch {
	case err != nil:
		return err
	case *to != 0:
		return fmt.Errorf("%v and %v are two for the same", *to, x)
	case x < low || x > high:
		return fmt.Errorf("%v is not from %v to %v", x, low, high)
	}
	*to = x
	return nil
}

// MarshalText returns o as it is.
func (o Others) MarshalText() ([]byte, error) { return []byte(o), nil }

// UnmarshalText accepts what Table reads, and tidies it; "none" is empty. On error it leaves *o unchanged.
func (o *Others) UnmarshalText(text []byte) error {
	if strings.TrimSpace(string(text)) == "none" {
		*o = ""
		return nil
	}
	table, err := Others(text).Table()
	if err != nil {
		return err
	}
	units := make([]string, len(table))
	for i, u := range table {
		units[i] = fmt.Sprintf("%v, %v, %v", u.Guide, u.Power, u.Distance)
		if u.Loss > 0 {
			units[i] += ", " + u.Loss.String()
		}
		if u.Lasts > 0 {
			units[i] += ", " + Shutter(u.Lasts).String()
		}
	}
	*o = Others(strings.Join(units, "; "))
	return nil
}

func (o Others) String() string {
	if o == "" {
		return "none"
	}
	return string(o)
}

// OtherUnits are the units beside the first that are not like it.
func (f Flash) OtherUnits() []OtherUnit {
	table, _ := f.Others.Table() // what is in a set was read before
	return table
}

// otherLight is what they give, however long they last.
func (f Flash) otherLight() (units []Unit) {
	for _, u := range f.OtherUnits() {
		units = append(units, u.Unit)
	}
	return units
}

// FNumber is the one at which all units together expose correctly; false if a guide number is not known.
func (f Flash) FNumber(i ISO) (FNumber, bool) {
	each := []FNumber{f.Unit().FNumber(i)}
	for _, u := range f.OtherUnits() {
		each = append(each, u.FNumber(i))
	}
	return AddFNumbers(each...), f.Guide > 0
}
