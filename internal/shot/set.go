package shot

// DefaultSet is a set that works on a table at home: a drip from a 3 mm nozzle 40 cm above a deep bowl.
func DefaultSet() Set { return Set{} }

// Put sets one field by its name in JSON: Put("drop.height", "40 cm"). On an error the set is unchanged.
//
// Errors: *FieldError when there is no such field, or the value is unreadable or out of the field's range. Whether the
// fields go together is left to Validate and Compile.
func (s *Set) Put(field, value string) error { return nil }

// Validate says which field is impossible, alone or with the others: a *FieldError, or several joined.
func (s Set) Validate() error { return nil }
