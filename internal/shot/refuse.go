package shot

import (
	"fmt"
	"math"
	"sort"
	"strconv"
	"strings"
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

// step is the grid a number is moved on: its size in SI units, and the unit it is written in.
type step struct {
	size  float64
	unit  string
	times float64 // of the unit
}

var (
	byMm       = step{1e-3, "mm", 1}
	byMs       = step{1e-3, "ms", 1}
	byCmPerSec = step{1e-2, "m/s", 0.01}
)

// write is so many steps in words that phys reads back.
func (s step) write(steps float64) string {
	return strconv.FormatFloat(math.Round(steps*s.times*1e3)/1e3, 'f', -1, 64) + " " + s.unit
}

// refusal works out the remedies: those with which the plan compiles, tried in order.
func (t *trouble) refusal(set Set, bench Bench) *Refusal {
	r := &Refusal{Field: t.field, Why: t.why}
	var remedies []string
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
			continue
		}
		r.Fixes, remedies = append(r.Fixes, fix), append(remedies, say)
	}
	if t.otherwise != "" {
		remedies = append(remedies, t.otherwise)
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
	direction, first := 1.0, math.Floor(m.from/m.step.size)+1
	last := math.Floor(m.limit / m.step.size)
	if m.limit < m.from {
		direction, first = -1, math.Ceil(m.from/m.step.size)-1
		last = math.Ceil(m.limit / m.step.size)
	}
	count := int((last-first)*direction) + 1
	if count <= 0 {
		return Fix{}, "", false
	}
	at := func(i int) (string, bool) {
		value := m.step.write(first + direction*float64(i))
		changed := set
		return value, changed.Put(m.field, value) == nil && m.cured(changed)
	}
	i := sort.Search(count, func(i int) bool { _, ok := at(i); return ok })
	if i == count {
		return Fix{}, "", false
	}
	value, _ := at(i)
	by := math.Abs(first + direction*float64(i) - m.from/m.step.size)
	return Fix{m.field, value}, fmt.Sprintf(m.say, m.step.write(by), value), true
}
