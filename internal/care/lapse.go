package care

import "time"

// MaxIdle is how long ticks hold without a shot: a break in which others may have been at the leads. Common practice,
// no source.
const MaxIdle = 4 * time.Hour

// Ticks is when the cautions were ticked and the last shot was made, as times since the machine's boot, which no one
// sets.
type Ticks struct {
	First    time.Duration // the first of those that are ticked
	LastShot time.Duration // 0: none
}

// Lapsed says why ticks no longer hold, to go on after "because"; "" they do. They hold on the day on which the first
// was made, by the machine's date, and until MaxIdle after it and after the last shot. Date is zero for a machine whose
// clock is not set: then hours alone count.
func (t Ticks) Lapsed(sinceBoot time.Duration, date time.Time) string {
	ticked := date.Add(t.First - sinceBoot)
	switch {
	case !date.IsZero() && (date.YearDay() != ticked.YearDay() || date.Year() != ticked.Year()):
		return "a new day has begun"
	case sinceBoot-max(t.First, t.LastShot) >= MaxIdle:
		return "there was no shot for four hours"
	}
	return ""
}
