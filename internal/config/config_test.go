package config

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/wire"
	"stillwater/internal/wiring"
)

func TestExampleLoads(t *testing.T) {
	c, err := Load("testdata/stillwater.toml")
	require.NoError(t, err)
	assert.Equal(t, ":8737", c.Listen)
	assert.Equal(t, "testdata/stillwater.toml", c.Path)
	assert.Len(t, c.Sum, 64)
	assert.Equal(t, GPIO, c.Board.Kind)
	assert.Equal(t, time.Millisecond, c.Board.Late)
	assert.Equal(t, 5*time.Millisecond, c.Board.HoldOff)
	assert.Equal(t, Arming{Grace: 10 * time.Second, ArmFor: 10 * time.Minute}, c.Control)
	require.Len(t, c.Board.Inputs, 6)
	assert.Equal(t, wiring.Input{Name: "gate", Role: wiring.Gate, Line: wiring.Line{Pin: "GPIO17"}, ActiveGiven: true,
		Bias: wiring.PullUp, Delay: 4 * time.Microsecond}, c.Board.Inputs[0])
	assert.True(t, c.Board.Inputs[0].Falling())
	assert.Equal(t, 4*time.Microsecond, c.Board.Inputs[1].Delay)
	assert.Equal(t, wiring.Line{Chip: "gpiochip0", Number: 16}, c.Board.Inputs[2].Line)
	assert.Equal(t, wire.InputMicrophone, c.Board.Inputs[2].Role.Kind())
	assert.Equal(t, wiring.Kill, c.Board.Inputs[4].Role)
	assert.True(t, c.Board.Inputs[4].ActiveHigh)
	assert.False(t, c.Board.Inputs[4].Falling())
	require.Len(t, c.Board.Outputs, 6)
	assert.Equal(t, wiring.Output{Name: "shutter", Kind: wire.OutputShutter, Line: wiring.Line{Pin: "GPIO23"},
		LongestOn: 5 * time.Second, Delay: 2 * time.Microsecond}, c.Board.Outputs[1])
	assert.Equal(t, wire.OutputFlash, c.Board.Outputs[2].Kind)
	assert.Equal(t, 10*time.Millisecond, c.Board.Outputs[2].LongestOn)
	assert.Equal(t, &wiring.Line{Pin: "GPIO22"}, c.Board.Heartbeat)
}

func TestDefaultStaysOnThisMachine(t *testing.T) {
	c := Default()
	assert.Equal(t, Simulated, c.Board.Kind)
	assert.Equal(t, "127.0.0.1:8737", c.Listen)
	assert.Empty(t, c.Path)
	assert.Equal(t, Arming{Grace: 10 * time.Second, ArmFor: 10 * time.Minute}, c.Control)
}

// A configured board listens on the local network unless the file says otherwise; times left out get their defaults.
func TestLeastConfiguration(t *testing.T) {
	c, err := Parse("x.toml", []byte("[board]\nkind = \"simulated\"\n"))
	require.NoError(t, err)
	assert.Equal(t, ":8737", c.Listen)
	assert.Equal(t, Default().Board, c.Board)
	assert.Equal(t, Default().Control, c.Control)
}

// The camera's files have a folder, and may have a port that they come from.
func TestCamera(t *testing.T) {
	const board = "[board]\nkind = \"simulated\"\n[camera]\n"
	c, err := Parse("x.toml", []byte(board+"folder = \"/srv/camera\"\nport = \"auto\"\n"))
	require.NoError(t, err)
	assert.Equal(t, Camera{Folder: "/srv/camera", Port: "auto"}, c.Camera)
	for text, want := range map[string]string{
		"port = \"auto\"\n":                        "x.toml:4:1: camera.port is given without camera.folder",
		"folder = \"\"\n":                          `x.toml:4:1: camera.folder is empty; write it as folder = "/var/lib`,
		"folder = \"/srv\"\nport = \"a\\u0000\"\n": "x.toml:5:1: camera.port",
		"dir = \"/srv\"\n":                         `unknown key "camera.dir"`,
	} {
		_, err := Parse("x.toml", []byte(board+text))
		assert.ErrorContains(t, err, want)
	}
}

