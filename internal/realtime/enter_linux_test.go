package realtime

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"runtime"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
)

// The test binary plays the board process, since Enter is for a whole process and for good.
func TestMain(m *testing.M) {
	name := os.Getenv("STILLWATER_PART")
	if name == "" {
		os.Exit(m.Run())
	}
	parts[name]()
}

var parts = map[string]func(){
	"granted": granted,
	// poor has no capability and may not lock a page.
	"poor": func() { dropAll(0); poor() },
	// capped may lock as much as is usual, which a Go program soon exceeds.
	"capped": func() { dropAll(8 << 20); poor() },
	// alone has one processor for all its threads.
	"alone": alone,
}

func runPart(t *testing.T, part string) string {
	cmd := exec.CommandContext(t.Context(), os.Args[0])
	cmd.Env = append(os.Environ(), "STILLWATER_PART="+part)
	out, err := cmd.CombinedOutput()
	require.NoError(t, err, "%s", out)
	return string(out)
}

// granted prints what the kernel reports of the thread.
func granted() {
	thread := Enter(Want{Priority: 7, CPU: 0})
	fmt.Println(thread.Report)
	attr, err := unix.SchedGetAttr(0, 0)
	fmt.Println("kernel:", attr.Policy == unix.SCHED_FIFO, attr.Priority, err)
	var set unix.CPUSet
	fmt.Println("processors:", unix.SchedGetaffinity(0, &set), set.Count(), set.IsSet(0))
	status, _ := os.ReadFile("/proc/self/status")
	for line := range strings.Lines(string(status)) {
		if strings.HasPrefix(line, "VmLck:") || strings.HasPrefix(line, "VmRSS:") {
			fmt.Print(line)
		}
	}
	there := make(chan bool)
	for range 20 { // threads that were there before, and new ones
		go func() { runtime.LockOSThread(); there <- true; select {} }()
	}
	for range 20 {
		<-there
	}
	threads, _ := os.ReadDir("/proc/self/task")
	of := map[string]int{}
	for _, thread := range threads {
		id, _ := strconv.Atoi(thread.Name())
		attr, err := unix.SchedGetAttr(id, 0)
		of[fmt.Sprint(attr.Policy == unix.SCHED_FIFO, " ", attr.Priority, " ", err)]++
	}
	fmt.Println("threads:", len(threads) > 20, of)
	armedWork(thread)
}

// armedWork makes garbage and counts collections.
func armedWork(thread *Thread) {
	var before, armed, after runtime.MemStats
	runtime.ReadMemStats(&before)
	thread.Arm()
	for range 200 {
		rubbish = make([]byte, 200_000)
	}
	runtime.ReadMemStats(&armed)
	latency, err := os.ReadFile(latencyDevice) // the least that any process demands, as 32 bits
	fmt.Println("idle latency while armed:", latency, err)
	thread.Disarm()
	runtime.ReadMemStats(&after)
	fmt.Println("collections while armed:", armed.NumGC-before.NumGC, "after:", after.NumGC-armed.NumGC)
	for range 2000 { // four times the guard
		rubbish = make([]byte, 200_000)
	}
	runtime.ReadMemStats(&armed)
	fmt.Println("the guard collected:", armed.NumGC > after.NumGC)
	fmt.Println("closed:", thread.Close(), thread.Close())
}

var rubbish []byte

// dropAll drops every capability, and the right to lock more than memory.
func dropAll(memory uint64) {
	head := unix.CapUserHeader{Version: unix.LINUX_CAPABILITY_VERSION_3}
	var none [2]unix.CapUserData
	runtime.LockOSThread() // Enter and Probe look at this thread and at new ones, which inherit from it or from another
	if err := unix.Capset(&head, &none[0]); err != nil {
		panic(err)
	}
	for resource, most := range map[int]uint64{unix.RLIMIT_RTPRIO: 0, unix.RLIMIT_MEMLOCK: memory} {
		if err := unix.Setrlimit(resource, &unix.Rlimit{Cur: most, Max: most}); err != nil {
			panic(err)
		}
	}
}

func poor() {
	thread := Enter(Want{Priority: 60, CPU: 1000})
	fmt.Println(thread.Report)
	work()
}

// work is more memory and more threads than a process starts with.
func work() {
	for range 100 {
		rubbish = make([]byte, 2_000_000)
		for i := 0; i < len(rubbish); i += 4096 {
			rubbish[i] = 1
		}
	}
	done := make(chan bool)
	for range 20 {
		go func() { runtime.LockOSThread(); done <- true }()
	}
	for range 20 {
		<-done
	}
	fmt.Println("alive")
}

