package shot

import (
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
)

// Change is a field that two sets have with different values, as text.
type Change struct{ Field, From, To string }

// Adoption is a set with the values of one that was stored.
type Adoption struct {
	Set     Set
	Changes []Change      // from what the set was before
	Refused []*FieldError // stored values that are not possible; the set keeps its own
	Unknown []string      // stored fields that there are not
	Missing []string      // fields that are not stored; the set keeps its own
}

// Adopt takes over each field that it can of a set stored as JSON. It is an error only if that is not a set at all.
func (s Set) Adopt(stored string) (Adoption, error) {
	unknown, missing, err := CompareFields(stored)
	if err != nil {
		return Adoption{}, err
	}
	var nested map[string]any
	if err := json.Unmarshal([]byte(stored), &nested); err != nil {
		return Adoption{}, err
	}
	a := Adoption{Set: s, Unknown: unknown, Missing: missing}
	values := map[string]any{}
	flatten(values, "", nested)
	for _, name := range slices.Sorted(maps.Keys(values)) {
		if slices.Contains(unknown, name) {
			continue
		}
		err := a.Set.putStored(name, values[name])
		if refused := new(FieldError); errors.As(err, &refused) {
			a.Refused = append(a.Refused, refused)
		}
	}
	a.Changes = s.Changes(a.Set)
	return a, nil
}

// putStored is Put for a value in JSON.
func (s *Set) putStored(name string, value any) error {
	switch v := value.(type) {
	case string:
		return s.Put(name, v)
	case float64:
		return s.put(name, func(f field) error {
			text := strconv.FormatFloat(v, 'f', -1, 64)
			if f.stored != nil {
				return f.stored([]byte(text))
			}
			return f.parse(text)
		})
	}
	return &FieldError{Field: name, Why: shortened(fmt.Sprintf("%v is not one of its values", value)),
		Remedy: "type it again"}
}

// Changes lists what would have to be changed to make s another set.
func (s Set) Changes(to Set) (changes []Change) {
	after := to.Values()
	for i, before := range s.Values() {
		if before.Text != after[i].Text {
			changes = append(changes, Change{before.Field, before.Text, after[i].Text})
		}
	}
	return changes
}

// Uses reports whether a field has a part in a shot of a set of that kind.
func (k Kind) Uses(field string) bool {
	group, rest, _ := strings.Cut(field, ".")
	return group == "kind" || group == "light" || group == string(k) || group == "trim" && rest == string(k) ||
		group == "beam" && k != Sound
}

// Shown lists the values that a record shows: those that the set's kind uses, and of the beam's slit, camera, flash,
// room and background those that are not as usual.
func (s Set) Shown() []Value {
	usual := map[Value]bool{}
	for _, v := range DefaultSet().Values() {
		usual[v] = true
	}
	var shown []Value
	for _, v := range s.Values() {
		group, _, _ := strings.Cut(v.Field, ".")
		optional := group == "camera" || group == "flash" || group == "room" || group == "background"
		if group == "beam" && usual[v] {
			continue
		}
		if s.Kind.Uses(v.Field) || optional && !usual[v] {
			shown = append(shown, v)
		}
	}
	return shown
}
