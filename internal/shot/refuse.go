package shot

import (
	"fmt"
	"math"
	"sort"
	"strconv"
	"strings"

	"stillwater/internal/phys"
)

// trouble is a refusal whose remedies are not worked out yet.
type trouble struct {
	field, why string
	mends      []mend
	otherwise  string // a remedy outside the set, "" none
}

func (t *trouble) Error() string { return t.why }

// mend is one change of the set that may cure a trouble: a choice, or a number moved step by step toward a limit until
// cured says that it is.
type mend struct {
	field       string
	choice      string // "" for a number
	step        step
	from, limit float64
	cured       func(Set) bool
	say         string // for a choice the words; for a number a format that takes by how much and to what
}

// step is the grid a number is moved on: so many steps to the SI unit, and how its multiples are written.
type step struct {
	per   float64
	write func(si float64) string
}

var (
	byMm       = step{1e3, func(x float64) string { return phys.Length(x).String() }}
	byMs       = step{1e3, func(x float64) string { return phys.Time(x).String() }}
	byCmPerSec = step{1e2, func(x float64) string { return strconv.FormatFloat(x, 'f', -1, 64) + " m/s" }}
)

// text is so many steps in words that phys reads back.
func (s step) text(steps float64) string { return s.write(math.Round(steps*1e3) / (s.per * 1e3)) }

// refusal works out the remedies: those with which the plan compiles, tried in order.
func (t *trouble) refusal(set Set, bench Bench) *Refusal {
	r := &Refusal{Field: t.field, Why: t.why}
	var remedies []string
	next := "" // where no change is enough: the first of two
	for _, m := range t.mends {
		fix, say, ok := m.solve(set)
		if !ok {
			continue
		}
		mended := set
		if mended.Put(fix.Field, fix.Value) != nil {
			continue
		}
		if _, _, err := (plan{mended, bench}).compile(); err != nil {
			if next == "" && m.choice == "" {
				next = fmt.Sprintf("%s; then there is more to change: %v", say, err)
			}
			continue
		}
		r.Fixes, remedies = append(r.Fixes, fix), append(remedies, say)
	}
	if t.otherwise != "" {
		remedies = append(remedies, t.otherwise)
	}
	if len(remedies) == 0 && next != "" {
		remedies = []string{next}
	}
	if len(remedies) == 0 {
		remedies = []string{"no single change of the set mends this"}
	}
	if len(r.Fixes) > 0 {
		r.Field = r.Fixes[0].Field
	}
	r.Remedy = strings.Join(remedies, ", or ")
	return r
}

// solve finds the smallest change that cures, and says it.
func (m mend) solve(set Set) (Fix, string, bool) {
	if m.choice != "" {
		return Fix{m.field, m.choice}, m.say, true
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
		return value, changed.Put(m.field, value) == nil && m.cured(changed)
	}
	i := sort.Search(count, func(i int) bool { _, ok := at(i); return ok })
	if i == count {
		return Fix{}, "", false
	}
	value, _ := at(i)
	by := math.Abs(first + direction*float64(i) - m.from*m.step.per)
	return Fix{m.field, value}, fmt.Sprintf(m.say, m.step.text(by), value), true
}
