package setup

import (
	"maps"
	"os"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/config"
)

// first are the answers for the first build of the hardware folder.
func first() Answers {
	return Answers{config.GPIO, map[string]string{"beam": "GPIO27", "kill": "GPIO5", "flash1": "GPIO24"}}
}

// everything has all parts at the hardware folder's pins.
func everything() Answers {
	a := Answers{config.GPIO, map[string]string{}}
	for _, p := range Parts() {
		a.Pins[p.Name] = p.Pin
	}
	return a
}

func edit(t *testing.T, text string, want Answers) string {
	t.Helper()
	edited, _, err := Edit("x.toml", []byte(text), want, "")
	require.NoError(t, err, text)
	return string(edited)
}

func parse(t *testing.T, text string) config.Config {
	t.Helper()
	c, err := config.Parse("x.toml", []byte(text))
	require.NoError(t, err, text)
	return c
}

// Everything at the hardware folder's own pins is the example with everything, which the hardware's wiring and delays
// are held to.
func TestEverythingIsTheExample(t *testing.T) {
	text, err := os.ReadFile("../config/testdata/stillwater.toml")
	require.NoError(t, err)
	theirs := parse(t, strings.NewReplacer(`"P1_13"`, `"GPIO27"`, "chip = \"gpiochip0\"", `pin = "GPIO16"`,
		"line = 16\n", "", "go = \"two presses\"", "").Replace(string(text)))
	ours := parse(t, edit(t, Blank, everything()))
	for i := range theirs.Board.Inputs {
		if theirs.Board.Inputs[i].Name == "microphone" {
			theirs.Board.Inputs[i].Bias = "pull-up" // the comparator's output is open: the same level, twice
		}
	}
	assert.ElementsMatch(t, theirs.Board.Inputs, ours.Board.Inputs)
	assert.ElementsMatch(t, theirs.Board.Outputs, ours.Board.Outputs)
	assert.Equal(t, theirs.Board.Heartbeat, ours.Board.Heartbeat)
}

// The same answers again change nothing, to the byte; answers taken back and given again bring the settings back.
func TestAnswersComeAndGo(t *testing.T) {
	text, err := os.ReadFile("../config/testdata/stillwater.toml")
	require.NoError(t, err)
	for name, text := range map[string]string{"blank": Blank, "the example": string(text),
		"windows": strings.ReplaceAll(string(text), "\n", "\r\n"), "a mark": "\ufeff" + string(text)} {
		t.Run(name, func(t *testing.T) {
			have := AnswersOf(parse(t, text).Board)
			assert.Equal(t, text, edit(t, text, have))
			small := edit(t, text, first())
			assert.Equal(t, small, edit(t, small, first()))
			assert.Equal(t, first(), resolved(parse(t, small)))
			assert.Equal(t, strings.Contains(text, "\r\n"), !strings.Contains(strings.ReplaceAll(small, "\r\n", ""), "\n") &&
				strings.Contains(small, "\r\n"))
			back := edit(t, small, have)
			assert.Equal(t, have, AnswersOf(parse(t, back).Board))
			if have.Board == config.GPIO {
				assert.Equal(t, text, back, "the very text again")
				simulated := edit(t, text, Answers{Board: config.Simulated})
				assert.Equal(t, text, edit(t, simulated, have), "by way of the simulated board")
				serial := edit(t, text, Answers{Board: config.Serial})
				assert.Equal(t, text, edit(t, serial, have), "by way of the timing board")
			}
		})
	}
}

// resolved are a configuration's answers, positions by their names and without what is not connected.
func resolved(c config.Config) Answers {
	a := AnswersOf(c.Board)
	for part, pin := range a.Pins {
		a.Pins[part] = canonical(pin)
	}
	return a
}

const studio = `# ours
listen = "127.0.0.1:9000"   # not for the others
journal = '/srv/shots.db'
[board] # the bench
kind="gpio"
late = "2 ms"
[[board.output]]
name = "big lamp"
kind = "lamp"
pin = "GPIO26"
safe = "low"
longest_on = "1 s"
[[board.output]] # the old one
name = "flash" # rented
kind = "flash"
chip = "gpiochip0"  # as printed
line = 24
safe = "high"
longest_on = "4 ms"
[control]
grace = "20 s"`

