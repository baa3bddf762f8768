// Package bootclock says which boot of the machine this is, how long ago that was, and whether the machine's date can
// be believed. A small board has no clock battery: after a power cut it starts in 1970, or at the time it was last shut
// down, until the network tells it better. The time since the boot is right all the same.
package bootclock

import (
	"crypto/rand"
	"sync"
	"time"
)

// Reading is one instant as the machine sees it.
type Reading struct {
	Boot      string        // names this boot of this machine and no other
	SinceBoot time.Duration // sleep included; never set or stepped
	Wall      time.Time     // what the machine's clock says
	Trusted   bool          // the system keeps its clock to one that is right
}

// Origin is the date of the boot, if the machine's clock is right.
func (r Reading) Origin() time.Time { return r.Wall.Add(-r.SinceBoot) }

// Back is the reading of a moment that long ago.
func (r Reading) Back(ago time.Duration) Reading {
	r.SinceBoot -= ago
	r.Wall = r.Wall.Add(-ago)
	return r
}

// process names this run of the program, for machines that do not name their boots.
var process = sync.OnceValues(func() (string, time.Time) { return "process-" + rand.Text(), time.Now() })

// ofProcess reads the program's own clock.
func ofProcess() Reading {
	name, started := process()
	now := time.Now()
	return Reading{Boot: name, SinceBoot: now.Sub(started), Wall: now.Round(0), Trusted: true}
}
