package bootclock

import (
	"os"
	"strings"
	"sync"
	"time"

	"golang.org/x/sys/unix"
)

// maxClockErrorUs is the estimated error at which the kernel declares the clock unsynchronised: NTP_PHASE_LIMIT of the
// kernel's include/linux/timex.h, 16 s, in us (from memory).
const maxClockErrorUs = 16_000_000

// Read reads the machine's clocks.
func Read() Reading {
	r := Reading{Boot: bootID(), Trusted: synchronised()}
	var since unix.Timespec
	// CLOCK_BOOTTIME is as old as Linux 2.6.39 and reading it does not fail.
	if err := unix.ClockGettime(unix.CLOCK_BOOTTIME, &since); err != nil {
		return readProcess()
	}
	r.Wall = time.Now().Round(0)
	r.SinceBoot = time.Duration(since.Nano())
	return r
}

// bootID is the kernel's id of this boot, see random(4).
var bootID = sync.OnceValue(func() string {
	id, err := os.ReadFile("/proc/sys/kernel/random/boot_id")
	if err != nil {
		return readProcess().Boot
	}
	return strings.TrimSpace(string(id))
})

// synchronised reports whether the kernel's clock is synchronised, see adjtimex(2). Where the call is forbidden the
// answer is no: then a phone's clock decides, which does no harm if the machine's was right.
func synchronised() bool {
	var now unix.Timex
	state, err := unix.Adjtimex(&now)
	return err == nil && synchronisedState(state, int64(now.Status), int64(now.Maxerror))
}

func synchronisedState(state int, status, maxError int64) bool {
	return state != unix.TIME_ERROR && status&unix.STA_UNSYNC == 0 && maxError < maxClockErrorUs
}
