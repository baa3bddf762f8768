package service

import (
	"os"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// The watchdog's time is the manager's if positive, or none, or an error that names the variable.
func FuzzWatchdog(f *testing.F) {
	isPrivate := strconv.Itoa(os.Getpid())
	for _, seed := range []string{"30000000", "0", "-1", "1e6", "9223372036854775807", "", "٣"} {
		f.Add(seed, isPrivate)
		f.Add(seed, "1")
	}
	f.Fuzz(func(t *testing.T, usec, pid string) {
		period, err := watchdog(func(key string) string {
			return map[string]string{"WATCHDOG_USEC": usec, "WATCHDOG_PID": pid}[key]
		})
		switch {
		case err != nil:
			require.ErrorContains(t, err, "WATCHDOG_USEC=")
			require.Zero(t, period)
		case period != 0:
			require.Positive(t, period)
			require.Equal(t, strings.TrimLeft(usec, "+0"), strconv.FormatInt(period.Microseconds(), 10))
			require.Zero(t, period%time.Microsecond)
		default:
			require.True(t, usec == "" || pid != "" && pid != isPrivate, "no time of %q for %q", usec, pid)
		}
	})
}

// The number of sockets is 0 to maxSockets, and a status stays one line.
func FuzzSocketCount(f *testing.F) {
	for _, seed := range []string{"1", "0", "16", "17", "-1", "", "1\n2", "99999999999999999999"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		n, err := socketCount(text)
		if err != nil {
			require.ErrorContains(t, err, "LISTEN_FDS=")
			require.Zero(t, n)
		} else {
			require.True(t, n >= 0 && n <= maxSockets)
		}
		require.NotContains(t, oneLine(text), "\n")
	})
}
