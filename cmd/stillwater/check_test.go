package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/bootclock"
	"stillwater/internal/config"
	"stillwater/internal/gpioboard"
	"stillwater/internal/gpiochip"
	"stillwater/internal/journal"
	"stillwater/internal/realtime"
	"stillwater/internal/wire"
	"stillwater/web"
)

// headerMachine is a computer with the 40-pin header and an expander, and who holds which line.
func headerMachine(held map[int]string) gpiochip.Machine {
	soc := gpiochip.Chip{Path: "/dev/gpiochip0", Name: "gpiochip0", Label: "pinctrl-bcm2835", Lines: 54}
	expander := gpiochip.Chip{Path: "/dev/gpiochip1", Name: "gpiochip1", Label: "expander", Lines: 4}
	m := gpiochip.Machine{
		Host:  gpiochip.HostOf("A board with a header", []string{"raspberrypi,3-model-b", "brcm,bcm2837"}, 0xa02082),
		Chips: []gpiochip.Chip{soc, expander},
		Lines: map[string][]gpiochip.Line{},
	}
	for _, c := range m.Chips {
		for n := range c.Lines {
			m.Lines[c.Path] = append(m.Lines[c.Path], gpiochip.Line{Chip: c, Number: n})
		}
	}
	for n, by := range held {
		m.Lines[soc.Path][n].Used, m.Lines[soc.Path][n].Consumer = true, by
	}
	return m
}

// goodSite is a configuration and a machine with nothing to find: each case of the test spoils one thing.
func goodSite() site {
	conf := config.Default()
	conf.Board.Kind = config.GPIO
	conf.Board.Heartbeat = &config.Line{Pin: "GPIO22"}
	conf.Board.Inputs = []config.Input{
		{Name: "beam", Role: config.Beam, Line: config.Line{Pin: "GPIO27"}, Bias: config.PullUp},
		{Name: "kill", Role: config.Kill, Line: config.Line{Pin: "GPIO5"}, ActiveHigh: true, Bias: config.PullUp,
			Debounce: time.Millisecond},
	}
	conf.Board.Outputs = []config.Output{
		{Name: "shutter", Kind: wire.OutputShutter, Line: config.Line{Pin: "GPIO23"}, LongestOn: 5 * time.Second},
		{Name: "flash", Kind: wire.OutputFlash, Line: config.Line{Pin: "GPIO24"}, LongestOn: 10 * time.Millisecond},
	}
	return site{
		conf: conf, gpio: headerMachine(nil), mappable: errors.New("no registers"),
		clock:   bootclock.Reading{Trusted: true},
		journal: place{path: "/srv/journal.db", mode: 0o600, free: 8 << 30},
		limits:  realtime.Report{Grants: []realtime.Grant{{What: "real-time priority 60", OK: true}}},
	}
}

func (s site) findings() (all []finding) {
	for _, examine := range examinations(s.conf.Board.Kind) {
		all = append(all, examine(s)...)
	}
	return all
}

func TestNothingToFind(t *testing.T) {
	assert.Empty(t, goodSite().findings())
}

