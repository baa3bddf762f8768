package realtime

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"runtime"
	"runtime/debug"
	"strconv"
	"strings"

	"golang.org/x/sys/unix"
)

// memoryGuard is how much memory the process may have before the runtime collects garbage after all, armed or not: a
// collection is late, a process that the kernel kills for its memory is later.
const memoryGuard = 96 << 20

// spareProcs is how many goroutines can run at a time at least. On one processor the runtime would let one run, and the
// board's thread would wait, each time it wakes, for whichever that is; so the kernel decides, and by priority.
const spareProcs = 4

// idleDevice keeps the processor out of deep idle while a number of microseconds, as 32 bits, stands in it.
const idleDevice = "/dev/cpu_dma_latency"

const (
	shallow = 0             // an idle state that takes any time to leave is too deep
	deep    = math.MaxInt32 // no demand
)

// Thread is the board's thread, as the system granted it.
type Thread struct {
	Report Report
	idle   int // file descriptor of idleDevice, or -1
	word   [4]byte
}

// Enter makes the calling goroutine's thread the board's, for good: it keeps the goroutine, gets real-time priority and
// its processor, and the process's memory is locked. Garbage is collected in Disarm only, or beyond memoryGuard. What
// is refused is in the report and stops nothing.
func Enter(w Want) *Thread {
	runtime.LockOSThread()
	if runtime.GOMAXPROCS(0) < spareProcs {
		runtime.GOMAXPROCS(spareProcs)
	}
	debug.SetMemoryLimit(memoryGuard)
	debug.SetGCPercent(-1)
	t := &Thread{idle: -1}
	t.Report.Grants = askThread(w)
	if w.Priority > 0 && t.Report.Grants[0].OK {
		raiseOthers(w.Priority)
	}
	t.Report.Grants = append(t.Report.Grants, lockMemory(true))
	fd, grant := openIdle()
	t.idle = fd
	t.Report.Grants = append(t.Report.Grants, grant)
	_ = unix.Prctl(unix.PR_SET_TIMERSLACK, 1, 0, 0, 0) // nanoseconds; without real-time priority it is 50 us
	touchStack()
	return t
}

// Probe says what Enter would be granted, and changes nothing that lasts: it asks on a thread of its own, which then
// ends.
func Probe(w Want) Report {
	done := make(chan Report)
	go func() {
		runtime.LockOSThread() // never unlocked: the thread ends with the goroutine
		r := Report{Grants: append(askThread(w), lockMemory(false))}
		fd, grant := openIdle()
		if fd >= 0 {
			unix.Close(fd)
		}
		r.Grants = append(r.Grants, grant)
		done <- r
	}()
	return <-done
}

// Arm is called when the board arms: from here on the processor stays out of deep idle.
func (t *Thread) Arm() { t.demand(shallow) }

// Disarm is called when the board has disarmed: it collects garbage, which takes about a millisecond, and lets the
// processor idle.
func (t *Thread) Disarm() {
	t.demand(deep)
	runtime.GC()
	touchStack() // a collection may shrink the stack
}

// Close undoes what holds for the whole process except locked memory.
func (t *Thread) Close() error {
	debug.SetGCPercent(100)
	debug.SetMemoryLimit(math.MaxInt64)
	if t.idle < 0 {
		return nil
	}
	fd := t.idle
	t.idle = -1
	return unix.Close(fd)
}

func (t *Thread) demand(us uint32) {
	if t.idle < 0 {
		return
	}
	binary.NativeEndian.PutUint32(t.word[:], us)
	_, _ = unix.Write(t.idle, t.word[:]) // the device was opened for it; a kernel that minds changes nothing else
}

// stackRoom is more stack than a pass of the board's loop uses.
const stackRoom = 32 << 10

// touchStack makes the goroutine's stack large enough, and its pages present, before the moment they are needed.
//
//go:noinline
func touchStack() byte {
	var room [stackRoom]byte
	for i := 0; i < len(room); i += 1024 {
		room[i] = byte(i)
	}
	return room[len(room)/2]
}

// askThread asks for what belongs to the calling thread.
func askThread(w Want) []Grant {
	var grants []Grant
	if w.Priority > 0 {
		grants = append(grants, askPriority(w.Priority))
	}
	if w.CPU >= 0 {
		grants = append(grants, askCPU(w.CPU))
	}
	return grants
}

func askPriority(priority int) Grant {
	g := Grant{What: fmt.Sprintf("real-time priority %d", priority)}
	switch err := setPriority(0, priority); {
	case err == nil:
		g.OK = true
	case errors.Is(err, unix.EINVAL):
		g.Why, g.Remedy = "the system has priorities from 1 to 99", "set priority in [board] to one of them"
	case holds(unix.CAP_SYS_NICE):
		g.Why = fmt.Sprintf("the system refuses it although the capability is there (%v)", err)
		g.Remedy = "the process's control group may have no real-time share: run it outside a container, or give it one"
	default:
		g.Why = fmt.Sprintf("the limit of this process is %d", limit(unix.RLIMIT_RTPRIO))
		g.Remedy = fmt.Sprintf("give the service LimitRTPRIO=%d; for a user, put \"NAME - rtprio %d\" into a file in "+
			"/etc/security/limits.d and log in again", priority, priority)
	}
	return g
}

