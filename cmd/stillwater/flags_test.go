package main

import (
	"bytes"
	"context"
	"fmt"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Whoever asks for help gets it on standard output, flags as they are typed; whoever errs gets one line.
func TestHelpAndErrorsInFlags(t *testing.T) {
	for _, c := range []struct {
		line   string
		status int
		says   []string
	}{
		{"-h", 0, []string{"record", "--listen ADDRESS", "--seed NUMBER"}},
		{"--help", 0, []string{"drop", "--forget-phones"}},
		{"help", 0, []string{"throw", "--listen ADDRESS"}},
		{"help -h", 0, []string{"throw"}},
		{"help drop", 0, []string{"--height 40 cm"}},
		{"record -h", 0, []string{"--journal FILE", "--format csv"}},
		{"help nonsense", 2, []string{`no command "nonsense"`, "stillwater help"}},
		{"version extra", 2, []string{`"extra"`}},
		{"--nonsense", 2, []string{"--nonsense", "see stillwater -h"}},
		{"--seed many", 2, []string{`--seed "many": give a whole number`}},
		{"--listen", 2, []string{"--listen needs a value: ADDRESS"}},
		{"drop --hight 40cm", 2, []string{"drop: ", "--hight", "see stillwater drop -h"}},
		{"drop --json=maybe", 2, []string{`--json "maybe": give true or false`}},
		{"record list --nonsense", 2, []string{"record list: ", "--nonsense", "see stillwater record list -h"}},
	} {
		t.Run(c.line, func(t *testing.T) {
			status, out, errs := calculate(t, c.line)
			assert.Equal(t, c.status, status, errs)
			text, other := out, errs
			if c.status != 0 {
				text, other = errs, out
				assert.Equal(t, 1, strings.Count(errs, "\n"), "one line: %s", errs)
			}
			assert.Empty(t, other)
			for _, s := range c.says {
				assert.Contains(t, text, s)
			}
			assert.NotContains(t, text, "\n  -j", "flags have two dashes")
		})
	}
}

func TestEachCommandShowsItsHelp(t *testing.T) {
	for _, c := range commands() {
		status, out, errs := calculate(t, c.name+" --help")
		assert.Zero(t, status, c.name)
		assert.Contains(t, out, "\n", c.name)
		assert.Empty(t, errs, c.name)
	}
}

// A request to stop while starting is not a failure.
func TestStoppedWhileStarting(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	var out, errs bytes.Buffer
	m := &Main{Stdout: &out, Stderr: &errs, Getenv: func(string) string { return "" }}
	status := m.Run(ctx, []string{"--listen", "127.0.0.1:0", "--journal", filepath.Join(t.TempDir(), "j.db")})
	assert.Zero(t, status, errs.String())
}

// takesValue finds the flags in what -h says that take something.
var takesValue = regexp.MustCompile(`(?m)^  --([a-z-]+) \S`)

// helpOf is what each command says of its flags, the daemon's under "".
func helpOf(t *testing.T) map[string]string {
	t.Helper()
	all := map[string]string{}
	for _, c := range append([]command{{}}, commands()...) {
		status, help, _ := calculate(t, c.name+" -h")
		if status == 0 {
			all[c.name] = help
		}
	}
	require.Greater(t, len(all), 10)
	return all
}

// A flag that is given as nothing, as a script gives it whose variable is not set, is not one that was not given.
func TestEmptyFlags(t *testing.T) {
	tried := 0
	for command, help := range helpOf(t) {
		words := strings.Fields(command)
		if command == "record" {
			words = append(words, "export")
		}
		for _, m := range takesValue.FindAllStringSubmatch(help, -1) {
			if m[1] == "name" || command == "help" {
				continue // no name is a choice
			}
			var out, errs bytes.Buffer
			m2 := &Main{Stdout: &out, Stderr: &errs, Getenv: func(string) string { return "" }}
			status := m2.Run(t.Context(), append(words, "--"+m[1], ""))
			assert.Equal(t, 2, status, "%s --%s: %s", command, m[1], errs.String())
			assert.Contains(t, errs.String(), "--"+m[1])
			assert.Equal(t, 1, strings.Count(errs.String(), "\n"))
			tried++
		}
	}
	assert.Greater(t, tried, 40)
}

// Whatever is given to a flag, the answer is one line that names it.
func TestNonsenseInFlags(t *testing.T) {
	nonsense := []string{"-1", "NaN", "Inf", "-Inf", "1e400", "99999999999999999999", "\xff", "\x1b[2J", "a\nb", "\x00",
		"--", "1.5.5", strings.Repeat("9", 300), "\u202e40cm", "40 parsec", "NaN cm", "Inf m", "-1 cm", "1e300 m",
		"1e-300 ms"}
	for command, help := range helpOf(t) {
		if slices.Contains([]string{"", "board", "lateness", "flash", "frames", "record", "setup", "help"}, command) {
			continue // may begin to do something
		}
		words := strings.Fields(command)
		for _, m := range takesValue.FindAllStringSubmatch(help, -1) {
			if m[1] == "svg" || m[1] == "png" {
				continue // whatever it is, a file may be called so
			}
			for _, value := range nonsense {
				var out, errs bytes.Buffer
				m2 := &Main{Stdout: &out, Stderr: &errs, Getenv: func(string) string { return "" }}
				status := m2.Run(t.Context(), append(words, "--"+m[1], value))
				where := fmt.Sprintf("%s --%s %.20q", command, m[1], value)
				if status == 0 {
					assert.NotContains(t, out.String(), "NaN", where)
					assert.NotContains(t, out.String(), "Inf", where)
					continue
				}
				said := out.String() + errs.String()
				assert.Contains(t, said, m[1], where)
				assert.Less(t, len(said), 4000, where)
				assert.NotContains(t, said, "\x1b", where)
				assert.True(t, utf8.ValidString(said), where)
			}
		}
	}
}