// Each finding appears when its one thing is wrong; that it vanishes when it is right is TestNothingToFind.
func TestEachFinding(t *testing.T) {
	flash := func(s *site) *config.Output { return &s.conf.Board.Outputs[1] }
	permission := &gpiochip.Error{Where: "/dev/gpiochip0", What: "cannot be opened", Err: syscall.EACCES,
		Remedy: "add the user to the group gpio and log in again"}
	asService := func(s *site) {
		s.conf.Board.Socket = "/run/stillwater/board.sock"
		s.socket = place{path: s.conf.Board.Socket, mode: fs.ModeSocket | 0o600}
	}
	service := finding{note, "real time", "the board is a service: its unit says what it may", "systemctl status"}
	inert := finding{note, `output "flash"`, "no plan switches it yet", ""}
	tests := map[string]struct {
		spoil func(*site)
		want  []finding // the remedy is a part of what is found
	}{
		"no chip": {
			func(s *site) { s.gpio = gpiochip.Machine{} },
			[]finding{{stops, "board", "this machine has no GPIO chip", `kind = "simulated"`},
				{note, "outputs", "what their lines do until the board starts is not known here", "10 kilohm"}},
		},
		"chips are closed": {
			func(s *site) { s.gpio = gpiochip.Machine{Err: permission, Host: s.gpio.Host} },
			[]finding{{stops, "board", "/dev/gpiochip0: cannot be opened", "add the user to the group gpio"},
				{note, "outputs", "what their lines do", "10 kilohm"}},
		},
		"chips are closed to this user, the board is a service": {
			func(s *site) { asService(s); s.gpio = gpiochip.Machine{Err: permission} },
			[]finding{{warning, "board", "/dev/gpiochip0: cannot be opened", "sudo stillwater check"}, service,
				{note, "outputs", "what their lines do", "10 kilohm"}},
		},
		"no such pin": {
			func(s *site) { s.conf.Board.Inputs[0].Line.Pin = "GPIO99" },
			[]finding{{stops, `input "beam"`, "pin GPIO99: no line is called that", "stillwater pins lists them"}},
		},
		"no such line": {
			func(s *site) { s.conf.Board.Heartbeat = &config.Line{Chip: "gpiochip1", Number: 4} },
			[]finding{{stops, "heartbeat", "gpiochip1 line 4: does not exist", "lines 0 to 3"}},
		},
		"a line on a chip of which nothing is known": {
			func(s *site) { s.conf.Board.Outputs[0].Line = config.Line{Chip: "expander", Number: 1} },
			[]finding{{note, "outputs", "what their lines do until the board starts is not known here", "its safe level"}},
		},
		"held by another program": {
			func(s *site) { s.gpio = headerMachine(map[int]string{24: "lamp"}) },
			[]finding{{stops, `output "flash"`, "gpiochip0 line 24 is held by lamp", "stop what holds it"}},
		},
		"held by the kernel": {
			func(s *site) { s.gpio = headerMachine(map[int]string{27: ""}) },
			[]finding{{stops, `input "beam"`, "gpiochip0 line 27 is held by the kernel", "bus"}},
		},
		"held by our own board": {
			func(s *site) { s.gpio = headerMachine(map[int]string{22: gpioboard.Consumer, 24: gpioboard.Consumer}) },
			[]finding{{note, `heartbeat, output "flash"`, "held by Stillwater's own board", ""}},
		},
		"two names of one line": {
			func(s *site) { flash(s).Line = config.Line{Chip: "gpiochip0", Number: 27} },
			[]finding{{stops, `output "flash"`, `gpiochip0 line 27 is the line of input "beam" too`, "of its own"}},
		},
		"the heartbeat on an output's line": {
			func(s *site) { s.conf.Board.Heartbeat = &config.Line{Pin: "P1_18"} },
			[]finding{{stops, `output "flash"`, "gpiochip0 line 24 is the line of heartbeat too", "of its own"}},
		},
		"a pin of the bus": {
			func(s *site) { s.conf.Board.Inputs[0].Line.Pin = "GPIO2" },
			[]finding{{warning, `input "beam"`, "GPIO2 (P1_3) is for the I2C bus", "use another pin"}},
		},
		"a pin of the console": {
			func(s *site) { flash(s).Line.Pin = "P1_8" },
			[]finding{{warning, `output "flash"`, "GPIO14 (P1_8) is for the serial console", "use another pin"}},
		},
		"a pin of the identification memory": {
			func(s *site) { s.conf.Board.Heartbeat = &config.Line{Pin: "GPIO0"} },
			[]finding{{warning, "heartbeat", "GPIO0 (P1_27) is for the memory", "use another pin"}},
		},
		"on while the machine boots": {
			func(s *site) { flash(s).Line.Pin = "GPIO6" },
			[]finding{{warning, `output "flash"`, "GPIO6 is pulled up until the board starts: it is on", "GPIO9 to GPIO27"}},
		},
		"off when high, low while the machine boots": {
			func(s *site) { flash(s).SafeHigh = true },
			[]finding{{warning, `output "flash"`, "GPIO24 is pulled down until the board starts",
				"10 kilohm from the output to 3.3 V"}},
		},
		"off when high, on a pin that boots high": {
			func(s *site) { flash(s).SafeHigh, flash(s).Line.Pin = true, "GPIO6" }, nil,
		},
		"flash long": {
			func(s *site) { flash(s).LongestOn = 2 * time.Second },
			[]finding{{warning, `output "flash"`, `longest_on = "2 s" is long`, `at most "100 ms"`}},
		},
		"flash short": {
			func(s *site) { flash(s).LongestOn = 10 * time.Microsecond },
			[]finding{{warning, `output "flash"`, `longest_on = "10 µs" is short`, `at least "50 µs"`}},
		},
		"shutter short": {
			func(s *site) { s.conf.Board.Outputs[0].LongestOn = time.Millisecond },
			[]finding{{warning, `output "shutter"`, `longest_on = "1 ms" is short: cameras`, `at least "20 ms"`}},
		},
		"focus short": {
			func(s *site) { flash(s).Kind = wire.OutputFocus },
			[]finding{{warning, `output "flash"`, `longest_on = "10 ms" is short: cameras`, `at least "20 ms"`}, inert},
		},
		"valve floods": {
			func(s *site) { flash(s).Kind, flash(s).LongestOn = wire.OutputValve, time.Minute },
			[]finding{{warning, `output "flash"`, `longest_on = "60 s" is long: a valve that stays open`,
				`at most "1 s"`}, inert},
		},
		"a lamp may be on": {
			func(s *site) { flash(s).Kind, flash(s).LongestOn = wire.OutputLamp, time.Minute },
			[]finding{inert},
		},
		"no kill switch": {
			func(s *site) { s.conf.Board.Inputs[1].Role = config.Button },
			[]finding{{warning, "inputs", "none is a kill switch", `role = "kill"`},
				{note, `input "kill"`, "a button starts nothing yet", ""}},
		},
		"a kill switch that closes": {
			func(s *site) { s.conf.Board.Inputs[1].ActiveHigh = false },
			[]finding{{warning, `input "kill"`, "a lead that falls off stops nothing", "opens to stop"}},
		},
		"a kill switch pulled the wrong way": {
			func(s *site) { s.conf.Board.Inputs[1].Bias = config.PullDown },
			[]finding{{warning, `input "kill"`, "a lead that falls off stops nothing", `bias = "pull-up"`}},
		},
		"no heartbeat": {
			func(s *site) { s.conf.Board.Heartbeat = nil },
			[]finding{{note, "heartbeat", "none", "[board.heartbeat]"}},
		},
		"inputs refused": {
			func(s *site) {
				s.trial.refused = &gpiochip.Error{Where: "gpiochip0", What: "lines [27] were refused", Err: syscall.EINVAL,
					Remedy: "leave bias and debounce out"}
			},
			[]finding{{stops, "inputs", "gpiochip0: lines [27] were refused", "leave bias"}},
		},
		"no debounce": {
			func(s *site) { s.trial.undebounced = s.conf.Board.Inputs[1:] },
			[]finding{{note, `input "kill"`, "its chip refuses a debounce of 1 ms: the first edge stops everything", "leave"}},
		},
		"no debounce of a button": {
			func(s *site) {
				s.trial.undebounced = []config.Input{{Name: "button", Role: config.Button, Debounce: 5 * time.Millisecond}}
			},
			[]finding{{note, `input "button"`, "its chip refuses a debounce of 5 ms: its first edge counts", "leave"}},
		},
		"mapped and cannot": {
			func(s *site) { s.conf.Board.Drive, s.mappable = config.Mapped, gpiochip.Mappable(gpiochip.Host{}, nil) },
			[]finding{{stops, `drive = "mapped"`, "this machine: has no output registers", `drive = "kernel"`}},
		},
		"mapped and can": {func(s *site) { s.conf.Board.Drive, s.mappable = config.Mapped, nil }, nil},
		"could be mapped": {
			func(s *site) { s.mappable = nil },
			[]finding{{note, `drive = "kernel"`, "this machine could drive the outputs through its registers", "lateness"}},
		},
		"no real-time priority": {
			func(s *site) {
				s.limits.Grants[0] = realtime.Grant{What: "real-time priority 60", Why: "not permitted", Remedy: "grant it"}
			},
			[]finding{{warning, "real time", "real-time priority 60: not permitted", "grant it"}},
		},
		"the service's limits are its own": {
			func(s *site) { asService(s); s.limits.Grants[0].OK = false }, []finding{service},
		},
		"no socket": {
			func(s *site) { asService(s); s.socket = place{path: "/run/x", err: fs.ErrNotExist} },
			[]finding{service, {stops, "/run/x", "there is no such socket", "systemctl enable --now stillwater-board.socket"}},
		},
		"a file in the socket's place": {
			func(s *site) { asService(s); s.socket.mode = 0o600 },
			[]finding{service, {stops, "/run/stillwater/board.sock", "is no socket", "remove it"}},
		},
		"another user's socket": {
			func(s *site) {
				asService(s)
				s.socket.err = &fs.PathError{Op: "access", Path: "x", Err: syscall.EACCES}
			},
			[]finding{service, {stops, "/run/stillwater/board.sock", "this user may not use it: permission denied", "sudo -u"}},
		},
		"a socket that a group may use": {
			func(s *site) { asService(s); s.socket.mode = fs.ModeSocket | 0o664 }, []finding{service},
		},
		"no such pin, whatever the service may": {
			func(s *site) { asService(s); s.conf.Board.Inputs[0].Line.Pin = "GPIO99" },
			[]finding{service, {stops, `input "beam"`, "pin GPIO99: no line is called that", "stillwater pins lists them"}},
		},
		"everyone's socket": {
			func(s *site) { asService(s); s.socket.mode = fs.ModeSocket | 0o602 },
			[]finding{service, {warning, "/run/stillwater/board.sock", "everyone on this machine may fire", "0600"}},
		},
		"port in use": {
			func(s *site) { s.listen = fmt.Errorf("listen: %w", syscall.EADDRINUSE) },
			[]finding{{stops, "listen 127.0.0.1:8737", "another program has the port", "another port"}},
		},
		"port in use by a running Stillwater": {
			func(s *site) { s.listen, s.ours = fmt.Errorf("listen: %w", syscall.EADDRINUSE), true },
			[]finding{{note, "listen 127.0.0.1:8737", "Stillwater itself has the port", ""}},
		},
		"port of the system": {
			func(s *site) { s.listen = fmt.Errorf("listen: %w", syscall.EACCES) },
			[]finding{{stops, "listen 127.0.0.1:8737", "the port is not for this user", "from 1024"}},
		},
		"no such address": {
			func(s *site) { s.listen = errors.New("no such host") },
			[]finding{{stops, "listen 127.0.0.1:8737", "no such host", `":8737"`}},
		},
		"journal closed": {
			func(s *site) { s.journal.err = syscall.EACCES },
			[]finding{{stops, "/srv/journal.db", "the record cannot be written: permission denied", "journal"}},
		},
		"another file where the journal should be": {
			func(s *site) { s.record = fmt.Errorf("%w: not a regular file", journal.ErrForeign) },
			[]finding{{stops, "/srv/journal.db", "the file is not a Stillwater journal: not a regular file", "journal"}},
		},
		"a button": {
			func(s *site) {
				s.conf.Board.Inputs = append(s.conf.Board.Inputs, config.Input{Name: "go", Role: config.Button,
					Line: config.Line{Pin: "GPIO6"}})
			},
			[]finding{{note, `input "go"`, "a button starts nothing yet", ""}},
		},
		"the camera's contact": {
			func(s *site) { s.conf.Board.Inputs[0].Role = config.Sync },
			[]finding{{note, `input "beam"`, "the camera's lag is not measured by it yet", "by hand"}},
		},
		"outputs that no plan switches": {
			func(s *site) {
				s.conf.Board.Outputs[0].Kind = wire.OutputFocus
				s.conf.Board.Outputs[1].Kind = wire.OutputLamp
			},
			[]finding{{note, `output "shutter", output "flash"`, "no plan switches it yet", ""}},
		},
		"disk full": {
			func(s *site) { s.journal.free = 5 << 20 },
			[]finding{{stops, "/srv/journal.db", "5 MB are free", "make room"}},
		},
		"disk nearly full": {
			func(s *site) { s.journal.free = 50 << 20 },
			[]finding{{warning, "/srv/journal.db", "50 MB are free", "make room"}},
		},
		"clock not set": {
			func(s *site) { s.clock.Trusted = false },
			[]finding{{note, "clock", "not synchronised", "time server"}},
		},
	}
	for name, tc := range tests {
		t.Run(name, func(t *testing.T) {
			s := goodSite()
			tc.spoil(&s)
			found := s.findings()
			assert.Len(t, found, len(tc.want), "%v", found)
			for _, want := range tc.want {
				assert.True(t, contains(found, want), "%v\nis not among\n%v", want, found)
			}
			for _, f := range found {
				assert.True(t, f.Remedy != "" || f.Severity == note, "%v has no remedy", f)
			}
		})
	}
}

