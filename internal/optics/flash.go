package optics

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"stillwater/internal/phys"
)

// PowerControl is how a flash unit gives less than its full power.
type PowerControl string

const (
	// CutOff: the discharge is switched off early. The light is short at low power.
	CutOff PowerControl = "cut-off"
	// Throttled: the capacitor is charged to less, and discharges whole. The light is longer at low power.
	Throttled PowerControl = "throttled"
)

// LightPulse is how long a flash's light lasts, as ISO 2827 measures it: above half, and above a tenth of its peak.
type LightPulse struct{ Half, Tenth phys.Time }

// TenthOverHalf is the tenth by the half of an ideal discharge, I = I0 exp(-t/tau): ln 10 / ln 2.
const TenthOverHalf = math.Ln10 / math.Ln2

// IdealPulse returns the pulse of an ideal unit at fraction p of its power; full is its t0.5 at full power. The
// discharge decays exponentially from an instant rise.
//
// Cut off, it ends when that part of the light is out. Throttled, it lasts longer by the inverse root of the power: a
// lamp has V = K sqrt(I) (J. H. Goncz's law), so a capacitor's discharge scales with the inverse of its voltage. Real
// units differ: a switch leaves a tail, and some switch capacitors too.
func IdealPulse(full phys.Time, c PowerControl, p Fraction) LightPulse {
	whole := LightPulse{full, full * TenthOverHalf}
	if c == Throttled {
		longer := phys.Time(1 / math.Sqrt(float64(p)))
		return LightPulse{whole.Half * longer, whole.Tenth * longer}
	}
	if p >= 1 {
		return whole
	}
	ends := -full / math.Ln2 * phys.Time(math.Log1p(-float64(p)))
	return LightPulse{min(whole.Half, ends), min(whole.Tenth, ends)}
}

// Measured says which of the two times a unit's figures are.
type Measured string

// A maker's figure without a word is the half.
const (
	AboveHalf  Measured = "t0.5"
	AboveTenth Measured = "t0.1"
)

// Figures are a unit's own durations at some of its power steps: "1/1 1/300 s, 1/16 1/4000 s". "" is none.
type Figures string

// Figure is how long a unit lights at one power step.
type Figure struct {
	Power    Fraction
	Duration Shutter
}

// maxFigures bounds a table: thirds of a stop from full power to 1/512.
const maxFigures = 28

// Table reads the figures, full power first.
func (f Figures) Table() ([]Figure, error) {
	n := notation{"table of durations", "write it like 1/1 1/300 s, 1/16 1/4000 s"}
	var table []Figure
	for _, row := range strings.Split(string(f), ",") {
		row = strings.TrimSpace(row)
		if row == "" {
			continue
		}
		power, duration, is := strings.Cut(row, " ")
		if !is {
			return nil, n.fail(string(f), "%q is not a power and a duration", row)
		}
		p, err := ParseFraction(power)
		if err != nil {
			return nil, n.fail(string(f), "%v", err)
		}
		d, err := ParseShutter(duration)
		switch {
		case err != nil:
			return nil, n.fail(string(f), "%v", err)
		case d == Bulb:
			return nil, n.fail(string(f), "%q is not a duration", duration)
		}
		table = append(table, Figure{p, d})
	}
	slices.SortFunc(table, func(a, b Figure) int { return cmp.Compare(b.Power, a.Power) })
	for i := range table {
		if i > 0 && table[i].Power == table[i-1].Power {
			return nil, n.fail(string(f), "%v is there twice", table[i].Power)
		}
	}
	if len(table) > maxFigures {
		return nil, n.fail(string(f), "it has more than %d steps", maxFigures)
	}
	return table, nil
}

// MarshalText returns f as it is.
func (f Figures) MarshalText() ([]byte, error) { return []byte(f), nil }

// UnmarshalText accepts what Table reads, and tidies it; "none" is empty. On error it leaves *f unchanged.
func (f *Figures) UnmarshalText(text []byte) error {
	if strings.TrimSpace(string(text)) == "none" {
		*f = ""
		return nil
	}
	table, err := Figures(text).Table()
	if err != nil {
		return err
	}
	rows := make([]string, len(table))
	for i, row := range table {
		rows[i] = fmt.Sprintf("%v %v", row.Power, row.Duration)
	}
	*f = Figures(strings.Join(rows, ", "))
	return nil
}

func (f Figures) String() string {
	if f == "" {
		return "none"
	}
	return string(f)
}

// Discharge is what is known of how long a unit's light lasts.
type Discharge struct {
	Control PowerControl
	Full    phys.Time // at full power, 0 not known
	Is      Measured  // what Full and Figures are
	Figures Figures
}

// At is the pulse at a power step: by the unit's own figures, in between by interpolation of the logarithms, and beyond
// them, or without any, by the ideal unit. False if nothing is known.
func (d Discharge) At(p Fraction) (LightPulse, bool) {
	table, err := d.Figures.Table()
	if err != nil {
		return LightPulse{}, false
	}
	if d.Full > 0 && (len(table) == 0 || table[0].Power < 1) {
		table = slices.Insert(table, 0, Figure{1, Shutter(d.Full)})
	}
	if len(table) == 0 {
		return LightPulse{}, false
	}
	measured := phys.Time(interpolate(table, p, d))
	whole := IdealPulse(1, d.Control, p) // for the ratio of its two times
	longer := whole.Tenth / whole.Half
	if d.Is == AboveTenth {
		return LightPulse{measured / longer, measured}, true
	}
	return LightPulse{measured, measured * longer}, true
}

// IsIdeal reports whether the time above a tenth of the peak is worked out as of an ideal decay, rather than by the
// unit's own figures: from its time above half, or beyond the power steps that are known.
func (d Discharge) IsIdeal(p Fraction) bool {
	table, err := d.Figures.Table()
	if err == nil && d.Full > 0 {
		table = append(table, Figure{1, Shutter(d.Full)})
	}
	low, high := Fraction(1), Fraction(0)
	for _, row := range table {
		low, high = min(low, row.Power), max(high, row.Power)
	}
	return d.Is == AboveHalf || p < low || p > high
}

// interpolate is the duration at p, of the kind that the table has.
func interpolate(table []Figure, p Fraction, d Discharge) float64 {
	ideal := func(p Fraction) float64 {
		pulse := IdealPulse(1, d.Control, p)
		if d.Is == AboveTenth {
			return float64(pulse.Tenth)
		}
		return float64(pulse.Half)
	}
	beyond := func(row Figure) float64 { return float64(row.Duration) * ideal(p) / ideal(row.Power) }
	last := len(table) - 1
	switch {
	case p >= table[0].Power:
		return beyond(table[0])
	case p <= table[last].Power:
		return beyond(table[last])
	}
	i := 1
	for table[i].Power > p {
		i++
	}
	a, b := table[i-1], table[i]
	share := math.Log(float64(a.Power/p)) / math.Log(float64(a.Power/b.Power))
	return math.Exp(math.Log(float64(a.Duration))*(1-share) + math.Log(float64(b.Duration))*share)
}

// PowerFor is the power step with most light among those whose light, above a tenth of its peak, lasts no longer than
// longest; false if none does.
func (d Discharge) PowerFor(longest phys.Time) (Fraction, bool) {
	for _, p := range PowerMarks() {
		if pulse, known := d.At(p); known && pulse.Tenth <= longest*(1+1e-9) {
			return p, true
		}
	}
	return 0, false
}