// The room to practise in is one of those that there are, and none of a real board.
func TestRoom(t *testing.T) {
	c, err := Parse("x.toml", []byte("[board]\nkind = \"simulated\"\n[practice]\nroom = \"squall\"\n"))
	require.NoError(t, err)
	assert.Equal(t, "squall", c.Room)
	assert.Equal(t, "kitchen", Default().Room)
	_, err = Parse("x.toml", []byte("[board]\nkind = \"simulated\"\n[practice]\nroom = \"attic\"\n"))
	assert.ErrorContains(t, err, `x.toml:4:1: practice.room = "attic": there is no room "attic": use one of `+
		`still, kitchen, squall`)
	_, err = Parse("x.toml", []byte("[board]\nkind = \"serial\"\n[practice]\nroom = \"still\"\n"))
	assert.ErrorContains(t, err, `practice.room is the simulated board's, and this one is "serial"`)
}

// One-line tables are the same configuration, and errors in them have places too.
func TestInlineTables(t *testing.T) {
	const text = `board = { kind = "gpio", output = [
  { name = "flash", kind = "flash", pin = "GPIO24", safe = "high", longest_on = "5 ms" },
] }
`
	c, err := Parse("x.toml", []byte(text))
	require.NoError(t, err)
	require.Len(t, c.Board.Outputs, 1)
	assert.True(t, c.Board.Outputs[0].SafeHigh)
	_, err = Parse("x.toml", []byte(strings.Replace(text, `"high"`, `"off"`, 1)))
	assert.ErrorContains(t, err, "x.toml:2:53: board.output[0]: safe = \"off\" is not known")
}

// The parts of a valid text: 2, 5 and 6 lines.
const (
	head = `[board]
kind = "gpio"
`
	beam = `[[board.input]]
name = "beam"
role = "beam"
pin = "GPIO17"
active = "low"
`
	flash = `[[board.output]]
name = "flash"
kind = "flash"
pin = "GPIO24"
safe = "low"
longest_on = "10 ms"
`
	serial = `[board]
kind = "serial"
port = "/dev/serial/by-id/board"
`
)

func TestSerialBoard(t *testing.T) {
	c, err := Parse("x.toml", []byte(serial))
	require.NoError(t, err)
	assert.Equal(t, Serial, c.Board.Kind)
	assert.Equal(t, "/dev/serial/by-id/board", c.Board.Port)
	assert.Equal(t, DefaultBaud, c.Board.Baud)
	assert.Empty(t, c.Board.Inputs)
	assert.Empty(t, c.Board.Outputs)

	// The port may be the only one there is, and the level that means something the firmware's.
	c, err = Parse("x.toml", []byte("[board]\nkind = \"serial\"\nsocket = \"/run/stillwater/board.sock\"\n"+
		strings.NewReplacer("pin = \"GPIO17\"\n", "", "active = \"low\"\n", "").Replace(beam)))
	require.NoError(t, err)
	assert.Empty(t, c.Board.Port)
	assert.Equal(t, "/run/stillwater/board.sock", c.Board.Socket)
	assert.Equal(t, []wiring.Input{{Name: "beam", Role: wiring.Beam}}, c.Board.Inputs)

	c, err = Parse("x.toml", []byte(serial+"baud = 115200\n"+`[[board.input]]
name = "gate"
role = "gate"
active = "low"
delay = "20 us"
[[board.output]]
name = "shutter"
kind = "shutter"
delay = "300 us"
`))
	require.NoError(t, err)
	assert.Equal(t, 115200, c.Board.Baud)
	assert.Equal(t, []wiring.Input{{Name: "gate", Role: wiring.Gate, ActiveGiven: true, Delay: 20 * time.Microsecond}},
		c.Board.Inputs)
	assert.Equal(t, []wiring.Output{{Name: "shutter", Kind: wire.OutputShutter, Delay: 300 * time.Microsecond}},
		c.Board.Outputs)
}

