package realtime

import "golang.org/x/sys/unix"

// Yield gives the calling thread the least share of a processor that others want, for good: lock the goroutine to it
// and never unlock it. It is not the idle class: a thread that gets nothing at all beside a busy process would hold up
// Go's collector, which waits for each thread, and with it the page.
func Yield() {
	const least = 19
	_ = unix.Setpriority(unix.PRIO_PROCESS, unix.Gettid(), least) // without it the work is only less polite
}
