package shot

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"sort"
	"strconv"
	"strings"

	"stillwater/internal/phys"
)

// problem is a refusal before its fixes are computed.
type problem struct {
	field, why string
	fixes      []fix
	fallback   string // a remedy outside the set, or ""
}

func (t *problem) Error() string { return t.why }

// fix is one change of the set that may solve a problem: a choice, or a number moved in steps toward a limit until
// holds is true.
type fix struct {
	field       string
	choice      string // of a field that is chosen or left empty, and has no step
	step        step
	finer       step // used where no whole step holds; may be none
	from, limit float64
	holds       func(Set) bool
	between     bool   // it holds from somewhere to somewhere, and not up to the limit: every step is tried
	format      string // for a choice the words; for a number a format that takes by how much and to what
}

// isNumber reports whether a number is moved.
func (m fix) isNumber() bool { return m.step.write != nil }

// step is the grid on which a number moves: steps per SI unit, and how a value is written.
type step struct {
	per   float64
	write func(si float64) string
}

var (
	byMm       = step{1e3, func(x float64) string { return phys.Length(x).String() }}
	byTenthMm  = step{1e4, func(x float64) string { return phys.Length(x).String() }}
	byCm       = step{1e2, func(x float64) string { return phys.Length(x).String() }}
	byMs       = step{1e3, inWhole}
	byTenthMs  = step{1e4, inWhole}
	byPercent  = step{1e2, func(x float64) string { return strconv.FormatFloat(x, 'f', -1, 64) }}
	byCmPerSec = step{1e2, func(x float64) string { return strconv.FormatFloat(x, 'f', -1, 64) + " m/s" }}
)

// text writes that many steps so that phys can parse it.
func (s step) text(steps float64) string { return s.write(math.Round(steps*1e3) / (s.per * 1e3)) }

// inWhole writes a time that was chosen for a person, as no fraction.
func inWhole(x float64) string {
	if math.Abs(x) >= 1 {
		return strconv.FormatFloat(x, 'f', -1, 64) + " s"
	}
	return strconv.FormatFloat(phys.Round(x*1e3, 9), 'f', -1, 64) + " ms"
}

// refusal computes the fixes: those with which the plan works, in order; if none is enough by itself, several together.
func (t *problem) refusal(set Set, works func(Set) error) *Refusal {
	r := &Refusal{Field: t.field, Why: t.why}
	var remedies []string
	next := ""     // if no single fix is enough: the first of two
	first := false // what is refused can be changed where it is
	for i, m := range t.fixes {
		fix, say, err := m.working(set, works)
		switch {
		case errors.Is(err, errNoFix):
		case err == nil:
			r.Fixes, remedies = append(r.Fixes, fix), append(remedies, say)
			first = first || i == 0
		case next == "" && m.isNumber():
			next = fmt.Sprintf("%s; then more needs to change: %v", say, err)
		}
	}
	if len(r.Fixes) == 0 || set.Kind == Drops && !first {
		behind := *t
		if len(r.Fixes) > 0 {
			behind.fixes = t.fixes[:1] // where one looks first, though more needs to change then
		}
		tries := maxTries
		if fixes, says := behind.together(set, works, maxTogether, &tries); len(fixes) > 0 {
			all := fixes[0]
			all.Also = fixes[1:]
			r.Fixes, remedies = append([]Fix{all}, r.Fixes...), append([]string{strings.Join(says, ", and ")}, remedies...)
		}
	}
	if t.fallback != "" && !strings.Contains(strings.Join(remedies, " "), t.fallback) {
		remedies = append(remedies, t.fallback)
	}
	if len(remedies) == 0 && next != "" {
		remedies = []string{next}
	}
	if len(remedies) == 0 {
		remedies = []string{"no single change of the set fixes this"}
	}
	if len(r.Fixes) > 0 {
		r.Field = r.Fixes[0].Field
	}
	r.Remedy = strings.Join(remedies, ", or ")
	return r
}

// errNoFix means that a fix does not solve its own problem.
var errNoFix = errors.New("it does not help")

// working is the smallest change with which the whole plan works. The error says why it still does not, or is errNoFix.
func (m fix) working(set Set, works func(Set) error) (Fix, string, error) {
	fix, say, ok := m.solve(set)
	if !ok {
		return Fix{}, "", errNoFix
	}
	changed := set
	if changed.Put(fix.Field, fix.Value) != nil {
		return Fix{}, "", errNoFix
	}
	err := works(changed)
	if err == nil || set.Kind != Drops || !m.isNumber() {
		return fix, say, err
	}
	// One distance moves much else: far enough that the whole plan works.
	m.holds = func(s Set) bool { return works(s) == nil }
	if more, words, found := m.solve(set); found {
		return more, words, nil
	}
	return fix, say, err
}

// How many changes are looked for that work together, and how many of each kind are tried: own choice.
const (
	maxTogether = 4
	maxTries    = 24
)

// together finds changes that solve the problem and those behind it, one after the other.
func (t *problem) together(set Set, works func(Set) error, most int, tries *int) ([]Fix, []string) {
	for _, m := range t.fixes {
		if *tries--; *tries < 0 {
			return nil, nil
		}
		if holds := m.holds; m.isNumber() {
			m.holds = func(s Set) bool { return holds(s) || t.solvedBy(works(s)) }
		}
		fix, say, err := m.working(set, works)
		changed := set
		if errors.Is(err, errNoFix) || changed.Put(fix.Field, fix.Value) != nil {
			continue
		}
		next := new(problem)
		switch {
		case err == nil:
			return []Fix{fix}, []string{say}
		case most > 1 && errors.As(err, &next):
			fixes, says := next.together(changed, works, most-1, tries)
			again := slices.ContainsFunc(fixes, func(f Fix) bool { return f.Field == fix.Field })
			if len(fixes) > 0 && !again {
				return append([]Fix{fix}, fixes...), append([]string{say}, says...)
			}
		}
	}
	return nil, nil
}

// solvedBy reports whether what is wrong now is something else.
func (t *problem) solvedBy(err error) bool {
	other := new(problem)
	return errors.As(err, &other) && other.field != t.field
}

// solve finds the smallest change with which the plan holds, and describes it.
func (m fix) solve(set Set) (Fix, string, bool) {
	if !m.isNumber() {
		return Fix{Field: m.field, Value: m.choice}, m.format, true
	}
	direction, first := 1.0, math.Floor(m.from*m.step.per)+1
	last := math.Floor(m.limit * m.step.per)
	if m.limit < m.from {
		direction, first = -1, math.Ceil(m.from*m.step.per)-1
		last = math.Ceil(m.limit * m.step.per)
	}
	count := int((last-first)*direction) + 1
	if count <= 0 {
		return Fix{}, "", false
	}
	at := func(i int) (string, bool) {
		value := m.step.text(first + direction*float64(i))
		changed := set
		return value, changed.Put(m.field, value) == nil && m.holds(changed)
	}
	i := 0
	if m.between {
		for ; i < count; i++ {
			if _, ok := at(i); ok {
				break
			}
		}
	} else {
		i = sort.Search(count, func(i int) bool { _, ok := at(i); return ok })
	}
	if i == count {
		if m.finer.write != nil {
			m.step, m.finer = m.finer, step{}
			return m.solve(set)
		}
		return Fix{}, "", false
	}
	value, _ := at(i)
	by := math.Abs(first + direction*float64(i) - m.from*m.step.per)
	return Fix{Field: m.field, Value: value}, fmt.Sprintf(m.format, m.step.text(by), value), true
}
