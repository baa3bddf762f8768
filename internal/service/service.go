// Package service notifies the service manager that started this process, if one did: that the process is ready, what
// it does, that it is alive. It also takes over the sockets opened for it.
//
// Source: sd_notify(3), sd_watchdog_enabled(3) and sd_listen_fds(3), which promise that this protocol is stable.
//
// github.com/coreos/go-systemd/v22, looked at on 2026-11-28 (v22.7.0 of January 2026), would not replace it. Its
// SdNotify opens a socket for each message, allocates, and may wait, which the board's loop must not; so the connection
// stays ours. Its Files takes any number of descriptors of any kind, so the checks stay ours; its SdWatchdogEnabled
// accepts times that overflow. It would save the reading of three variables.
package service

import (
	"fmt"
	"os"
	"strconv"
	"strings"
	"time"
)

// Manager is the service manager. Without one, everything sent is discarded.
type Manager struct {
	socket socket
	period time.Duration
}

// socket sends one message a call, without blocking.
type socket interface {
	send(message []byte) error
	close() error
}

// The messages that a loop sends must not allocate.
var (
	alive    = []byte("WATCHDOG=1")
	stopping = []byte("STOPPING=1")
)

// Find finds the service manager from the process's environment. With an error the Manager discards.
func Find(getenv func(string) string) (*Manager, error) {
	m := &Manager{}
	address := getenv("NOTIFY_SOCKET")
	if address == "" {
		return m, nil
	}
	if address[0] != '/' && address[0] != '@' {
		return m, fmt.Errorf("NOTIFY_SOCKET=%s is neither a path nor begins with @: the service manager is not told "+
			"anything", address)
	}
	period, err := watchdog(getenv)
	if err != nil {
		return m, err
	}
	s, err := connect(address)
	if err != nil {
		return m, fmt.Errorf("NOTIFY_SOCKET=%s: the service manager is not told anything: %w", address, err)
	}
	m.socket, m.period = s, period
	return m, nil
}

// watchdog parses how long the service manager waits for a keep-alive; 0: for ever.
func watchdog(getenv func(string) string) (time.Duration, error) {
	text := getenv("WATCHDOG_USEC")
	if pid := getenv("WATCHDOG_PID"); text == "" || pid != "" && pid != strconv.Itoa(os.Getpid()) {
		return 0, nil
	}
	us, err := strconv.ParseInt(text, 10, 64)
	if err != nil || us <= 0 || us > int64(time.Duration(1<<63-1)/time.Microsecond) {
		return 0, fmt.Errorf("WATCHDOG_USEC=%q is not a number of microseconds", text)
	}
	return time.Duration(us) * time.Microsecond, nil
}

// Watchdog is the longest time between calls of Alive; 0: no limit. Half of it is a good interval.
func (m *Manager) Watchdog() time.Duration { return m.period }

// Alive sends the keep-alive that the watchdog waits for. It does not allocate or block: after an error it should be
// called again soon.
func (m *Manager) Alive() error { return m.send(alive) }

// Ready reports that the process has started, and what it does, in words.
func (m *Manager) Ready(words string) error {
	return m.send([]byte("READY=1\nSTATUS=" + oneLine(words)))
}

// Status reports what the process does, in words.
func (m *Manager) Status(words string) error { return m.send([]byte("STATUS=" + oneLine(words))) }

// Stopping reports that the process is shutting down.
func (m *Manager) Stopping() error { return m.send(stopping) }

// Close ends the connection to the service manager; later reports go nowhere.
func (m *Manager) Close() error {
	if m.socket == nil {
		return nil
	}
	err := m.socket.close()
	m.socket = nil
	return err
}

func (m *Manager) send(message []byte) error {
	if m.socket == nil {
		return nil
	}
	return m.socket.send(message)
}

// oneLine keeps text from being parsed as another message.
func oneLine(words string) string { return strings.ReplaceAll(words, "\n", " ") }

// firstSocketFD is the first descriptor that a service manager passes, SD_LISTEN_FDS_START.
const firstSocketFD = 3

// maxSockets exceeds what this program can use.
const maxSockets = 16

// Listeners are the descriptors of the sockets that the service manager opened for this process, none without one.
func Listeners(getenv func(string) string) ([]int, error) {
	if getenv("LISTEN_PID") != strconv.Itoa(os.Getpid()) {
		return nil, nil
	}
	n, err := socketCount(getenv("LISTEN_FDS"))
	if err != nil {
		return nil, err
	}
	var fds []int
	for fd := firstSocketFD; fd < firstSocketFD+n; fd++ {
		if err := checkListener(fd); err != nil {
			return nil, fmt.Errorf("descriptor %d from the service manager: %w; the unit wants ListenStream= and "+
				"Accept=no", fd, err)
		}
		fds = append(fds, fd)
	}
	return fds, nil
}

// socketCount parses how many sockets were passed.
func socketCount(text string) (int, error) {
	n, err := strconv.Atoi(text)
	if err != nil || n < 0 || n > maxSockets {
		return 0, fmt.Errorf("LISTEN_FDS=%q is not a number of sockets from 0 to %d", text, maxSockets)
	}
	return n, nil
}

// isPrivate reports whether a variable of the environment concerns this process only: one that it starts must not get
// it.
func isPrivate(variable string) bool {
	name, _, _ := strings.Cut(variable, "=")
	switch name {
	case "NOTIFY_SOCKET", "WATCHDOG_USEC", "WATCHDOG_PID", "LISTEN_PID", "LISTEN_FDS", "LISTEN_FDNAMES":
		return true
	}
	return false
}
