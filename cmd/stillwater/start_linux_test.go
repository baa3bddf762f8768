package main

import (
	"bufio"
	"fmt"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
)

// BenchmarkStart is the program as it is delivered, from exec to the first page served, with a new journal each time,
// and the memory it then holds.
func BenchmarkStart(b *testing.B) {
	program := filepath.Join(b.TempDir(), "stillwater")
	built, err := exec.Command("go", "build", "-o", program, ".").CombinedOutput()
	require.NoError(b, err, "%s", built)
	var resident float64 // kB, the most
	for i := 0; b.Loop(); i++ {
		run := exec.Command(program, "--listen", "127.0.0.1:0", "--journal",
			filepath.Join(b.TempDir(), fmt.Sprint(i), "journal.db"))
		says, err := run.StdoutPipe()
		require.NoError(b, err)
		require.NoError(b, run.Start())
		page := ""
		for lines := bufio.NewScanner(says); page == "" && lines.Scan(); {
			if found := saysPage.FindStringSubmatch(lines.Text()); found != nil {
				page = found[1]
			}
		}
		answer, err := http.Get(page + "/")
		require.NoError(b, err)
		answer.Body.Close()
		b.StopTimer()
		resident = max(resident, residentKB(b, run.Process.Pid))
		require.NoError(b, run.Process.Signal(unix.SIGTERM))
		require.NoError(b, run.Wait())
		b.StartTimer()
	}
	b.ReportMetric(b.Elapsed().Seconds()*1e3/float64(b.N), "ms/start")
	b.ReportMetric(resident/1e3, "MB-resident")
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
