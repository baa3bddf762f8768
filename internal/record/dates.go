package record

import "time"

// When is an instant as the machine had it, and how its date is known. The record gives Number.
type When struct {
	Boot      string        // the system's name of the boot it was in; "" not known
	SinceBoot time.Duration // by a clock that is never set; with the boot's number it orders sessions and shots
	Number    int64         // of the boot, in their order; 0 not known
	Wall      time.Time     // what the machine's clock said
	Dated     Dating
}

// Dating says how a date is known.
type Dating string

// What can be said of a date.
const (
	ByClock  Dating = ""         // the machine's clock said so, and nothing says otherwise
	ByPhone  Dating = "phone"    // the machine's clock was wrong, and a phone's gave the date
	BySystem Dating = "system"   // the machine's clock was wrong then, and right later
	Undated  Dating = "doubtful" // the machine's clock was not set, and nothing has given the date
)

// String says it for people, "" when there is nothing to say.
func (d Dating) String() string {
	switch d {
	case ByPhone:
		return "by a phone's clock"
	case BySystem:
		return "by the machine's clock, set later"
	case Undated:
		return "clock not set"
	}
	return ""
}
