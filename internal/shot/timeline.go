package shot

import "time"

// Timeline is a shot to be drawn to scale. Times run from the clock edge, or all from Go; bars with Opening run from
// Go.
type Timeline struct {
	FromGo    bool          // there is no clock edge
	Delay     time.Duration // from the edge to the moment
	Low, High time.Duration // the band the moment may fall in
	Marks     []Mark        // in order of time
	Bars      []Bar
}

// Mark is one instant: "gate", "sound", "edge", "surface", "moment"; of drops on command also "Go", "column" and
// "meeting".
type Mark struct {
	Name string
	At   time.Duration
}

// Bar is one pulse, or how long a flash is lit.
type Bar struct {
	Name     string
	From, To time.Duration
	Opening  bool
	Light    bool // From and To are the flash's light, not its contact
}
