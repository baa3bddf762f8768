package bootclock

import (
	"os"
	"strings"
	"sync"
	"time"

	"golang.org/x/sys/unix"
)

// worstError is the most that the kernel lets its estimate of the clock's error grow to; then it calls the clock
// unsynchronised: NTP_PHASE_LIMIT of the kernel's include/linux/timex.h, 16 s, in us (from memory).
const worstError = 16_000_000

// Read reads the machine's clocks.
func Read() Reading {
	r := Reading{Boot: boot(), Trusted: synchronised()}
	var since unix.Timespec
	// CLOCK_BOOTTIME is as old as Linux 2.6.39 and reading it does not fail.
	if err := unix.ClockGettime(unix.CLOCK_BOOTTIME, &since); err != nil {
		return ofProcess()
	}
	r.Wall = time.Now().Round(0)
	r.SinceBoot = time.Duration(since.Nano())
	return r
}

// boot is the kernel's id of this boot, see random(4).
var boot = sync.OnceValue(func() string {
	id, err := os.ReadFile("/proc/sys/kernel/random/boot_id")
	if err != nil {
		return ofProcess().Boot
	}
	return strings.TrimSpace(string(id))
})

// synchronised asks the kernel whether something keeps its clock right, see adjtimex(2). Where asking is forbidden the
// answer is no: then a phone's clock decides, and does no harm if the machine's was right.
func synchronised() bool {
	var now unix.Timex
	state, err := unix.Adjtimex(&now)
	return err == nil && believable(state, int64(now.Status), int64(now.Maxerror))
}

func believable(state int, status, maxError int64) bool {
	return state != unix.TIME_ERROR && status&unix.STA_UNSYNC == 0 && maxError < worstError
}