// alone wakes up often, as an armed board does, with all its threads on one processor. If the thread spins without end,
// the kernel ends the process, by the time that it used and not by any clock.
func alone() {
	var first unix.CPUSet
	first.Set(0)
	threads, _ := os.ReadDir("/proc/self/task")
	for _, thread := range threads {
		id, _ := strconv.Atoi(thread.Name())
		if err := unix.SchedSetaffinity(id, &first); err != nil {
			panic(err)
		}
	}
	const second = 1_000_000 // of a real-time thread that never waits, in us
	if err := unix.Setrlimit(unix.RLIMIT_RTTIME, &unix.Rlimit{Cur: second, Max: second}); err != nil {
		panic(err)
	}
	fmt.Println(Enter(Want{Priority: 7, CPU: -1}).Report)
	never := make([]int, 2)
	if err := unix.Pipe(never); err != nil {
		panic(err)
	}
	w, err := NewWaiter(context.Background(), never[0])
	if err != nil {
		panic(err)
	}
	clock, err := NewClock()
	if err != nil {
		panic(err)
	}
	const wakes = 40_000
	for range wakes {
		if _, err := w.Sleep(clock.Ns()+int64(20*time.Microsecond), false); err != nil {
			panic(err)
		}
	}
	fmt.Println("wakes:", wakes)
}

// On a machine with one processor the board's thread never waits for a thread that cannot run because of it.
func TestOneProcessor(t *testing.T) {
	out := runPart(t, "alone")
	assert.Contains(t, out, "wakes: 40000")
}

// The report agrees with the kernel, wherever the test runs.
func TestEnterIsWhatItSays(t *testing.T) {
	out := runPart(t, "granted")
	t.Log(out)
	report, _, _ := strings.Cut(out, "\n")
	if strings.Contains(report, "real-time priority 7") {
		assert.Contains(t, out, "kernel: true 7 <nil>")
		assert.Regexp(t, `threads: true map\[true 7 <nil>:\d+\]`, out, "all have the board's")
	} else {
		assert.Contains(t, out, "no real-time priority 7: ")
		assert.Contains(t, out, "kernel: false")
	}
	assert.Contains(t, out, "processors: <nil> 1 true")
	if strings.Contains(report, "memory locked") {
		assert.NotContains(t, out, "VmLck:\t       0 kB")
	}
	if strings.Contains(report, "kept from deep idle") {
		assert.Contains(t, out, "idle latency while armed: [0 0 0 0] <nil>")
	}
	assert.Contains(t, out, "collections while armed: 0 after: 1")
	assert.Contains(t, out, "the guard collected: true")
	assert.Contains(t, out, "closed: <nil> <nil>")
}

// A process that is granted nothing runs, and reports what to grant.
func TestEnterWithNothingGranted(t *testing.T) {
	out := runPart(t, "poor")
	assert.Contains(t, out, "no real-time priority 60: the limit of this process is 0; give the service LimitRTPRIO=60")
	assert.Contains(t, out, "no processor 1000 for itself to stay on: this process has no such processor; set cpu in")
	assert.Contains(t, out, "no memory locked: the limit of this process is 0 KiB")
	assert.Contains(t, out, "LimitMEMLOCK=infinity")
	assert.Contains(t, out, "alive")
	out = runPart(t, "capped")
	assert.Contains(t, out, "no memory locked: the limit of this process is 8192 KiB")
	assert.Contains(t, out, "alive", "memory is not locked under a limit, or a Go program ends when it exceeds it")
}

// Probe changes nothing.
func TestProbe(t *testing.T) {
	var before, after unix.CPUSet
	require.NoError(t, unix.SchedGetaffinity(0, &before))
	r := Probe(Want{Priority: 60, CPU: 0})
	require.Len(t, r.Grants, 4)
	require.NoError(t, unix.SchedGetaffinity(0, &after))
	assert.Equal(t, before, after)
	for range 50 {
		attr, err := unix.SchedGetAttr(0, 0)
		require.NoError(t, err)
		require.NotEqual(t, uint32(unix.SCHED_FIFO), attr.Policy)
		runtime.Gosched()
	}
	bad := Probe(Want{Priority: 100, CPU: -1})
	assert.Contains(t, bad.String(), "no real-time priority 100: the system has priorities from 1 to 99; set priority in")
	assert.Len(t, bad.Grants, 3)
	assert.Len(t, Probe(Want{CPU: -1}).Grants, 2, "what is not asked for is not reported")
}

func TestReportWords(t *testing.T) {
	r := Report{Grants: []Grant{{What: "a", OK: true}, {What: "b", Why: "it is late", Remedy: "come earlier"},
		{What: "c", OK: true}}}
	assert.Equal(t, "granted: a, c\nno b: it is late; come earlier", r.String())
	assert.Equal(t, "nothing", Report{}.Granted())
	assert.Len(t, r.Missing(), 1)
}
