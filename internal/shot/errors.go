package shot

import "fmt"

// FieldError reports an impossible value of one field of a Set, and how to write a possible one.
type FieldError struct {
	Field  string // as in Set's JSON, joined by dots: "drop.height"
	Why    string
	Remedy string
}

func (e *FieldError) Error() string { return fmt.Sprintf("%s: %s; %s", e.Field, e.Why, e.Remedy) }

// Refusal reports why a plan whose fields are each possible cannot work as a whole, and what to change.
type Refusal struct {
	Field  string // the field whose change is the first remedy
	Why    string
	Remedy string
	Fixes  []Fix // changes that each make the plan compile, for Set.Put; may be empty
}

func (e *Refusal) Error() string { return fmt.Sprintf("%s; %s", e.Why, e.Remedy) }

// Fix is one change of a Set, or several that are only enough together.
type Fix struct {
	Field, Value string
	Also         []Fix // more changes, after this one; they have none themselves
}

// Put applies a fix. On an error the set is unchanged. Errors: as Set.Put.
func (f Fix) Put(s *Set) error {
	next := *s
	for _, one := range append([]Fix{f}, f.Also...) {
		if err := next.Put(one.Field, one.Value); err != nil {
			return err
		}
	}
	*s = next
	return nil
}

// shortened leaves out the middle of a reason that quotes a long text, so that a page can show it.
func shortened(why string) string {
	const begin, end = 100, 200
	runes := []rune(why)
	if len(runes) <= begin+end {
		return why
	}
	return string(runes[:begin]) + " ... " + string(runes[len(runes)-end:])
}