// contains looks for a finding of which want has the beginning of what and a part of the remedy.
func contains(found []finding, want finding) bool {
	for _, f := range found {
		if f.Severity == want.Severity && f.Where == want.Where && strings.HasPrefix(f.What, want.What) ||
			f.Severity == want.Severity && f.Where == want.Where && strings.Contains(f.What, want.What) {
			return strings.Contains(f.Remedy, want.Remedy)
		}
	}
	return false
}

func TestFindingsOfASerialBoard(t *testing.T) {
	good := goodSite()
	good.conf.Board = config.Board{Kind: config.Serial, Port: "/dev/ttyACM0"}
	good.serial = place{path: "/dev/ttyACM0", mode: fs.ModeDevice | fs.ModeCharDevice | 0o660}
	assert.Empty(t, good.findings())
	gone := place{path: "/dev/ttyACM0", err: fs.ErrNotExist}
	for want, spoil := range map[string]func(*site){
		"there is no such port":                       func(s *site) { s.serial = gone },
		"is no serial port":                           func(s *site) { s.serial.mode = 0o600 },
		"this user may not use it: permission denied": func(s *site) { s.serial.err = syscall.EACCES },
		"2 ports are plugged in, and the configuration does not say which it is": func(s *site) {
			s.serial = place{path: "/dev/serial/by-id", err: severalPorts(2)}
		},
	} {
		s := good
		spoil(&s)
		found := s.findings()
		if assert.Len(t, found, 1, want) {
			assert.Equal(t, want, found[0].What)
			assert.Equal(t, stops, found[0].Severity)
		}
	}
}

