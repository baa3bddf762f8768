package main

import (
	"bufio"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
)

// What the daemon says may go to a program that ends before it, at the same Ctrl-C: that must not end the daemon
// before it has disarmed and closed its record.
func TestDaemonOutlivesWhoReadsIt(t *testing.T) {
	run := exec.Command(os.Args[0], "--listen", "127.0.0.1:0", "--name", "", "--journal",
		filepath.Join(t.TempDir(), "journal.db"))
	run.Env = append(os.Environ(), runEnv+"=1")
	reader, writer, err := os.Pipe()
	require.NoError(t, err)
	run.Stdout, run.Stderr = writer, writer
	require.NoError(t, run.Start())
	require.NoError(t, writer.Close())
	ended := make(chan error, 1)
	t.Cleanup(func() { _ = run.Process.Kill() })
	page := ""
	for lines := bufio.NewScanner(reader); page == "" && lines.Scan(); {
		if found := saysPage.FindStringSubmatch(lines.Text()); found != nil {
			page = found[1]
		}
	}
	require.NotEmpty(t, page)
	require.NoError(t, reader.Close())
	go func() { ended <- run.Wait() }()

	for range 3 {
		request, err := http.NewRequest("POST", page+"/pair", strings.NewReader(`{"code":"000000"}`))
		require.NoError(t, err)
		request.Header.Set("Origin", page)
		request.Header.Set("Content-Type", "application/json")
		answer, err := http.DefaultClient.Do(request)
		require.NoError(t, err)
		answer.Body.Close()
	}
	require.NoError(t, run.Process.Signal(unix.SIGTERM))
	require.NoError(t, <-ended)
}
