package valve

import (
	"cmp"
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"stillwater/internal/phys"
	"stillwater/internal/splash"
)

// Weighing is what a person found on a scale: so many openings of a valve, each that long, let out that mass.
type Weighing struct {
	Drops int
	Mass  phys.Mass // of all of them
	Open  phys.Time
}

// OneDrop is the mass of one drop.
func (w Weighing) OneDrop() phys.Mass { return w.Mass / phys.Mass(w.Drops) }

func (w Weighing) String() string {
	return fmt.Sprintf("%d drops %v at %s", w.Drops, w.Mass, inMs(w.Open))
}

// beyondTip is the part of a full tip's drop below which one that was weighed did not fall by itself; one that is
// heavier than the heaviest from the tip by its inverse was more than one: own choice. Drops in print are within 12 %
// of the computed mass (4 % of the diameter: TestDropDiameterEschbaum of splash).
const beyondTip = 0.8

// UnlikelyError reports drops that were weighed as lighter, or heavier, than any that lets go of the tip.
type UnlikelyError struct{ Weighed, Least, Most phys.Mass }

func (e *UnlikelyError) Error() string {
	return fmt.Sprintf("a drop was weighed as %v, and one from this tip has about %v to %v", phys.Round(e.Weighed, 3),
		phys.Round(e.Least, 2), phys.Round(e.Most, 2))
}

// Light reports whether they were too light, and not too heavy.
func (e *UnlikelyError) Light() bool { return e.Weighed < e.Least }

// CheckWeighed compares the drops that were weighed with one that grew slowly and lets go of a full tip, and with the
// heaviest that is still one.
//
// Errors: *UnlikelyError, or as splash.HangingFrom.
func (v Valve) CheckWeighed() error {
	if len(v.Weighed) == 0 {
		return nil
	}
	h, err := splash.HangingFrom(v.Tip, v.Liquid)
	if err != nil {
		return err
	}
	mass := func(volume phys.Volume) phys.Mass { return phys.Mass(float64(volume) * float64(v.Liquid.Density)) }
	least, most := mass(h.Falls), mass(h.Falls+splash.MaxSurplus*h.Most)
	for _, w := range v.Weighed {
		if one := w.OneDrop(); one < beyondTip*least || one > most/beyondTip {
			return &UnlikelyError{one, least, most}
		}
	}
	return nil
}

// Limits of a table of weighings: own choice.
const (
	maxWeighings = 8
	maxDrops     = 1000
	maxOpen      = phys.Time(1)
	maxOneDrop   = phys.Mass(5e-3)
)

// weighingForm is one weighing as a person writes it.
var weighingForm = regexp.MustCompile(`^(\d{1,4}) drops?,? (?:weigh )?([^@]+?) (?:at|@) (.+)$`)

// WeighingError reports a text that is no table of weighings.
type WeighingError struct {
	Part string // the weighing that is wrong
	Why  string
}

func (e *WeighingError) Error() string {
	return fmt.Sprintf("%q: %s; write it like \"20 drops 1.1 g at 24 ms\", several with ; between them", e.Part,
		e.Why)
}

// ParseWeighings parses a table such as "20 drops 1.1 g at 24 ms; 20 drops 1.4 g at 30 ms", in order of the openings.
// An empty text is an empty table. Longer openings let out more. The error is a *WeighingError.
func ParseWeighings(text string) ([]Weighing, error) {
	if strings.TrimSpace(text) == "" {
		return nil, nil
	}
	var table []Weighing
	for part := range strings.SplitSeq(text, ";") {
		part = strings.Join(strings.Fields(part), " ")
		w, why := parseWeighing(part)
		if why != "" {
			return nil, &WeighingError{part, why}
		}
		table = append(table, w)
	}
	if len(table) > maxWeighings {
		why := fmt.Sprintf("that are %d weighings, and %d are the most", len(table), maxWeighings)
		return nil, &WeighingError{text, why}
	}
	slices.SortFunc(table, func(a, b Weighing) int { return cmp.Compare(a.Open, b.Open) })
	for i := 1; i < len(table); i++ {
		switch a, b := table[i-1], table[i]; {
		case a.Open == b.Open:
			return nil, &WeighingError{b.String(), fmt.Sprintf("there are two for %s", inMs(b.Open))}
		case b.OneDrop() <= a.OneDrop():
			return nil, &WeighingError{b.String(), fmt.Sprintf("at %s a drop has no more mass than at %s", inMs(b.Open),
				inMs(a.Open))}
		}
	}
	return table, nil
}

// parseWeighing parses one; why says what is wrong with it.
func parseWeighing(part string) (w Weighing, why string) {
	found := weighingForm.FindStringSubmatch(part)
	if found == nil {
		return w, "it is not a number of drops, their mass and the opening"
	}
	var err error
	if w.Drops, err = strconv.Atoi(found[1]); err != nil || w.Drops < 1 || w.Drops > maxDrops {
		return w, fmt.Sprintf("weigh 1 to %d drops", maxDrops)
	}
	if w.Mass, err = phys.ParseMass(found[2]); err != nil {
		return w, err.Error()
	}
	if w.Open, err = phys.ParseTime(found[3]); err != nil {
		return w, err.Error()
	}
	switch {
	case !(w.Open > 0) || w.Open > maxOpen:
		return w, fmt.Sprintf("an opening of %v is not more than 0 ms and up to %v", w.Open, maxOpen)
	case !(w.Mass > 0) || w.OneDrop() > maxOneDrop:
		return w, fmt.Sprintf("one drop of %v is not more than 0 g and up to %v", w.OneDrop(), maxOneDrop)
	}
	return w, ""
}

// FormatWeighings writes a table so that ParseWeighings reads it back.
func FormatWeighings(table []Weighing) string {
	texts := make([]string, len(table))
	for i, w := range table {
		texts[i] = w.String()
	}
	return strings.Join(texts, "; ")
}
