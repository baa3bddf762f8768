package bootclock

import (
	"os"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"stillwater/internal/need"
)

// The kernel's own word for the time since the boot, proc(5), against ours.
func TestAgainstUptime(t *testing.T) {
	before := Read().SinceBoot.Seconds()
	text, err := os.ReadFile("/proc/uptime")
	if err != nil {
		need.Missing(t, "no /proc/uptime")
	}
	after := Read().SinceBoot.Seconds()
	first, _, _ := strings.Cut(string(text), " ")
	up, err := strconv.ParseFloat(first, 64)
	require.NoError(t, err)
	assert.GreaterOrEqual(t, up, before-0.01, "uptime is cut to 10 ms")
	assert.LessOrEqual(t, up, after)
}

// States as the kernel reports them, adjtimex(2): a clock that NTP keeps, one in a leap second, one that was never
// synchronised, one set by hand, one whose NTP was lost for so long that its error has grown to the limit.
func TestBelievable(t *testing.T) {
	for name, c := range map[string]struct {
		state            int
		status, maxError int64
		want             bool
	}{
		"kept by NTP":         {unix.TIME_OK, unix.STA_PLL | unix.STA_NANO, 500_000, true},
		"in a leap second":    {unix.TIME_OOP, unix.STA_PLL | unix.STA_INS, 500_000, true},
		"never set":           {unix.TIME_ERROR, unix.STA_UNSYNC, 16_000_000, false},
		"set by hand":         {unix.TIME_ERROR, unix.STA_UNSYNC | unix.STA_NANO, 16_000_000, false},
		"NTP lost long ago":   {unix.TIME_OK, unix.STA_PLL, 16_000_000, false},
		"said by state alone": {unix.TIME_ERROR, 0, 100, false},
	} {
		assert.Equal(t, c.want, synchronisedState(c.state, c.status, c.maxError), name)
	}
}
