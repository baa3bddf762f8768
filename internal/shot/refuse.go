package shot

import (
	"fmt"
	"math"
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
	choice      string // "" for a number
	step        step
	from, limit float64
	holds       func(Set) bool
	format      string // for a choice the words; for a number a format that takes by how much and to what
}

// step is the grid on which a number moves: steps per SI unit, and how a value is written.
type step struct {
	per   float64
	write func(si float64) string
}

var (
	byMm       = step{1e3, func(x float64) string { return phys.Length(x).String() }}
	byMs       = step{1e3, func(x float64) string { return phys.Time(x).String() }}
	byCmPerSec = step{1e2, func(x float64) string { return strconv.FormatFloat(x, 'f', -1, 64) + " m/s" }}
)

// text writes that many steps so that phys can parse it.
func (s step) text(steps float64) string { return s.write(math.Round(steps*1e3) / (s.per * 1e3)) }

// refusal computes the fixes: those with which the plan compiles, in order.
func (t *problem) refusal(set Set, bench Bench) *Refusal {
	r := &Refusal{Field: t.field, Why: t.why}
	var remedies []string
	next := "" // if no single fix is enough: the first of two
	for _, m := range t.fixes {
		fix, say, ok := m.solve(set)
		if set.Kind == Drops && m.choice == "" && ok && !compiles(set, bench, fix) {
			// One distance moves much else: far enough that the whole plan works.
			m.holds = func(s Set) bool { return compiles(s, bench, Fix{}) }
			if more, words, found := m.solve(set); found {
				fix, say = more, words
			}
		}
		if !ok {
			continue
		}
		changed := set
		if changed.Put(fix.Field, fix.Value) != nil {
			continue
		}
		if _, _, err := (plan{changed, bench}).compile(); err != nil {
			if next == "" && m.choice == "" {
				next = fmt.Sprintf("%s; then more needs to change: %v", say, err)
			}
			continue
		}
		r.Fixes, remedies = append(r.Fixes, fix), append(remedies, say)
	}
	if t.fallback != "" {
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

// compiles reports whether a plan works with a change, or with none.
func compiles(set Set, bench Bench, change Fix) bool {
	if change != (Fix{}) && set.Put(change.Field, change.Value) != nil {
		return false
	}
	_, _, err := plan{set, bench}.compile()
	return err == nil
}

// solve finds the smallest change with which the plan holds, and describes it.
func (m fix) solve(set Set) (Fix, string, bool) {
	if m.choice != "" {
		return Fix{m.field, m.choice}, m.format, true
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
	i := sort.Search(count, func(i int) bool { _, ok := at(i); return ok })
	if i == count {
		return Fix{}, "", false
	}
	value, _ := at(i)
	by := math.Abs(first + direction*float64(i) - m.from*m.step.per)
	return Fix{m.field, value}, fmt.Sprintf(m.format, m.step.text(by), value), true
}
