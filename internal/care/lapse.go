package care

import "time"

// MaxIdle is how long ticks hold without a shot: a break in which others may have been at the leads. Common practice,
// no source.
const MaxIdle = 4 * time.Hour

// EveningOver reports whether the evening that a list was ticked in is over, so that the next one begins with an empty
// list: nothing was ticked or shot for MaxIdle, or nobody knows for how long. An evening goes on past midnight.
func EveningOver(idle time.Duration, known bool) bool { return !known || idle >= MaxIdle }

// Ticks is when the cautions were ticked and the last shot was made, as times since the machine's boot, which no one
// sets.
type Ticks struct {
	First    time.Duration // the first of those that are ticked
	LastShot time.Duration // 0: none
}

// LapseReason returns why the ticks have expired, as a clause after "because", or "" while they hold: on the day on
// which the first was made, by the machine's date, and until MaxIdle after it and after the last shot. Date is zero for
// a machine whose clock is not set: then hours alone count.
func (t Ticks) LapseReason(sinceBoot time.Duration, date time.Time) string {
	ticked := date.Add(t.First - sinceBoot)
	switch {
	case !date.IsZero() && (date.YearDay() != ticked.YearDay() || date.Year() != ticked.Year()):
		return "a new day has begun"
	case sinceBoot-max(t.First, t.LastShot) >= MaxIdle:
		return "there was no shot for four hours"
	}
	return ""
}
