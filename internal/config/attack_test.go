package config

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// What a file of errors may cost its reader.
const (
	readableErrors = maxErrors + 1 // the last one counts the rest
	readableBytes  = 16 << 10
)

// complaints are the lines of a configuration's error.
func complaints(t *testing.T, text string) []string {
	t.Helper()
	_, err := Parse("x.toml", []byte(text))
	require.Error(t, err)
	return strings.Split(err.Error(), "\n")
}

// However much is wrong, the answer can be read, and the first things wrong are in it.
func TestErrorsAreBounded(t *testing.T) {
	many := func(form string, n int) string {
		var b strings.Builder
		for i := range n {
			fmt.Fprintf(&b, form, i)
		}
		return b.String()
	}
	for name, c := range map[string]struct{ text, first string }{
		"unknown keys":            {many("k%d=1\n", 3000), `unknown key "k0"`},
		"keys of unknown tables":  {"[lens]\n" + many("k%d=1\n", 3000), `unknown key "lens"`},
		"unknown tables":          {many("[t%d]\n", 3000), `unknown key "t0"`},
		"unknown lists of tables": {strings.Repeat("[[t]]\na=1\n", 3000), `unknown key "t"`},
		"keys in one line":        {"board = {" + strings.TrimSuffix(many("k%d=1,", 3000), ",") + "}", `"board.k0"`},
		"dotted keys":             {"a" + strings.Repeat(".a", 15000) + "=1", `unknown key "a"`},
		"dotted table":            {"[a" + strings.Repeat(".a", 10000) + "]\n" + many("k%d=1\n", 1000), `unknown key "a"`},
		"empty inputs":            {head + strings.Repeat("[[board.input]]\n", 2000), "inputs are too many"},
		"empty outputs":           {head + strings.Repeat("[[board.output]]\n", 1500), "outputs are too many"},
		"long value":              {"listen = \"" + strings.Repeat("x", 30000) + "\"\n" + head, "is not host:port"},
		"long values": {serial + strings.Repeat("[[board.input]]\nname=\""+strings.Repeat("n", 1500)+"\"\nrole=\""+
			strings.Repeat("r", 1500)+"\"\n", 8), "role"},
		"long key":      {strings.Repeat("k", 30000) + " = 1\n", "unknown key"},
		"long key, bad": {strings.Repeat("k", 30000) + " = \n", "TOML"},
		"twice":         {strings.Repeat(strings.Repeat("k", 15000)+" = 1\n", 2), "written twice"},
		"deep lists":    {"listen = " + strings.Repeat("[", 20000), "x.toml:1:"},
		"deep tables":   {"board = " + strings.Repeat("{a=", 10000), "x.toml:1:"},
		"too long":      {strings.Repeat("# nothing\n", 1<<20), "larger than"},
	} {
		t.Run(name, func(t *testing.T) {
			said := complaints(t, c.text)
			assert.LessOrEqual(t, len(said), readableErrors)
			all := strings.Join(said, "\n")
			assert.Less(t, len(all), readableBytes)
			assert.Contains(t, all, c.first)
		})
	}
	said := complaints(t, many("k%d=1\n", 30))
	assert.Equal(t, "x.toml: 10 more errors follow; correct these first", said[len(said)-1])
}

// Twice as many unknown keys cost twice as much, not four times.
func TestUnknownKeysCostInProportion(t *testing.T) {
	allocations := func(keys int) float64 {
		var text strings.Builder
		for i := range keys {
			fmt.Fprintf(&text, "k%05d=1\n", i)
		}
		return testing.AllocsPerRun(3, func() {
			_, err := Parse("x.toml", []byte(text.String()))
			assert.Error(t, err)
		})
	}
	once, twice := allocations(1500), allocations(3000)
	t.Logf("%.0f and %.0f allocations", once, twice)
	assert.Greater(t, once, 1500.0)
	assert.Less(t, twice, 2.5*once)
}

// BenchmarkUnknownKeys is the time that a file of nothing but mistakes takes.
func BenchmarkUnknownKeys(b *testing.B) {
	var text strings.Builder
	for i := 0; text.Len() < maxBytes-10; i++ {
		fmt.Fprintf(&text, "k%d=1\n", i)
	}
	for b.Loop() {
		_, err := Parse("x.toml", []byte(text.String()))
		require.Error(b, err)
	}
}