// What a button does is in the file, whatever has the button.
func TestButton(t *testing.T) {
	const button = "[[board.input]]\nname = \"foot\"\nrole = \"button\"\ngo = \"hold\"\n"
	c, err := Parse("x.toml", []byte(serial+button))
	require.NoError(t, err)
	assert.Equal(t, []wiring.Input{{Name: "foot", Role: wiring.Button, Go: wiring.Hold}}, c.Board.Inputs)
	const wired = "pin = \"GPIO6\"\nactive = \"low\"\n"
	c, err = Parse("x.toml", []byte(valid+strings.Replace(button, "hold", "two presses", 1)+wired))
	require.NoError(t, err)
	assert.Equal(t, wiring.TwoPresses, c.Board.Inputs[1].Go)
	_, err = Parse("x.toml", []byte(serial+strings.Replace(button, "hold", "three presses", 1)))
	assert.ErrorContains(t, err,
		`x.toml:7:1: board.input[0]: go = "three presses" is not known; write go = "two presses" or "hold"`)
	_, err = Parse("x.toml", []byte(valid+strings.Replace(button, `"button"`, `"gate"`, 1)+wired))
	assert.ErrorContains(t, err, "go belongs to a button, and this is a gate; remove it")
}

// A board that keeps to one processor, drives registers and has a heartbeat, as a service of its own.
func TestExactBoard(t *testing.T) {
	c, err := Parse("x.toml", []byte(`name = ""
[board]
kind = "gpio"
socket = "/run/stillwater/board.sock"
drive = "mapped"
priority = 0
cpu = 3
[board.heartbeat]
chip = "gpiochip0"
line = 22
`+flash))
	require.NoError(t, err)
	assert.Empty(t, c.Name)
	b := c.Board
	assert.Equal(t, "/run/stillwater/board.sock", b.Socket)
	assert.Equal(t, Mapped, b.Drive)
	assert.Zero(t, b.Priority)
	assert.Equal(t, 3, b.CPU)
	assert.Equal(t, &wiring.Line{Chip: "gpiochip0", Number: 22}, b.Heartbeat)

	c, err = Parse("x.toml", []byte(head+flash))
	require.NoError(t, err)
	b = c.Board
	assert.Equal(t, "stillwater", c.Name)
	assert.Empty(t, b.Socket)
	assert.Equal(t, Kernel, b.Drive)
	assert.Equal(t, 60, b.Priority)
	assert.Equal(t, AnyCPU, b.CPU)
	assert.Nil(t, b.Heartbeat)
}

const valid = head + beam + flash

func shutter(name, pin string) string {
	return strings.NewReplacer(`name = "flash"`, `name = "`+name+`"`, `kind = "flash"`, `kind = "shutter"`, "GPIO24", pin).
		Replace(flash)
}

