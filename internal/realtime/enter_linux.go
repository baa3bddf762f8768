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

// memoryLimit is the memory from which the runtime collects garbage even while armed: a collection costs lateness,
// being killed for lack of memory costs the shot.
const memoryLimit = 96 << 20

// minProcs is the least GOMAXPROCS. With one, the board's goroutine would wait at each wake-up for whichever runs; with
// more, the kernel decides, by priority.
const minProcs = 4

// latencyDevice takes the longest idle exit latency that is acceptable, in microseconds, as 32 bits.
const latencyDevice = "/dev/cpu_dma_latency"

const (
	noLatency  = 0             // an idle state that takes any time to leave is too deep
	anyLatency = math.MaxInt32 // no demand
)

// Thread is the board's thread, as the system granted it.
type Thread struct {
	Report Report
	idle   int // file descriptor of latencyDevice, or -1
	word   [4]byte
}

// Enter makes the calling goroutine's thread the board's for good: it locks the goroutine to the thread, sets real-time
// priority, pins the processor and locks the process's memory. Garbage is collected in Disarm only, or beyond
// memoryLimit. What is refused is in the report and is no error.
func Enter(w Want) *Thread {
	runtime.LockOSThread()
	if runtime.GOMAXPROCS(0) < minProcs {
		runtime.GOMAXPROCS(minProcs)
	}
	debug.SetMemoryLimit(memoryLimit)
	debug.SetGCPercent(-1)
	t := &Thread{idle: -1}
	t.Report.Grants = setUpThread(w)
	if w.Priority > 0 && t.Report.Grants[0].OK {
		raiseOtherThreads(w.Priority)
	}
	t.Report.Grants = append(t.Report.Grants, lockMemory(true))
	fd, grant := openIdle()
	t.idle = fd
	t.Report.Grants = append(t.Report.Grants, grant)
	_ = unix.Prctl(unix.PR_SET_TIMERSLACK, 1, 0, 0, 0) // nanoseconds; without real-time priority it is 50 us
	touchStack()
	return t
}

// Probe reports what Enter would be granted and changes nothing lasting: it asks on a thread of its own, which then
// ends.
func Probe(w Want) Report {
	done := make(chan Report)
	go func() {
		runtime.LockOSThread() // never unlocked: the thread ends with the goroutine
		r := Report{Grants: append(setUpThread(w), lockMemory(false))}
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
func (t *Thread) Arm() { t.setIdleLatency(noLatency) }

// Disarm is called when the board has disarmed: it collects garbage, which takes about a millisecond, and lets the
// processor idle.
func (t *Thread) Disarm() {
	t.setIdleLatency(anyLatency)
	runtime.GC()
	touchStack() // a collection may shrink the stack
}

// Close undoes the process-wide settings except locked memory.
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

func (t *Thread) setIdleLatency(us uint32) {
	if t.idle < 0 {
		return
	}
	binary.NativeEndian.PutUint32(t.word[:], us)
	_, _ = unix.Write(t.idle, t.word[:]) // the device was opened for it; if it fails, nothing else depends on it
}

// stackReserve exceeds the stack that a pass of the board's loop uses.
const stackReserve = 32 << 10

// touchStack grows the goroutine's stack and faults its pages in before they are needed.
//
//go:noinline
func touchStack() byte {
	var room [stackReserve]byte
	for i := 0; i < len(room); i += 1024 {
		room[i] = byte(i)
	}
	return room[len(room)/2]
}

// setUpThread requests what belongs to the calling thread.
func setUpThread(w Want) []Grant {
	var grants []Grant
	if w.Priority > 0 {
		grants = append(grants, grantPriority(w.Priority))
	}
	if w.CPU >= 0 {
		grants = append(grants, pinCPU(w.CPU))
	}
	return grants
}

func grantPriority(priority int) Grant {
	g := Grant{What: fmt.Sprintf("real-time priority %d", priority)}
	switch err := setPriority(0, priority); {
	case err == nil:
		g.OK = true
	case errors.Is(err, unix.EINVAL):
		g.Why, g.Remedy = "the system has priorities from 1 to 99", "set priority in [board] to one of them"
	case hasCapability(unix.CAP_SYS_NICE):
		g.Why = fmt.Sprintf("the system refuses it although the capability is there (%v)", err)
		g.Remedy = "the process's control group may have no real-time share: run it outside a container, or give it one"
	default:
		g.Why = fmt.Sprintf("the limit of this process is %d", softLimit(unix.RLIMIT_RTPRIO))
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

// raiseOtherThreads gives the process's other threads the board's real-time priority too. Each time the runtime takes
// the board's goroutine off its thread, which it does to any that has run for 10 ms by its count, another thread has to
// hand it back: one without priority does so after whatever else the machine is busy with, which can take tens of
// milliseconds. Nor may it be a lower priority: the runtime's monitor marks a goroutine in a system call for a moment,
// and the goroutine's thread, back from the call, spins until the mark has gone. It yields as it spins, but the kernel
// yields to the same priority only: on one processor the monitor would never run again, nor the board. Threads to come
// inherit it.
func raiseOtherThreads(priority int) {
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
				_ = setPriority(id, priority) // it may have ended
				raised[thread.Name()], more = true, true
			}
		}
	}
}

func pinCPU(cpu int) Grant {
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
	if l := softLimit(unix.RLIMIT_MEMLOCK); l != unix.RLIM_INFINITY && !hasCapability(unix.CAP_IPC_LOCK) {
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
		_ = unix.Munlockall() // of a partial lock, if any
		g.OK = false
		g.Why = fmt.Sprintf("the system refuses it (%v)", err)
		g.Remedy = "a kernel from 4.4 on, outside a container, does it"
	}
	return g
}

// openIdle opens latencyDevice. Opening alone demands nothing yet.
func openIdle() (int, Grant) {
	g := Grant{What: "processor kept from deep idle while armed"}
	fd, err := unix.Open(latencyDevice, unix.O_WRONLY|unix.O_CLOEXEC, 0)
	switch {
	case err == nil:
		g.OK = true
		return fd, g
	case errors.Is(err, fs.ErrNotExist):
		g.Why, g.Remedy = "this kernel has no "+latencyDevice, "nothing needs doing: wake-ups may take longer"
	default:
		g.Why = fmt.Sprintf("%s cannot be opened (%v)", latencyDevice, err)
		g.Remedy = "give the service's group the right to write it, by a udev rule, and DeviceAllow=" + latencyDevice + " rw"
	}
	return -1, g
}

// softLimit is a soft limit of the process.
func softLimit(resource int) uint64 {
	var l unix.Rlimit
	if err := unix.Getrlimit(resource, &l); err != nil {
		return 0
	}
	return l.Cur
}

// hasCapability reports whether the process has a capability.
func hasCapability(capability int) bool {
	head := unix.CapUserHeader{Version: unix.LINUX_CAPABILITY_VERSION_3}
	var data [2]unix.CapUserData
	if err := unix.Capget(&head, &data[0]); err != nil {
		return false
	}
	return data[capability/32].Effective>>(capability%32)&1 != 0
}