// A word that is not known is one mistake; what would follow from it is not said.
func TestOneMistakeOneError(t *testing.T) {
	with := func(text string, oldNew ...string) string { return strings.NewReplacer(oldNew...).Replace(text) }
	second := with(beam, `name = "beam"`, `name = "other"`, "GPIO17", "GPIO4")
	beamDebounced := head + beam + "debounce = \"5 ms\"\n" + flash
	twoShutters := shutter("one", "GPIO23") + with(shutter("two", "GPIO24"), `"shutter"`, `"shuter"`)
	all := head + "socket = \"/run/b.sock\"\ndrive = \"mapped\"\npriority = 3\ncpu = 1\n" +
		"[board.heartbeat]\npin = \"GPIO22\"\n" + valid[len(head):]
	pins := "[[board.input]]\nname = \"beam\"\nrole = \"beam\"\n" +
		"[[board.output]]\nname = \"flash\"\nkind = \"flash\"\n"
	for name, c := range map[string]struct{ text, want string }{
		"kind of a GPIO board":            {with(valid, `"gpio"`, `"gpoi"`), "board.kind"},
		"kind with all its keys":          {with(all, `"gpio"`, `"GPIO"`), "board.kind"},
		"kind of a serial board":          {with(serial, `"serial"`, `"usb"`) + "baud = 57600\n", "board.kind"},
		"kind of a serial board's inputs": {with(serial, `"serial"`, `"usb"`) + pins, "board.kind"},
		"kind of a board with other pins": {with(valid, `"gpio"`, `"simulated"`), "has its own"},
		"kind missing":                    {with(valid, "kind = \"gpio\"\n", ""), "board.kind is missing"},
		"kind, no pins":                   {with(head, `"gpio"`, `"simulatd"`), "board.kind"},
		"board missing":                   {"listen = \":1\"\n", "board.kind is missing"},
		"role":                            {with(beamDebounced, `role = "beam"`, `role = "kil"`), "role"},
		"role of two":                     {head + with(beam, `role = "beam"`, `role = "beem"`) + second + flash, "role"},
		"output kind of two":              {head + twoShutters, "kind"},
		"output kind":                     {with(valid, `kind = "flash"`, `kind = "strobe"`), `kind = "strobe"`},
		"key":                             {with(valid, "pin = \"GPIO24", "pim = \"GPIO2"), "board.output.pim"},
		"empty pin":                       {with(valid, `"GPIO24"`, `""`), "no GPIO line"},
	} {
		t.Run(name, func(t *testing.T) {
			said := complaints(t, c.text)
			assert.Len(t, said, 1, strings.Join(said, "\n"))
			assert.Contains(t, said[0], c.want)
		})
	}
	// What is wrong by itself is said beside it.
	said := complaints(t, strings.NewReplacer(`"gpio"`, `"gpoi"`, `"10 ms"`, `"10"`).Replace(valid))
	assert.Len(t, said, 2)
}

// A text that is written as nothing is not one that is not written.
func TestEmptyTexts(t *testing.T) {
	for text, want := range map[string]string{
		"journal = \"\"\n" + valid: "x.toml:1:1: journal is empty; write it as journal = " +
			`"/var/lib/stillwater/journal.db", or leave it out`,
		"[board]\nkind = \"serial\"\nport = \"\"\n":               "x.toml:3:1: board.port is empty",
		"[board]\nkind = \"serial\"\nport = \"/dev/a\\u0000b\"\n": "x.toml:3:1: board.port",
		"journal = \"a\\nb\"\n" + valid:                           "x.toml:1:1: journal",
		"listen = \"\"\n" + valid:                                 "x.toml:1:1: listen",
		"[board]\nkind = \"gpio\"\nsocket = \"\"\n" + flash:       "x.toml:3:1: board.socket",
		"[board]\nkind = \"\"\n":                                  "x.toml:2:1: board.kind",
	} {
		assert.Contains(t, complaints(t, text)[0], want)
	}
	c, err := Parse("x.toml", []byte("name = \"\"\n"+valid))
	require.NoError(t, err)
	assert.Empty(t, c.Name, "no name is a choice")
}

// Keys are what they are in TOML: LISTEN is another one.
func TestKeysHaveTheirCase(t *testing.T) {
	assert.Contains(t, complaints(t, "Listen = \":1\"\n"+valid)[0], `x.toml:1:1: unknown key "Listen"`)
}

// Editors on other systems write a byte-order mark.
func TestEncodings(t *testing.T) {
	c, err := Parse("x.toml", []byte("\ufeff"+valid))
	require.NoError(t, err)
	assert.Equal(t, GPIO, c.Board.Kind)
	assert.Equal(t, `x.toml:1:1: unknown key "listem"`, complaints(t, "\ufefflistem = 1\n")[0][:32])
	for _, text := range []string{"\xff\xfel\x00i\x00", "\xfe\xff\x00l\x00i"} {
		assert.Equal(t, []string{"x.toml: it is UTF-16; save it as UTF-8"}, complaints(t, text))
	}
	assert.Equal(t, []string{"x.toml:2:9: it is not UTF-8; save it as UTF-8"}, complaints(t, "[board]\nport = \"\x81\"\n"))
	assert.Contains(t, complaints(t, "a\x00b")[0], "x.toml:1:2: ")
}

// What is no file is not waited for.
func TestNoFile(t *testing.T) {
	for path, want := range map[string]string{
		t.TempDir():   "is a folder",
		"/dev/zero":   "is not a regular file",
		"":            "no such file",
		"no\xffsuch":  "no such file",
		"no\x00such":  "cannot be read",
		"/dev/null/x": "not a directory",
	} {
		if strings.HasPrefix(path, "/dev/") {
			if _, err := os.Stat("/dev/zero"); err != nil {
				continue
			}
		}
		_, err := Load(path)
		require.Error(t, err)
		assert.Contains(t, err.Error(), want)
		assert.Contains(t, err.Error(), "; ")
		assert.NotContains(t, err.Error(), "\n")
	}
	path := filepath.Join(t.TempDir(), "large.toml")
	f, err := os.Create(path)
	require.NoError(t, err)
	require.NoError(t, f.Truncate(1<<40))
	require.NoError(t, f.Close())
	_, err = Load(path)
	assert.ErrorContains(t, err, "larger than")
}