// A serial board that is a service has the port for itself; this user needs its socket.
func TestFindingsOfASerialService(t *testing.T) {
	s := goodSite()
	s.conf.Board = config.Board{Kind: config.Serial, Port: "/dev/ttyACM0", Socket: "/run/x"}
	s.socket = place{path: "/run/x", mode: fs.ModeSocket | 0o600}
	s.serial = place{path: "/dev/ttyACM0", mode: fs.ModeDevice | fs.ModeCharDevice | 0o660, err: syscall.EACCES}
	assert.Empty(t, s.findings())
	s.socket = place{path: "/run/x", err: fs.ErrNotExist}
	assert.Len(t, s.findings(), 1)
	s.socket = place{path: "/run/x", mode: fs.ModeSocket | 0o600}
	s.serial = place{path: "/dev/serial/by-id", err: severalPorts(0)}
	require.Len(t, s.findings(), 1)
	assert.Equal(t, "there is no such port", s.findings()[0].What)
}

// A simulated board needs a port and a place for its record, and no pins.
func TestFindingsOfASimulatedBoard(t *testing.T) {
	s := goodSite()
	s.conf.Board = config.Default().Board
	s.gpio = gpiochip.Machine{}
	assert.Empty(t, s.findings())
	s.journal.free = 0
	assert.Len(t, s.findings(), 1)
}

