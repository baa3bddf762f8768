package main

import (
	"bufio"
	"fmt"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"stillwater/internal/control"
	"stillwater/internal/journal"
	"stillwater/internal/record"
	"stillwater/internal/shot"
)

// BenchmarkStart is the program as it is delivered, from exec to the first page served, with a new journal each time,
// and the memory it then holds.
func BenchmarkStart(b *testing.B) {
	program := buildProgram(b)
	var resident float64 // kB, the most
	for b.Loop() {
		run, d := startProgram(b, program, newJournal(b))
		answer, err := http.Get(d.url + "/")
		require.NoError(b, err)
		answer.Body.Close()
		b.StopTimer()
		resident = max(resident, residentKB(b, run.Process.Pid))
		require.Zero(b, d.stop())
		b.StartTimer()
	}
	b.ReportMetric(b.Elapsed().Seconds()*1e3/float64(b.N), "ms/start")
	b.ReportMetric(resident/1e3, "MB-resident")
}

// BenchmarkLargeRecord is the program as it is delivered with 100,000 shots in one session: from exec to the first page
// served, and each command that reads them; and the most memory that each took.
func BenchmarkLargeRecord(b *testing.B) {
	program, path := buildProgram(b), largeRecord(b, 100_000)
	measure := func(name string, run func(b *testing.B) (time.Duration, *os.ProcessState)) {
		b.Run(name, func(b *testing.B) {
			var took []time.Duration
			var most int64 // kB
			for b.Loop() {
				time, ended := run(b)
				require.True(b, ended.Success(), "%s", ended)
				took = append(took, time)
				most = max(most, reflect.ValueOf(ended.SysUsage()).Elem().FieldByName("Maxrss").Int())
			}
			reportQuantiles(b, took)
			b.ReportMetric(float64(most)/1e3, "MB-most")
		})
	}
	measure("start", func(b *testing.B) (time.Duration, *os.ProcessState) {
		began := time.Now()
		run, d := startProgram(b, program, path)
		answer, err := http.Get(d.url + "/")
		require.NoError(b, err)
		took := time.Since(began)
		answer.Body.Close()
		d.stop()
		return took, run.ProcessState
	})
	for _, args := range []string{"list", "show 1", "export --format json", "export --format csv"} {
		measure(args, func(b *testing.B) (time.Duration, *os.ProcessState) {
			began := time.Now()
			command := exec.Command(program, strings.Fields("record "+args+" --journal "+path)...)
			require.NoError(b, command.Run())
			return time.Since(began), command.ProcessState
		})
	}
}

// largeRecord is a journal with one session of so many shots. Each goes to the disk by itself: TMPDIR in memory spares
// minutes.
func largeRecord(b *testing.B, shots int) (path string) {
	path = newJournal(b)
	j, err := journal.Open(b.Context(), path)
	require.NoError(b, err)
	require.NoError(b, j.Verify(b.Context()))
	set := setText(b, shot.DefaultSet())
	start := time.Date(2026, 11, 24, 20, 30, 0, 0, time.UTC)
	s, err := j.NewSession(b.Context(), record.Session{Name: "Long", Started: start, Set: set,
		When: record.When{Boot: "b"}})
	require.NoError(b, err)
	for i := range shots {
		since := time.Duration(i) * time.Second
		_, err := j.Add(b.Context(), record.Shot{Session: s.ID, At: start.Add(since), Status: record.StatusDone, Set: set,
			Program: `{"program": "` + strings.Repeat("00", 750) + `"}`,
			When:    record.When{Boot: "b", Wall: start.Add(since), SinceBoot: since}, DelayNs: 90e6})
		require.NoError(b, err)
	}
	require.NoError(b, j.Close())
	b.ResetTimer()
	return path
}