func TestErrors(t *testing.T) {
	_, err := Parse("x.toml", []byte(valid))
	require.NoError(t, err, "the text that the cases spoil")

	tests := map[string]struct {
		spoil [2]string // replace the first by the second
		text  string    // or this text
		want  string    // place and what
		do    string    // in the remedy
	}{
		"no TOML": {
			text: "[board\n", want: "x.toml:1:", do: "TOML",
		},
		"key twice": {
			text: "listen = \":1\"\nlisten = \":2\"\n", want: `x.toml:2:1: "listen" is written twice`, do: "keep one",
		},
		"a value of the wrong kind before a key that is there twice": {
			text: "listen = 1\nname = \"a\"\nname = \"b\"\n", want: "x.toml:1:10: listen has a value of the wrong kind",
			do: "write it as",
		},
		"key of a pin twice": {
			spoil: [2]string{"active = \"low\"", "active = \"low\"\nactive = \"high\""},
			want:  `x.toml:8:1: "active" is written twice`, do: "keep one",
		},
		"text without quotes": {
			spoil: [2]string{"\"gpio\"", "gpio"}, want: "x.toml:2:8: ", do: "quotes",
		},
		"one input in single brackets": {
			text: head + "[board.input]\nname = \"beam\"\nrole = \"beem\"\n" + flash,
			want: `x.toml:5:1: board.input[0]: role = "beem" is not known`, do: "beam",
		},
		"unknown key": {
			text: "listem = \":1\"\n" + valid,
			want: `x.toml:1:1: unknown key "listem"`, do: "known here: board, camera, control, journal, listen, name",
		},
		"unknown table": {
			text: valid + "[lens]\nlag = \"3 ms\"\n",
			want: "x.toml:14:2: unknown key \"lens", do: "known here: board",
		},
		"unknown pin key": {
			spoil: [2]string{"safe = ", "save = "},
			want:  `x.toml:12:1: unknown key "board.output.save"`, do: "longest_on",
		},
		"unknown input key": {
			spoil: [2]string{"active = \"low\"", "polarity = 1"},
			want:  `x.toml:7:1: unknown key "board.input.polarity"`, do: "active, bias, chip",
		},
		"wrong type": {
			spoil: [2]string{"\"10 ms\"", "10"},
			want:  "x.toml:13:14: board.output.longest_on has a value of the wrong kind",
			do:    `write it as longest_on = "10 ms"`,
		},
		"line as text": {
			spoil: [2]string{"pin = \"GPIO17\"", "chip = \"a\"\nline = \"17\""},
			want:  "x.toml:7:8: board.input.line has a value of the wrong kind", do: "line = 17",
		},
		"board no table": {
			text: "board = 3\n", want: "x.toml:1:9: board has a value of the wrong kind", do: "[board]",
		},

		"kind missing": {
			spoil: [2]string{"kind = \"gpio\"\n", ""}, want: "x.toml:1:2: board.kind is missing", do: `kind = "gpio"`,
		},
		"board missing": {
			text: "listen = \":1\"\n", want: "x.toml: board.kind is missing", do: `kind = "gpio"`,
		},
		"kind unknown": {
			spoil: [2]string{`"gpio"`, `"gpoi"`},
			want:  `x.toml:2:1: board.kind = "gpoi" is not a kind of board`, do: `"serial" or "simulated"`,
		},
		"simulated with pins": {
			spoil: [2]string{`"gpio"`, `"simulated"`},
			want:  "x.toml:2:1: the simulated board has its own", do: "remove",
		},
		"nothing to fire": {
			text: head + beam, want: "x.toml:1:2: the board has no output", do: "[[board.output]]",
		},
		"listen": {
			text: "listen = \"8737\"\n" + valid, want: `x.toml:1:1: listen = "8737" is not host:port`, do: `":8737"`,
		},
		"listen port": {
			text: "listen = \":http\"\n" + valid,
			want: `x.toml:1:1: listen = ":http" is not host:port`, do: `":8737"`,
		},
		"late no unit": {
			spoil: [2]string{"kind = \"gpio\"", "kind = \"gpio\"\nlate = \"1\""},
			want:  `x.toml:3:1: board.late = "1" is not a time`, do: `late = "1 ms"`,
		},
		"late zero": {
			spoil: [2]string{"kind = \"gpio\"", "kind = \"gpio\"\nlate = \"0 ms\""},
			want:  `x.toml:3:1: board.late = "0 ms" is out of range`, do: "from 1 µs to 10 s",
		},
		"late huge": {
			spoil: [2]string{"kind = \"gpio\"", "kind = \"gpio\"\nlate = \"1e300 s\""},
			want:  `x.toml:3:1: board.late`, do: "ms",
		},
		"hold-off negative": {
			spoil: [2]string{"kind = \"gpio\"", "kind = \"gpio\"\nhold_off = \"-1 ms\""},
			want:  `x.toml:3:1: board.hold_off`, do: "5 ms",
		},
		"grace": {
			text: valid + "[control]\ngrace = \"1 ms\"\n",
			want: `x.toml:15:1: control.grace = "1 ms" is out of range`, do: "10 s",
		},
		"arm_for": {
			text: valid + "[control]\narm_for = \"3 days\"\n", want: `x.toml:15:1: control.arm_for`, do: "10 min",
		},

		"name of the page": {
			text: "name = \"my page.local\"\n" + valid, want: `x.toml:1:1: name = "my page.local" is not a name for a host`,
			do: "inner hyphens",
		},
		"socket not whole": {
			spoil: [2]string{"kind = \"gpio\"", "kind = \"gpio\"\nsocket = \"board.sock\""},
			want:  `x.toml:3:1: board.socket = "board.sock" is not a path for a socket`, do: `socket = "/run/`,
		},
		"socket long": {
			spoil: [2]string{"kind = \"gpio\"", "kind = \"gpio\"\nsocket = \"/" + strings.Repeat("x", 107) + "\""},
			want:  "x.toml:3:1: board.socket", do: "at most 107",
		},
		"drive unknown": {
			spoil: [2]string{"kind = \"gpio\"", "kind = \"gpio\"\ndrive = \"fast\""},
			want:  `x.toml:3:1: board: drive = "fast" is not known`, do: `"kernel" or "mapped"`,
		},
		"priority": {
			spoil: [2]string{"kind = \"gpio\"", "kind = \"gpio\"\npriority = 100"},
			want:  "x.toml:3:1: board.priority = 100 is out of range", do: "from 0 to 99",
		},
		"cpu": {
			spoil: [2]string{"kind = \"gpio\"", "kind = \"gpio\"\ncpu = -1"},
			want:  "x.toml:3:1: board.cpu = -1 is out of range", do: "cpu = 3",
		},
		"cpu as text": {
			spoil: [2]string{"kind = \"gpio\"", "kind = \"gpio\"\ncpu = \"3\""},
			want:  "x.toml:3:7: board.cpu has a value of the wrong kind", do: "cpu = 3",
		},
		"heartbeat without a line": {
			text: valid + "[board.heartbeat]\n", want: "x.toml:14:2: board.heartbeat: no GPIO line is named", do: "pin =",
		},
		"heartbeat on an output's line": {
			text: valid + "[board.heartbeat]\npin = \"GPIO24\"\n",
			want: `x.toml:11:1: board.output[0]: line "GPIO24" is already taken by board.heartbeat`, do: "of its own",
		},
		"heartbeat of a simulated board": {
			text: "[board]\nkind = \"simulated\"\n[board.heartbeat]\npin = \"GPIO22\"\n",
			want: `x.toml:3:2: board.heartbeat belongs to a board of kind "gpio", and this one is "simulated"`, do: "remove",
		},
		"port of a GPIO board": {
			spoil: [2]string{"kind = \"gpio\"", "kind = \"gpio\"\nport = \"/dev/ttyUSB0\""},
			want:  `x.toml:3:1: board.port belongs to a board of kind "serial"`, do: `kind = "serial"`,
		},
		"socket of a simulated board": {
			text: "[board]\nkind = \"simulated\"\nsocket = \"/run/x\"\n",
			want: `x.toml:3:1: board.socket belongs to a board of kind "gpio", and this one is "simulated"`, do: "remove",
		},
		"serial with an impossible rate": {
			text: serial + "baud = 300\n", want: "x.toml:4:1: board.baud = 300 is out of range", do: "baud = 250000",
		},
		"serial with a pin": {
			text: serial + beam, want: "x.toml:7:1: board.input[0]: pin is built into a serial board", do: "remove",
		},
		"serial with a longest on-time": {
			text: serial + flash, want: "x.toml:9:1: board.output[0]: longest_on is built into a serial board", do: "remove",
		},

		"role missing": {
			spoil: [2]string{"role = \"beam\"\n", ""},
			want:  "x.toml:3:3: board.input[0]: role is missing", do: `"gate"`,
		},
		"role unknown": {
			spoil: [2]string{"role = \"beam\"", "role = \"laser\""},
			want:  `x.toml:5:1: board.input[0]: role = "laser"`, do: `"microphone"`,
		},
		"active missing": {
			spoil: [2]string{"active = \"low\"\n", ""},
			want:  "x.toml:3:3: board.input[0]: active is missing", do: "while the beam is broken",
		},
		"active unknown": {
			spoil: [2]string{"active = \"low\"", "active = \"down\""},
			want:  `x.toml:7:1: board.input[0]: active = "down"`, do: `"high" or "low"`,
		},
		"bias unknown": {
			spoil: [2]string{"active = \"low\"", "active = \"low\"\nbias = \"up\""},
			want:  `x.toml:8:1: board.input[0]: bias = "up"`, do: `"pull-up"`,
		},
		"debounce on beam": {
			spoil: [2]string{"active = \"low\"", "active = \"low\"\ndebounce = \"1 ms\""},
			want:  "x.toml:8:1: board.input[0]: debounce would move", do: "hold_off",
		},
		"name missing": {
			spoil: [2]string{"name = \"beam\"\n", ""},
			want:  "x.toml:3:3: board.input[0]: name is missing", do: "name =",
		},
		"name long": {
			spoil: [2]string{"name = \"beam\"", "name = \"the beam above the pool\""},
			want:  "x.toml:4:1: board.input[0]: name =", do: "1 to 16",
		},
		"name not plain": {
			spoil: [2]string{"name = \"beam\"", "name = \"béam\""},
			want:  "x.toml:4:1: board.input[0]: name =", do: "plain",
		},
		"name twice": {
			spoil: [2]string{"name = \"flash\"", "name = \"beam\""},
			want:  `x.toml:9:1: board.output[0]: name "beam" is already taken by board.input[0]`, do: "of its own",
		},
		"no line": {
			spoil: [2]string{"pin = \"GPIO17\"\n", ""},
			want:  "x.toml:3:3: board.input[0]: no GPIO line is named", do: `pin = "GPIO17"`,
		},
		"chip without line": {
			spoil: [2]string{"pin = \"GPIO17\"", "chip = \"gpiochip0\""},
			want:  "x.toml:3:3: board.input[0]: no GPIO line is named", do: `line = 17`,
		},
		"pin and chip": {
			spoil: [2]string{"pin = \"GPIO17\"", "pin = \"GPIO17\"\nchip = \"gpiochip0\""},
			want:  "x.toml:6:1: board.input[0]: both pin and chip", do: "keep one",
		},
		"line number": {
			spoil: [2]string{"pin = \"GPIO17\"", "chip = \"gpiochip0\"\nline = -1"},
			want:  "x.toml:7:1: board.input[0]: line = -1", do: "0 to",
		},
		"line twice": {
			spoil: [2]string{"GPIO24", "GPIO17"},
			want:  `x.toml:11:1: board.output[0]: line "GPIO17" is already taken by board.input[0]`, do: "of its own",
		},
		"role twice": {
			text: valid + strings.ReplaceAll(strings.ReplaceAll(beam, "GPIO17", "GPIO4"), `name = "beam"`, `name = "other"`),
			want: `x.toml:16:1: board.input[1]: role "beam" is already taken by board.input[0]`,
			do:   "change its role",
		},
		"shutter twice": {
			text: head + beam + shutter("one", "GPIO23") + shutter("two", "GPIO24"),
			want: `x.toml:16:1: board.output[1]: kind "shutter" is already taken by board.output[0]`, do: "one line",
		},

		"output kind missing": {
			spoil: [2]string{"kind = \"flash\"\n", ""},
			want:  "x.toml:8:3: board.output[0]: kind is missing", do: `"valve"`,
		},
		"output kind unknown": {
			spoil: [2]string{"kind = \"flash\"", "kind = \"strobe\""},
			want:  `x.toml:10:1: board.output[0]: kind = "strobe"`, do: `"shutter"`,
		},
		"safe missing": {
			spoil: [2]string{"safe = \"low\"\n", ""},
			want:  "x.toml:8:3: board.output[0]: safe is missing", do: "does nothing",
		},
		"longest_on missing": {
			spoil: [2]string{"longest_on = \"10 ms\"\n", ""},
			want:  "x.toml:8:3: board.output[0] (flash): longest_on is missing", do: `longest_on = "10 ms"`,
		},
		"longest_on zero": {
			spoil: [2]string{"10 ms", "0 s"},
			want:  `x.toml:13:1: board.output[0].longest_on = "0 s" is out of range`, do: "from 1 µs to 60 s",
		},
		"longest_on for ever": {
			spoil: [2]string{"10 ms", "1 h"}, want: `x.toml:13:1: board.output[0].longest_on = "1 h"`, do: "10 ms",
		},
		"longest_on in metres": {
			spoil: [2]string{"10 ms", "10 m/s"},
			want:  `x.toml:13:1: board.output[0].longest_on = "10 m/s" is not a time`, do: `longest_on = "10 ms"`,
		},
		"too many inputs": {
			text: valid + strings.Repeat("[[board.input]]\n", 8),
			want: "x.toml:21:3: 9 inputs are too many", do: "at most 8",
		},
		"too many outputs": {
			text: valid + strings.Repeat("[[board.output]]\n", 8),
			want: "x.toml:21:3: 9 outputs are too many", do: "at most 8",
		},
	}
	for name, tc := range tests {
		t.Run(name, func(t *testing.T) {
			text := tc.text
			if text == "" {
				text = strings.Replace(valid, tc.spoil[0], tc.spoil[1], 1)
				require.NotEqual(t, valid, text, "the case changes nothing")
			}
			_, err := Parse("x.toml", []byte(text))
			require.Error(t, err)
			all := err.Error()
			var found string
			for line := range strings.Lines(all) {
				if strings.HasPrefix(line, tc.want) {
					found = line
				}
			}
			require.NotEmptyf(t, found, "%q is not among:\n%s", tc.want, all)
			assert.Contains(t, found, tc.do)
			var e *Error
			assert.ErrorAs(t, err, &e)
		})
	}
}