// Every error of a file is a finding of its own, with its place; the exit status is for scripts.
func TestCheckCommand(t *testing.T) {
	dir := t.TempDir()
	t.Chdir(dir)
	state := filepath.Join(dir, "state")
	m := func() (*Main, *strings.Builder) {
		out := &strings.Builder{}
		return &Main{Stdout: out, Stderr: out, Getenv: func(name string) string {
			return map[string]string{"XDG_STATE_HOME": state, "HOME": dir}[name]
		}}, out
	}
	write := func(text string) string {
		path := filepath.Join(dir, "check.toml")
		require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
		return path
	}

	c, out := m()
	bad := write("listen = \"nowhere\"\n[board]\nkind = \"simulated\"\nlate = \"1\"\n")
	assert.Equal(t, 1, c.Run(t.Context(), []string{"check", "--config", bad}))
	assert.Contains(t, out.String(), "stop     "+bad+":1:1: listen = \"nowhere\" is not host:port\n"+
		"         -> write \":8737\"")
	assert.Contains(t, out.String(), "stop     "+bad+":4:1: board.late = \"1\" is not a time\n")
	assert.Contains(t, out.String(), bad+": 2 findings stop it, no warnings.\n")

	good := write("listen = \"127.0.0.1:0\"\n[board]\nkind = \"simulated\"\n")
	c, out = m()
	assert.Equal(t, 0, c.Run(t.Context(), []string{"check", "--config", good, "--json"}), out)
	var answer checked
	require.NoError(t, json.Unmarshal([]byte(out.String()), &answer))
	assert.Equal(t, good, answer.Configuration)
	assert.Equal(t, "simulated", answer.Board)
	assert.NotNil(t, answer.Findings)
	assert.Zero(t, answer.Stops+answer.Warnings)

	c, out = m()
	assert.Equal(t, 1, c.Run(t.Context(), []string{"check", "--config", filepath.Join(dir, "none.toml")}))
	assert.Contains(t, out.String(), "none.toml: cannot be read")
	for _, args := range [][]string{{"check", "extra"}, {"check", "--what"}} {
		c, _ = m()
		assert.Equal(t, 2, c.Run(t.Context(), args), args)
	}
	c, out = m()
	assert.Equal(t, 0, c.Run(t.Context(), []string{"check", "-h"}))
	assert.Contains(t, out.String(), "Exit status: 0 nothing found, 1 something stops it, 2 called wrongly, 3 warnings")
}