// Only what was answered changes; the rest stays, to the byte.
func TestOnlyTheAnswerChanges(t *testing.T) {
	for name, c := range map[string]struct {
		part, pin string
		old, new  string // what is replaced by what
	}{
		"nothing":      {"flash1", "gpiochip0:24", "", ""},
		"another line": {"flash1", "gpiochip0:25", "line = 24", "line = 25"},
		"another chip": {"flash1", "gpiochip1:24", `"gpiochip0"`, `"gpiochip1"`},
		"a name instead": {"flash1", "GPIO24", "chip = \"gpiochip0\"  # as printed\nline = 24",
			"pin = \"GPIO24\"  # as printed\n#off line = 24"},
		"a second flash":   {"flash2", "GPIO25", "", ""},
		"a beam":           {"beam", "11", "", ""},
		"the guard":        {"heartbeat", "GPIO22", "", ""},
		"gone, not alone":  {"beam", "", "", ""},
		"a kill that goes": {"kill", "", "", ""},
	} {
		t.Run(name, func(t *testing.T) {
			want := AnswersOf(parse(t, studio).Board)
			pin := c.pin
			if pin == "11" {
				pin = "P1_11"
			}
			had := want.Pins[c.part]
			want.Pins[c.part] = pin
			got := edit(t, studio, want)
			if had == "" && pin != "" {
				assert.True(t, strings.HasPrefix(got, studio+"\n\n"), got)
				assert.Equal(t, pin, AnswersOf(parse(t, got).Board).Pins[c.part])
				return
			}
			assert.Equal(t, strings.Replace(studio, c.old, c.new, 1), got)
		})
	}
}

// A file that setup cannot change is left alone, and says what to do.
func TestNastyFiles(t *testing.T) {
	for name, c := range map[string]struct {
		text string
		want Answers
		says string
	}{
		"no TOML":     {"[board\nkind", first(), "x.toml:"},
		"a wrong key": {Blank + "bogus = 1\n", first(), "unknown key"},
		"nothing":     {"", first(), "board.kind is missing"},
		"UTF-16":      {"\xff\xfeb\x00", first(), "UTF-16"},
		"a long one":  {Blank + strings.Repeat("# x\n", 10000), first(), "larger than"},
		"one line":    {"board = { kind = \"simulated\" }\n", first(), "cannot edit the file the way it is written"},
		"a list": {"[board]\nkind=\"gpio\"\noutput = " +
			"[ { name=\"a\", kind=\"flash\", pin=\"GPIO24\", " +
			"safe=\"low\", longest_on=\"1 ms\" } ]\n", everything(), "cannot edit the file the way it is written"},
		"nearly full":  {Blank + strings.Repeat("#", 32<<10-len(Blank)-1) + "\n", first(), "larger than"},
		"nothing left": {Blank, Answers{config.GPIO, map[string]string{"beam": "GPIO27"}}, "nothing could fire"},
		"one pin, two": {Blank, Answers{config.GPIO, map[string]string{"beam": "GPIO24", "flash1": "P1_18"}},
			"taken by beam"},
		"a lamp there": {strings.Replace(studio, "GPIO26", "GPIO27", 1), first(), "already taken"},
	} {
		t.Run(name, func(t *testing.T) {
			edited, changes, err := Edit("x.toml", []byte(c.text), c.want, "")
			require.ErrorContains(t, err, c.says)
			assert.Empty(t, edited)
			assert.Empty(t, changes)
		})
	}
}

func TestSocketOfAService(t *testing.T) {
	edited, changes, err := Edit("x.toml", []byte(Blank), first(), "/run/stillwater/board.sock")
	require.NoError(t, err)
	assert.Equal(t, "/run/stillwater/board.sock", parse(t, string(edited)).Board.Socket)
	assert.Contains(t, strings.Join(changes, "\n"), "board.socket")
	again, changes, err := Edit("x.toml", edited, first(), "/run/other.sock")
	require.NoError(t, err)
	assert.Equal(t, string(edited), string(again))
	assert.Empty(t, changes)
	dotted := "name = \"x\"\nboard.kind = \"simulated\""
	edited, _, err = Edit("x.toml", []byte(dotted), Answers{Board: config.Serial}, "/run/stillwater/board.sock")
	require.NoError(t, err)
	assert.Contains(t, string(edited), "board.socket = \"/run/stillwater/board.sock\"")
}