// All that is wrong is said at once.
func TestErrorsAreGathered(t *testing.T) {
	_, err := Parse("x.toml", []byte(head+"[[board.output]]\n[[board.input]]\n"))
	require.Error(t, err)
	for _, what := range []string{"output[0]: name", "output[0]: kind", "output[0]: safe", "longest_on",
		"output[0]: no GPIO line", "input[0]: name", "input[0]: role", "input[0]: active", "input[0]: no GPIO line"} {
		assert.ErrorContains(t, err, what)
	}
}

func TestFind(t *testing.T) {
	dir := t.TempDir()
	t.Chdir(dir)
	t.Setenv("XDG_CONFIG_HOME", filepath.Join(dir, "xdg"))

	c, err := Find("")
	if _, missing := os.Stat("/etc/stillwater/stillwater.toml"); missing != nil {
		require.ErrorIs(t, err, ErrNotFound)
		assert.Equal(t, Default(), c)
	}

	require.NoError(t, os.MkdirAll("xdg/stillwater", 0o755))
	xdg := filepath.Join(dir, "xdg/stillwater/stillwater.toml")
	require.NoError(t, os.WriteFile(xdg, []byte(head+flash), 0o644))
	if places := Places(); places[1] == xdg { // where the system keeps user configuration in XDG's folder
		c, err = Find("")
		require.NoError(t, err)
		assert.Equal(t, xdg, c.Path)
	}

	require.NoError(t, os.WriteFile("stillwater.toml", []byte(head+beam+flash), 0o644))
	c, err = Find("")
	require.NoError(t, err)
	assert.Equal(t, "stillwater.toml", c.Path)
	assert.Len(t, c.Board.Inputs, 1)

	_, err = Find("elsewhere.toml")
	require.Error(t, err)
	assert.True(t, errors.Is(err, os.ErrNotExist))
	assert.ErrorContains(t, err, "elsewhere.toml: cannot be read: no such file or directory")
}

// A broken file in a usual place is an error, not a reason to go on to the next place.
func TestFindDoesNotSkipABrokenFile(t *testing.T) {
	t.Chdir(t.TempDir())
	require.NoError(t, os.WriteFile("stillwater.toml", []byte("listen = 1\n"), 0o644))
	_, err := Find("")
	assert.ErrorContains(t, err, "stillwater.toml:1:10: listen has a value of the wrong kind")
}

// What the README shows must work as it stands there.
func TestReadmeExample(t *testing.T) {
	text, err := os.ReadFile("../../README.md")
	require.NoError(t, err)
	_, after, found := strings.Cut(string(text), "\n    [board]\n")
	require.True(t, found, "the README has an example that begins with [board]")
	example := "[board]\n"
	for _, line := range strings.Split(after, "\n") {
		if line != "" && !strings.HasPrefix(line, "    ") {
			break
		}
		example += strings.TrimPrefix(line, "    ") + "\n"
	}
	c, err := Parse("README.md", []byte(example))
	require.NoError(t, err)
	assert.Equal(t, GPIO, c.Board.Kind)
	assert.Len(t, c.Board.Inputs, 1)
	assert.Len(t, c.Board.Outputs, 1)
}
