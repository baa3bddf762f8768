// Package servicetest is a service manager's end of the notification socket. For tests only.
package servicetest

import (
	"fmt"
	"net"
	"path/filepath"
	"testing"
	"time"

	"stillwater/internal/service"
)

// Manager is a service manager whose watchdog expects a keep-alive within timeout, and its socket.
func Manager(t testing.TB, timeout time.Duration) (*service.Manager, *net.UnixConn) {
	t.Helper()
	path := filepath.Join(t.TempDir(), "notify")
	conn, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: path, Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	m, err := service.Find(func(name string) string {
		return map[string]string{"NOTIFY_SOCKET": path, "WATCHDOG_USEC": fmt.Sprint(timeout.Microseconds())}[name]
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { m.Close() })
	return m, conn
}