// The first valve stays the first, whichever was there before.
func TestValvesKeepTheirOrder(t *testing.T) {
	a := first()
	a.Pins["valve2"] = "GPIO13"
	text := edit(t, Blank, a)
	a.Pins["valve1"] = "GPIO12"
	var names []string
	for _, out := range parse(t, edit(t, text, a)).Board.Outputs {
		names = append(names, out.Name)
	}
	assert.Equal(t, []string{"flash1", "valve1", "valve2"}, names)
}

// A thousand changes of mind fit in a file: what goes is taken up again when it comes.
func TestChangesOfMindDoNotPileUp(t *testing.T) {
	text, all := Blank, everything()
	text = edit(t, text, all)
	size := len(text)
	for i := range 60 {
		some := Answers{config.GPIO, maps.Clone(first().Pins)}
		some.Pins[Parts()[i%len(Parts())].Name] = Parts()[i%len(Parts())].Pin
		text = edit(t, text, some)
		text = edit(t, text, all)
	}
	assert.Less(t, len(text), size+len(off)*120)
}

// Whatever the file and the answers: either it is left alone, or it says the answers, means what it meant in all else,
// has all that it had, and the same answers again change nothing.
func FuzzEdit(f *testing.F) {
	example, err := os.ReadFile("../config/testdata/stillwater.toml")
	require.NoError(f, err)
	f.Add(Blank, uint16(0b1000_0000_1001), byte(0))
	f.Add(studio, uint16(0xffff), byte(1))
	f.Add(string(example[:1500]), uint16(9), byte(0))
	f.Add("board.kind = \"serial\"\r\nboard.port=\"/dev/x\"", uint16(0xfff), byte(2))
	f.Fuzz(func(t *testing.T, text string, connected uint16, kind byte) {
		want := Answers{[]config.Kind{config.GPIO, config.Serial, config.Simulated}[kind%3], map[string]string{}}
		for i, p := range Parts() {
			if want.Board == config.GPIO && connected>>i&1 == 1 {
				want.Pins[p.Name] = p.Pin
			}
		}
		edited, _, err := Edit("x.toml", []byte(text), want, "/run/stillwater/board.sock")
		if err != nil {
			return
		}
		c := parse(t, string(edited))
		require.Equal(t, want, resolved(c))
		before := parse(t, text)
		require.Equal(t, []any{before.Name, before.Listen, before.Journal, before.Control},
			[]any{c.Name, c.Listen, c.Journal, c.Control})
		for line := range strings.Lines(text) {
			if comment := strings.TrimSpace(line); strings.HasPrefix(comment, "# ") {
				require.Contains(t, string(edited), comment)
			}
		}
		again, changes, err := Edit("x.toml", edited, want, "/run/stillwater/board.sock")
		require.NoError(t, err)
		require.Equal(t, string(edited), string(again))
		require.Empty(t, changes)
	})
}

func TestParsePin(t *testing.T) {
	p := Parts()[0]
	for text, want := range map[string]string{"GPIO17": "GPIO17", " gpio07 ": "GPIO7", "11": "P1_11", "p1_13": "P1_13",
		"yes": "GPIO27", "No": "", "-": "", "gpiochip0:17": "gpiochip0:17", "/dev/gpiochip1:3": "/dev/gpiochip1:3",
		"PA6": "PA6", "GPIO0": "GPIO0"} {
		got, err := p.ParsePin(text)
		require.NoError(t, err, text)
		assert.Equal(t, want, got, text)
	}
	for text, says := range map[string]string{"6": "is GND", "P1_2": "is 5 V", "41": "no position 41", "": "is not a pin",
		"GPIO 17": "is not a pin", "\x1b[A": "is not a pin", strings.Repeat("x", 99): "is not a pin",
		"a\"b": "is not a pin"} {
		_, err := p.ParsePin(text)
		require.ErrorContains(t, err, says, text)
		assert.Less(t, len(err.Error()), 300)
	}
}

func TestPartsAreNamedOnce(t *testing.T) {
	var names []string
	for _, p := range Parts() {
		names = append(names, p.Name)
		assert.Contains(t, slices.Collect(maps.Values(header40)), p.Pin)
		assert.Contains(t, slices.Collect(maps.Values(dil28)), p.Port)
	}
	slices.Sort(names)
	assert.Equal(t, names, slices.Compact(slices.Clone(names)))
}