// setPriority gives a thread of this process, 0 for the calling one, real-time priority.
func setPriority(thread, priority int) error {
	return unix.SchedSetAttr(thread, &unix.SchedAttr{Size: unix.SizeofSchedAttr, Policy: unix.SCHED_FIFO,
		Priority: uint32(priority)}, 0)
}

// raiseOthers gives the process's other threads real-time priority too, one below the board's. Each time the runtime
// takes the board's goroutine off its thread, which it does to any that has run for 10 ms by its count, another thread
// has to hand it back: one without priority does so after whatever else the machine is busy with, which can take tens
// of milliseconds. Threads to come inherit it.
func raiseOthers(priority int) {
	own := strconv.Itoa(unix.Gettid())
	raised := map[string]bool{own: true}
	for more := true; more; {
		more = false
		threads, err := os.ReadDir("/proc/self/task")
		if err != nil {
			return
		}
		for _, thread := range threads {
			if id, err := strconv.Atoi(thread.Name()); err == nil && !raised[thread.Name()] {
				_ = setPriority(id, max(priority-1, 1)) // it may have ended
				raised[thread.Name()], more = true, true
			}
		}
	}
}

func askCPU(cpu int) Grant {
	g := Grant{What: fmt.Sprintf("processor %d for itself to stay on", cpu)}
	var set unix.CPUSet
	set.Set(cpu)
	switch err := unix.SchedSetaffinity(0, &set); {
	case err == nil:
		g.OK = true
	case errors.Is(err, unix.EINVAL):
		g.Why = "this process has no such processor"
		g.Remedy = fmt.Sprintf("set cpu in [board] to one of %s, or leave it out", processors())
	default:
		g.Why, g.Remedy = err.Error(), "leave cpu in [board] out"
	}
	return g
}

// processors lists those the process may use.
func processors() string {
	var set unix.CPUSet
	if err := unix.SchedGetaffinity(os.Getpid(), &set); err != nil {
		return "those in /proc/cpuinfo"
	}
	var list []string
	for cpu := range 1024 {
		if set.IsSet(cpu) {
			list = append(list, strconv.Itoa(cpu))
		}
	}
	return strings.Join(list, ", ")
}

// lockMemory keeps what the process has touched, and will touch, in memory. Under a limit it does not even try: the
// runtime's address space is far larger than what it uses and counts in full, and once a lock of future memory is in
// force, memory beyond the limit is refused, which ends a Go program. Pages are locked as they are touched: all at once
// would fill memory with the runtime's reserves.
func lockMemory(really bool) Grant {
	g := Grant{What: "memory locked"}
	if l := limit(unix.RLIMIT_MEMLOCK); l != unix.RLIM_INFINITY && !holds(unix.CAP_IPC_LOCK) {
		g.Why = fmt.Sprintf("the limit of this process is %d KiB, and only without a limit it is safe", l>>10)
		g.Remedy = "give the service LimitMEMLOCK=infinity; for a user, put \"NAME - memlock unlimited\" into a file in " +
			"/etc/security/limits.d and log in again"
		return g
	}
	g.OK = true
	if !really {
		return g
	}
	if err := unix.Mlockall(unix.MCL_CURRENT | unix.MCL_FUTURE | unix.MCL_ONFAULT); err != nil {
		_ = unix.Munlockall() // of a half-done job, if any
		g.OK = false
		g.Why = fmt.Sprintf("the system refuses it (%v)", err)
		g.Remedy = "a kernel from 4.4 on, outside a container, does it"
	}
	return g
}

// openIdle opens the device by which a process forbids deep idle. Opening alone demands nothing yet.
func openIdle() (int, Grant) {
	g := Grant{What: "processor kept from deep idle while armed"}
	fd, err := unix.Open(idleDevice, unix.O_WRONLY|unix.O_CLOEXEC, 0)
	switch {
	case err == nil:
		g.OK = true
		return fd, g
	case errors.Is(err, fs.ErrNotExist):
		g.Why, g.Remedy = "this kernel has no "+idleDevice, "nothing needs doing: wake-ups may take longer"
	default:
		g.Why = fmt.Sprintf("%s cannot be opened (%v)", idleDevice, err)
		g.Remedy = "give the service's group the right to write it, by a udev rule, and DeviceAllow=" + idleDevice + " rw"
	}
	return -1, g
}

// limit is one of the process's soft limits.
func limit(resource int) uint64 {
	var l unix.Rlimit
	if err := unix.Getrlimit(resource, &l); err != nil {
		return 0
	}
	return l.Cur
}

// holds says whether the process has a capability.
func holds(capability int) bool {
	head := unix.CapUserHeader{Version: unix.LINUX_CAPABILITY_VERSION_3}
	var data [2]unix.CapUserData
	if err := unix.Capget(&head, &data[0]); err != nil {
		return false
	}
	return data[capability/32].Effective>>(capability%32)&1 != 0
}
