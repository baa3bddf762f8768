package config

import (
	"errors"
	"net"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stillwater/internal/wire"
	"stillwater/internal/wiring"
)

// Each thing wrong is said with its place and remedy, all of them in few words. What is accepted keeps every limit, and
// is refused once there is a key in it that is not known.
func FuzzParse(f *testing.F) {
	f.Add(head + beam + flash)
	f.Add(serial)
	f.Add("board = { kind = \"gpio\", output = [ { } ] }\n")
	f.Add("[[board.input]]\n[board.input.x]\na.b = [1, {c=2}]\n")
	f.Add("\ufefflisten = \"\xff\"")
	example, err := os.ReadFile("testdata/stillwater.toml")
	require.NoError(f, err)
	f.Add(string(example[:min(len(example), 1500)]))
	f.Fuzz(func(t *testing.T, text string) {
		c, err := Parse("x.toml", []byte(text))
		if err != nil {
			wrong(t, err, text)
			return
		}
		require.Equal(t, "x.toml", c.Path)
		limits(t, c)
		again, err := Parse("x.toml", []byte(text))
		require.NoError(t, err)
		require.Equal(t, c, again)
		if len(text) > maxBytes-20 {
			return
		}
		_, err = Parse("x.toml", []byte("nobody_knows = 1\n"+strings.TrimPrefix(text, "\ufeff")))
		require.ErrorContains(t, err, `x.toml:1:1: unknown key "nobody_knows"`)
	})
}

// wrong looks at each of the errors.
func wrong(t *testing.T, err error, text string) {
	t.Helper()
	require.LessOrEqual(t, len(err.Error()), readableBytes)
	all := []error{err}
	if joined, ok := err.(interface{ Unwrap() []error }); ok {
		all = joined.Unwrap()
	}
	require.LessOrEqual(t, len(all), readableErrors)
	for _, one := range all {
		var e *Error
		require.True(t, errors.As(one, &e), "%v (%T)", one, one)
		require.NotEmpty(t, e.What)
		require.NotEmpty(t, e.Remedy)
		require.True(t, e.Line >= 0 && e.Line <= strings.Count(text, "\n")+1, "%v", e)
		require.True(t, e.Column >= 0 && e.Column <= len(text)+1, "%v", e)
	}
}

// limits checks what the rest of the program relies on.
func limits(t *testing.T, c Config) {
	t.Helper()
	_, port, err := net.SplitHostPort(c.Listen)
	require.NoError(t, err)
	_, err = strconv.ParseUint(port, 10, 16)
	require.NoError(t, err)
	within := func(d, low, high time.Duration) { t.Helper(); require.True(t, d >= low && d <= high, "%v", d) }
	within(c.Control.Grace, minDisarmAfter, maxGrace)
	within(c.Control.ArmFor, minDisarmAfter, maxArmFor)
	b := c.Board
	within(b.Late, time.Microsecond, maxLate)
	within(b.HoldOff, 0, maxHoldOff)
	require.LessOrEqual(t, len(b.Inputs), wire.MaxPins)
	require.LessOrEqual(t, len(b.Outputs), wire.MaxPins)
	names, lines := map[string]bool{}, map[string]bool{}
	once := func(name string, l wiring.Line) {
		t.Helper()
		require.False(t, names[name], "two are called %q", name)
		_, err := wire.MakeName(name)
		require.NoError(t, err)
		names[name] = true
		if b.Kind == GPIO {
			require.NotEqual(t, wiring.Line{}, l)
			require.False(t, lines[lineKey(l)], "%v is taken twice", l)
			lines[lineKey(l)] = true
		}
	}
	for _, in := range b.Inputs {
		once(in.Name, in.Line)
		within(in.Debounce, 0, maxDelay)
		within(in.Delay, 0, maxDelay)
	}
	for _, out := range b.Outputs {
		once(out.Name, out.Line)
		within(out.Delay, 0, maxDelay)
		if b.Kind == GPIO {
			within(out.LongestOn, time.Microsecond, maxOnTime)
		}
	}
}
