package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/config"
	"stillwater/internal/need"
	"stillwater/internal/wiring"
)

func programManual(t *testing.T) manual {
	t.Helper()
	s, err := findSource(t.Context())
	require.NoError(t, err)
	m, err := s.words(t.Context(), t.TempDir())
	require.NoError(t, err)
	return m
}

// A new owner's first start must work: nothing wired, found by a phone, the record where the unit permits it.
func TestInstalledConfiguration(t *testing.T) {
	c, err := config.Parse("stillwater.toml", []byte(embedded(t, "stillwater.toml")))
	require.NoError(t, err)
	assert.Equal(t, config.Simulated, c.Board.Kind)
	assert.Equal(t, ":8737", c.Listen)
	assert.Equal(t, "stillwater", c.Name)
	assert.Equal(t, "/var/lib/stillwater/journal.db", c.Journal)
}

// Uncommenting the examples gives a valid configuration.
func TestCommentedExample(t *testing.T) {
	text := embedded(t, "stillwater.toml")
	before, example, found := strings.Cut(text, "\n#\n")
	require.True(t, found)
	before, _, found = strings.Cut(before, "[board]")
	require.True(t, found)
	c, err := config.Parse("stillwater.toml", []byte(before+regexp.MustCompile(`(?m)^#`).ReplaceAllString(example, "")))
	require.NoError(t, err)
	assert.Equal(t, config.GPIO, c.Board.Kind)
	assert.Equal(t, settings(embedded(t, "stillwater-board.socket"))["ListenStream"], []string{c.Board.Socket})
}

func TestCommentedCamera(t *testing.T) {
	text := regexp.MustCompile(`(?m)^#(\[camera\]|folder|port)`).ReplaceAllString(embedded(t, "stillwater.toml"), "$1")
	c, err := config.Parse("stillwater.toml", []byte(text))
	require.NoError(t, err)
	assert.Equal(t, config.Camera{Folder: "/var/lib/stillwater/camera", Port: "auto"}, c.Camera)
}

// The header's example is the one that package config shows, with the installed service's socket and record, and the
// pins by their names.
func TestHeaderExample(t *testing.T) {
	ours, err := config.Parse("gpio.toml", []byte(embedded(t, "gpio.toml")))
	require.NoError(t, err)
	theirs, err := config.Load("../../internal/config/testdata/stillwater.toml")
	require.NoError(t, err)
	assert.Equal(t, settings(embedded(t, "stillwater-board.socket"))["ListenStream"], []string{ours.Board.Socket})
	assert.Equal(t, "/var/lib/stillwater/journal.db", ours.Journal)
	assert.Equal(t, theirs.Board.Heartbeat, ours.Board.Heartbeat)
	same := map[wiring.Line]string{{Pin: "P1_13"}: "GPIO27", {Chip: "gpiochip0", Number: 16}: "GPIO16"}
	pin := func(l wiring.Line) string {
		if name, ok := same[l]; ok {
			return name
		}
		return l.Pin
	}
	require.Len(t, ours.Board.Inputs, len(theirs.Board.Inputs))
	for i, in := range ours.Board.Inputs {
		their := theirs.Board.Inputs[i]
		assert.Equal(t, []any{their.Name, their.Role, pin(their.Line), their.ActiveHigh, their.Debounce},
			[]any{in.Name, in.Role, pin(in.Line), in.ActiveHigh, in.Debounce})
	}
	require.Len(t, ours.Board.Outputs, len(theirs.Board.Outputs))
	for i, out := range ours.Board.Outputs {
		their := theirs.Board.Outputs[i]
		assert.Equal(t, []any{their.Name, their.Kind, pin(their.Line), their.SafeHigh, their.LongestOn},
			[]any{out.Name, out.Kind, pin(out.Line), out.SafeHigh, out.LongestOn})
	}
}

// The manual has every configuration key, and no other.
func TestManualHasEveryKey(t *testing.T) {
	code, err := os.ReadFile("../../internal/config/file.go")
	require.NoError(t, err)
	keys := map[string]bool{}
	for _, m := range regexp.MustCompile("`toml:\"([a-z_]+)\"`").FindAllStringSubmatch(string(code), -1) {
		keys[m[1]] = true
	}
	require.Greater(t, len(keys), 20)
	page, documented := embedded(t, "stillwater.toml.5"), map[string]bool{}
	entry := regexp.MustCompile(`(?m)^\.TP\n\.BR? (.*)$|^\.SH \[+([a-z.]+)\]+$`)
	for _, line := range entry.FindAllStringSubmatch(page, -1) {
		for _, word := range regexp.MustCompile(`[a-z_]+`).FindAllString(line[1]+" "+line[2], -1) {
			documented[word] = true
		}
	}
	assert.Equal(t, keys, documented)
}

