// Package bootclock identifies the machine's boot, measures the time since, and reports whether the wall clock is
// synchronised. A small board has no clock battery: after a power cut it starts in 1970, or at the time of its last
// shutdown, until the network sets it. The time since boot is right all the same.
package bootclock

import (
	"crypto/rand"
	"sync"
	"time"
)

// Reading is one instant as the machine sees it.
type Reading struct {
	Boot      string        // unique to this boot of this machine
	SinceBoot time.Duration // including sleep; never set or stepped
	Wall      time.Time     // the machine's wall clock
	Trusted   bool          // Wall is synchronised
}

// Origin is the date of the boot, if the wall clock is right.
func (r Reading) Origin() time.Time { return r.Wall.Add(-r.SinceBoot) }

// Earlier returns the reading as it would have been ago before r.
func (r Reading) Earlier(ago time.Duration) Reading {
	r.SinceBoot -= ago
	r.Wall = r.Wall.Add(-ago)
	return r
}

// process identifies this run of the program, for machines without a boot id.
var process = sync.OnceValues(func() (string, time.Time) { return "process-" + rand.Text(), time.Now() })

// readProcess takes the program's start for the boot.
func readProcess() Reading {
	name, started := process()
	now := time.Now()
	return Reading{Boot: name, SinceBoot: now.Sub(started), Wall: now.Round(0), Trusted: true}
}