func TestStatusOfFindings(t *testing.T) {
	stop, warn, say := finding{Severity: stops}, finding{Severity: warning}, finding{Severity: note}
	c := summary(checked{Findings: []finding{say, warn, stop, warn}})
	assert.Equal(t, []finding{stop, warn, warn, say}, c.Findings)
	assert.Equal(t, statusStops, c.status())
	assert.Equal(t, 3, c.Stops+c.Warnings)
	assert.Equal(t, statusWarnings, summary(checked{Findings: []finding{say, warn}}).status())
	assert.NoError(t, summary(checked{Findings: []finding{say}}).status())
}

// A port that is taken and a journal that is not there yet are found on the machine itself.
func TestSurvey(t *testing.T) {
	dir := t.TempDir()
	m := &Main{Getenv: func(string) string { return "" }}
	conf := config.Default()
	conf.Listen = "127.0.0.1:0"
	conf.Journal = filepath.Join(dir, "a", "b", "journal.db")
	s := m.survey(t.Context(), conf)
	assert.NoError(t, s.listen)
	assert.NoError(t, s.journal.err)
	assert.Equal(t, conf.Journal, s.journal.path)
	assert.NotZero(t, s.journal.free)
	assert.NoDirExists(t, filepath.Join(dir, "a"), "looking makes nothing")

	require.NoError(t, os.WriteFile(filepath.Join(dir, "file"), nil, 0o600))
	conf.Journal = filepath.Join(dir, "file", "journal.db")
	assert.Error(t, m.survey(t.Context(), conf).journal.err)
	conf.Journal = dir
	assert.ErrorIs(t, m.survey(t.Context(), conf).record, journal.ErrForeign)
	assert.NoFileExists(t, dir+".lock")

	listener, err := listen("127.0.0.1:0")
	require.NoError(t, err)
	defer listener.Close()
	conf.Listen = listener.Addr().String()
	go http.Serve(listener, http.NotFoundHandler())
	s = m.survey(t.Context(), conf)
	assert.ErrorIs(t, s.listen, syscall.EADDRINUSE)
	assert.False(t, s.ours)

	page := httptest.NewServer(http.FileServerFS(web.Files))
	defer page.Close()
	conf.Listen = page.Listener.Addr().String()
	s = m.survey(t.Context(), conf)
	assert.ErrorIs(t, s.listen, syscall.EADDRINUSE)
	assert.True(t, s.ours)
}

// The example configuration has nothing to find on a board with the header.
func TestExampleOnTheHeader(t *testing.T) {
	conf, err := config.Load("../../internal/config/testdata/stillwater.toml")
	require.NoError(t, err)
	s := goodSite()
	s.conf = conf
	var where []string
	for _, f := range s.findings() {
		assert.Equal(t, note, f.Severity, f.What)
		where = append(where, f.Where)
	}
	assert.Equal(t, []string{`input "button"`, `input "sync"`, `output "focus", output "valve1", output "valve2"`}, where,
		"what nothing uses yet")
	assert.Len(t, uses(conf.Board), 13)
}