// BenchmarkFiftyPhones is the program as it is delivered with fifty phones that look on: from a tap on arm until the
// answer and the snapshot that says armed are there, the memory, and what an arming and a disarming send to a phone.
func BenchmarkFiftyPhones(b *testing.B) {
	run, d := startProgram(b, buildProgram(b), newJournal(b))
	defer func() { require.Zero(b, d.stop()) }()
	var bytes atomic.Int64
	for range 50 {
		phone := d.enter(d.cookie())
		phone.conn.SetReadDeadline(time.Time{})
		go func() {
			for {
				_, data, err := phone.conn.ReadMessage()
				if err != nil {
					return
				}
				bytes.Add(int64(len(data)))
			}
		}()
	}
	h := d.pair()
	h.ready()
	for range 20 { // as many shots as a snapshot has
		h.anyShot()
	}
	whole := wholeSnapshot(b, d)
	var took []time.Duration
	before := bytes.Load()
	for b.Loop() {
		start := time.Now()
		h.arm(1)
		took = append(took, time.Since(start))
		b.StopTimer()
		h.must(control.Command{Type: "disarm"})
		h.until("safe", inState(control.Safe))
		time.Sleep(120 * time.Millisecond) // stay below the limit on messages
		b.StartTimer()
	}
	b.ReportMetric(float64(bytes.Load()-before)/50/float64(b.N), "bytes/phone")
	b.ReportMetric(float64(whole), "bytes-whole")
	reportQuantiles(b, took)
	b.ReportMetric(residentKB(b, run.Process.Pid)/1e3, "MB-resident")
}

// wholeSnapshot is how many bytes a phone is sent that connects.
func wholeSnapshot(b *testing.B, d *daemonRun) int {
	b.Helper()
	_, data, err := d.enter(d.cookie()).conn.ReadMessage()
	require.NoError(b, err)
	return len(data)
}

// reportQuantiles reports the median, the 99th percentile and the longest.
func reportQuantiles(b *testing.B, took []time.Duration) {
	slices.Sort(took)
	ms := func(d time.Duration) float64 { return float64(d.Microseconds()) / 1000 }
	b.ReportMetric(ms(took[(len(took)-1)*50/100]), "p50-ms")
	b.ReportMetric(ms(took[(len(took)-1)*99/100]), "p99-ms")
	b.ReportMetric(ms(took[len(took)-1]), "most-ms")
}

func buildProgram(b *testing.B) string {
	b.Helper()
	program := filepath.Join(b.TempDir(), "stillwater")
	built, err := exec.Command("go", "build", "-o", program, ".").CombinedOutput()
	require.NoError(b, err, "%s", built)
	return program
}

// newJournal is where none is yet.
func newJournal(b *testing.B) string {
	return filepath.Join(b.TempDir(), fmt.Sprint(time.Now().UnixNano()), "journal.db")
}

// startProgram starts it and waits until it says where the page is.
func startProgram(b *testing.B, program, journal string) (*exec.Cmd, *daemonRun) {
	b.Helper()
	run := exec.Command(program, "--listen", "127.0.0.1:0", "--name", "", "--journal", journal)
	says, err := run.StdoutPipe()
	require.NoError(b, err)
	require.NoError(b, run.Start())
	d := &daemonRun{t: b, stop: func() int {
		run.Process.Signal(unix.SIGTERM)
		run.Wait()
		return run.ProcessState.ExitCode()
	}}
	for lines := bufio.NewScanner(says); d.url == "" || d.code == ""; {
		require.True(b, lines.Scan(), "the program ended")
		if found := saysPage.FindStringSubmatch(lines.Text()); found != nil {
			d.url = found[1]
		}
		if found := saysCode.FindStringSubmatch(lines.Text()); found != nil {
			d.code = found[1]
		}
	}
	return run, d
}

// residentKB is the memory of a process, once it has come to rest.
func residentKB(b *testing.B, pid int) float64 {
	time.Sleep(300 * time.Millisecond)
	status, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	require.NoError(b, err)
	_, after, ok := strings.Cut(string(status), "VmRSS:")
	require.True(b, ok)
	var kB float64
	_, err = fmt.Sscan(after, &kB)
	require.NoError(b, err)
	return kB
}
