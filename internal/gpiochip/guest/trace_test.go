//go:build guest

package guest

import (
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stillwater/internal/gpiochip"
)

const tracing = "/sys/kernel/tracing"

// record is one line of the kernel's own record of what was done to its GPIO lines.
type record struct {
	At   time.Duration // CLOCK_MONOTONIC, to the microsecond
	Line int           // the chip's base and the line on it
	What string        // "set", "get", or the direction: "in", "out"
	High bool          // for "set" and "get": the level of the line itself
}

// startTrace begins an empty record with stamps of the monotonic clock.
func startTrace(t *testing.T) {
	t.Helper()
	writeFile(t, tracing+"/tracing_on", "0")
	writeFile(t, tracing+"/trace_clock", "mono")
	writeFile(t, tracing+"/events/gpio/enable", "1")
	writeFile(t, tracing+"/trace", "\n")
	writeFile(t, tracing+"/tracing_on", "1")
	t.Cleanup(func() { writeFile(t, tracing+"/events/gpio/enable", "0") })
}

// A line of the record ends in "1.723828: gpio_value: 523 set 0" or "1.723831: gpio_direction: 523 out (0)".
var traceLine = regexp.MustCompile(`\s(\d+)\.(\d{6}): gpio_(?:value|direction):\s+(\d+)\s+(\w+)\s+\(?(-?\d+)\)?$`)

// readTrace is the record so far.
func readTrace(t *testing.T) []record {
	t.Helper()
	return parseTrace(t, readFile(t, tracing+"/trace"))
}

func parseTrace(t *testing.T, trace string) []record {
	t.Helper()
	var records []record
	for text := range strings.Lines(trace) {
		text = strings.TrimSpace(text)
		require.NotContains(t, text, "LOST", "the kernel's record has a hole")
		if text == "" || strings.HasPrefix(text, "#") {
			continue
		}
		m := traceLine.FindStringSubmatch(text)
		require.NotNil(t, m, "a line of the kernel's record is not understood: %s", text)
		number := func(i int) int {
			n, err := strconv.Atoi(m[i])
			require.NoError(t, err, text)
			return n
		}
		records = append(records, record{
			At:   time.Duration(number(1))*time.Second + time.Duration(number(2))*time.Microsecond,
			Line: number(3),
			What: m[4],
			High: m[5] == "1",
		})
	}
	return records
}

// findBase finds the number of the chip's line 0 in the kernel's record, by making it an input.
func (c *chip) findBase() int {
	c.t.Helper()
	startTrace(c.t)
	in, err := gpiochip.OpenInputs("guest", []gpiochip.InputRequest{{Line: c.line(0)}})
	require.NoError(c.t, err)
	require.NoError(c.t, in.Close())
	for _, r := range readTrace(c.t) {
		if r.What == "in" {
			return r.Line
		}
	}
	c.t.Fatal("the kernel's record does not show a line becoming an input")
	return 0
}

// of picks the records of one line of the chip that are of the kinds asked for.
func (c *chip) of(records []record, line int, kinds ...string) []record {
	var picked []record
	for _, r := range records {
		for _, kind := range kinds {
			if r.Line == c.base+line && r.What == kind {
				picked = append(picked, r)
			}
		}
	}
	return picked
}