func TestManualPagesTypeset(t *testing.T) {
	man := need.Tool(t, "man")
	m := programManual(t)
	j := job{version: "1.2.3"}
	for name, text := range map[string]string{
		"stillwater.1":      j.page(m.page(embedded(t, "stillwater.1"))),
		"stillwater.toml.5": j.page(embedded(t, "stillwater.toml.5")),
	} {
		path := filepath.Join(t.TempDir(), name)
		require.NoError(t, os.WriteFile(path, []byte(text), 0o644))
		c := exec.CommandContext(t.Context(), man, "--warnings", "-E", "UTF-8", "-l", "-Tutf8", "-Z", path)
		c.Env = append(os.Environ(), "LC_ALL=C.UTF-8", "MANROFFSEQ=", "MANWIDTH=80")
		var stderr strings.Builder
		c.Stderr = &stderr
		_, err := c.Output()
		assert.NoError(t, err, stderr.String())
		assert.Empty(t, stderr.String(), name)
		assert.NotContains(t, text, "@", "a place was not filled in")
	}
}

func TestManualSaysEveryCommand(t *testing.T) {
	m := programManual(t)
	page := m.page(embedded(t, "stillwater.1"))
	for _, name := range []string{"drop", "record", "board", "pairing", "check", "help"} {
		assert.Contains(t, page, `.SS stillwater `+name+"\n")
	}
	assert.Contains(t, page, `\fB\-\-listen\fR \fIADDRESS\fR`)
	assert.Contains(t, page, `\fB\-\-nozzle\fR`)
}

// complete asks bash for its completions.
func complete(t *testing.T, script string, words ...string) []string {
	t.Helper()
	bash := need.Tool(t, "bash")
	code := "source " + script + "; COMP_WORDS=(\"$@\"); COMP_CWORD=$(($# - 1)); _stillwater 2>/dev/null; " +
		"printf '%s\\n' \"${COMPREPLY[@]}\""
	args := append([]string{"--norc", "-c", code, "bash"}, words...)
	out, err := exec.CommandContext(t.Context(), bash, args...).Output()
	require.NoError(t, err)
	return strings.Fields(string(out))
}

func TestCompletion(t *testing.T) {
	script := filepath.Join(t.TempDir(), "completion")
	m := programManual(t)
	require.NoError(t, os.WriteFile(script, []byte(m.completion()), 0o644))
	var names []string
	for _, c := range m.commands {
		names = append(names, c.name)
		for _, o := range c.flags {
			assert.Contains(t, complete(t, script, "stillwater", c.name, "--"), "--"+o.name, c.name)
		}
	}
	assert.Equal(t, names, complete(t, script, "stillwater", ""))
	assert.Equal(t, []string{"drop", "drops"}, complete(t, script, "stillwater", "dr"))
	assert.Equal(t, []string{"--listen"}, complete(t, script, "stillwater", "--li"))
	assert.Equal(t, []string{"list", "show", "find", "again", "export"},
		complete(t, script, "stillwater", "record", "")[:5])
	assert.Equal(t, []string{"csv", "json"}, complete(t, script, "stillwater", "record", "export", "--format", ""))
	assert.Equal(t, []string{"column-emerges", "column-highest", "column-gone"},
		complete(t, script, "stillwater", "drop", "--phase", "col"))
	assert.Empty(t, complete(t, script, "stillwater", "drop", "--height", ""))
	assert.Equal(t, names, complete(t, script, "stillwater", "help", ""))
}

// The commands for an access point create what they promise. No radio is involved.
func TestHotspot(t *testing.T) {
	nmcli := need.Tool(t, "nmcli")
	add, up, found := strings.Cut(hotspotScript, "\nsudo nmcli connection up ")
	require.True(t, found)
	assert.Equal(t, "stillwater-hotspot\n", up)
	args, found := strings.CutPrefix(add, "sudo nmcli ")
	require.True(t, found)
	out := do(t, need.Tool(t, "sh"), "-c", nmcli+" --offline "+args)
	got := settings(out)
	for key, want := range map[string]string{
		"id": "stillwater-hotspot", "mode": "ap", "ssid": "Stillwater", "band": "bg", "key-mgmt": "wpa-psk",
		"proto": "rsn;", "pairwise": "ccmp;", "interface-name": "wlan0", "autoconnect-priority": "-10",
	} {
		require.NotEmpty(t, got[key], "%s in\n%s", key, out)
		assert.Equal(t, strings.TrimSuffix(want, ";"), strings.TrimSuffix(got[key][0], ";"), key)
	}
	_, ipv4, _ := strings.Cut(out, "[ipv4]\n")
	assert.True(t, strings.HasPrefix(ipv4, "method=shared\n"), out)
	assert.NotContains(t, got, "autoconnect", "it comes up by itself: that is the default, which is not written")

	guide, err := os.ReadFile("../../README.md")
	require.NoError(t, err)
	for line := range strings.Lines(hotspotScript) {
		assert.True(t, strings.Contains(string(guide), strings.TrimSpace(line)), "README.md: %s", line)
	}
}
