package check

import (
	"errors"
	"fmt"
	"io/fs"
	"net"
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
	"stillwater/internal/gpioboard/gpioboardtest"
	"stillwater/internal/gpiochip"
	"stillwater/internal/journal"
	"stillwater/internal/page"
	"stillwater/internal/realtime"
	"stillwater/internal/serialport"
	"stillwater/internal/tether"
	"stillwater/internal/wire"
	"stillwater/internal/wiring"
	"stillwater/web"
)

// goodSite is a configuration and a machine with nothing to find: each case of the test spoils one thing.
func goodSite() site {
	conf := config.Default()
	conf.Board.Kind = config.GPIO
	conf.Board.Heartbeat = &wiring.Line{Pin: "GPIO22"}
	conf.Board.Inputs = []wiring.Input{
		{Name: "beam", Role: wiring.Beam, Line: wiring.Line{Pin: "GPIO27"}, Bias: wiring.PullUp},
		{Name: "kill", Role: wiring.Kill, Line: wiring.Line{Pin: "GPIO5"}, ActiveHigh: true, Bias: wiring.PullUp,
			Debounce: time.Millisecond},
	}
	conf.Board.Outputs = []wiring.Output{
		{Name: "shutter", Kind: wire.OutputShutter, Line: wiring.Line{Pin: "GPIO23"}, LongestOn: 5 * time.Second},
		{Name: "flash", Kind: wire.OutputFlash, Line: wiring.Line{Pin: "GPIO24"}, LongestOn: 10 * time.Millisecond},
	}
	return site{
		conf: conf, gpio: gpioboardtest.HeaderMachine(nil), mappable: errors.New("no registers"),
		clock:   bootclock.Reading{Trusted: true},
		journal: place{path: "/srv/journal.db", mode: 0o600, free: 8 << 30},
		limits:  realtime.Report{Grants: []realtime.Grant{{What: "real-time priority 60", OK: true}}},
	}
}

func TestNothingToFind(t *testing.T) {
	assert.Empty(t, goodSite().findings())
}

// Each finding appears when its one thing is wrong; that it vanishes when it is right is TestNothingToFind.
func TestEachFinding(t *testing.T) {
	flash := func(s *site) *wiring.Output { return &s.conf.Board.Outputs[1] }
	permission := &gpiochip.Error{Where: "/dev/gpiochip0", What: "cannot be opened", Err: syscall.EACCES,
		Remedy: "add the user to the group gpio and log in again"}
	asService := func(s *site) {
		s.conf.Board.Socket = "/run/stillwater/board.sock"
		s.socket = place{path: s.conf.Board.Socket, mode: fs.ModeSocket | 0o600}
	}
	service := Finding{Note, "real time", "the board is a service: its unit file sets its rights", "systemctl status"}
	inert := Finding{Note, `output "flash"`, "no plan switches it yet", ""}
	tests := map[string]struct {
		spoil func(*site)
		want  []Finding // the remedy is a part of what is found
	}{
		"no chip": {
			func(s *site) { s.gpio = gpiochip.Machine{} },
			[]Finding{{Stop, "board", "this machine has no GPIO chip", `kind = "simulated"`},
				{Note, "outputs", "their levels before the board starts are not known on this machine",
					"the first build hold it low by themselves"}},
		},
		"chips are closed": {
			func(s *site) { s.gpio = gpiochip.Machine{Err: permission, Host: s.gpio.Host} },
			[]Finding{{Stop, "board", "/dev/gpiochip0: cannot be opened", "add the user to the group gpio"},
				{Note, "outputs", "their levels before the board starts", "10 kilohm"}},
		},
		"chips are closed to this user, the board is a service": {
			func(s *site) { asService(s); s.gpio = gpiochip.Machine{Err: permission} },
			[]Finding{{Warning, "board", "/dev/gpiochip0: cannot be opened", "sudo stillwater check"}, service,
				{Note, "outputs", "their levels before the board starts", "10 kilohm"}},
		},
		"no folder for the camera's files": {
			func(s *site) {
				s.conf.Camera.Folder = "/srv/camera"
				s.folder = place{path: "/srv/camera", err: fs.ErrNotExist}
			},
			[]Finding{{Warning, "/srv/camera", "there is no such folder for the camera's files", "make it"}},
		},
		"a folder for the camera's files that is another's": {
			func(s *site) {
				s.conf.Camera.Folder = "/srv/camera"
				s.folder = place{path: "/srv/camera", mode: fs.ModeDir, err: syscall.EACCES}
			},
			[]Finding{{Warning, "/srv/camera", "cannot be used: permission denied", "give it to the user"}},
		},
		"a file in the folder's place": {
			func(s *site) {
				s.conf.Camera.Folder = "/srv/camera"
				s.folder = place{path: "/srv/camera"}
			},
			[]Finding{{Warning, "/srv/camera", "it is not a folder", "camera.folder"}},
		},
		"a camera without its program, in the installed service": {
			func(s *site) {
				s.conf.Camera = config.Camera{Folder: "/srv/camera", Port: "auto"}
				s.folder, s.camera, s.deviceless = place{path: "/srv/camera", mode: fs.ModeDir}, tether.ErrMissing, true
			},
			[]Finding{{Warning, "camera.port", "gphoto2, which reads the connected camera, is not installed",
				"sudo apt install gphoto2"},
				{Warning, "camera.port", "the installed service is not allowed to open USB devices",
					"sudo install -Dm644 /usr/share/stillwater/camera.conf /etc/systemd/system/stillwater.service.d/camera.conf"}},
		},
		"a camera on the network needs no devices, and its folder is made": {
			func(s *site) {
				s.conf.Camera = config.Camera{Folder: "/srv/camera", Port: "ptpip:192.0.2.7"}
				s.folder, s.deviceless = place{path: "/srv", mode: fs.ModeDir}, true
			}, nil,
		},
		"not a camera port": {
			func(s *site) {
				s.conf.Camera = config.Camera{Folder: "/srv/camera", Port: "first"}
				s.folder, s.camera = place{path: "/srv/camera", mode: fs.ModeDir}, errors.New("give auto")
			},
			[]Finding{{Stop, "camera.port", `"first" is not a camera port`, "give auto"}},
		},
		"no such pin": {
			func(s *site) { s.conf.Board.Inputs[0].Line.Pin = "GPIO99" },
			[]Finding{{Stop, `input "beam"`, "pin GPIO99: no line is called that", "stillwater pins lists them"}},
		},
		"no such line": {
			func(s *site) { s.conf.Board.Heartbeat = &wiring.Line{Chip: "gpiochip1", Number: 4} },
			[]Finding{{Stop, "heartbeat", "gpiochip1 line 4: does not exist", "lines 0 to 3"}},
		},
		"a line on a chip of which nothing is known": {
			func(s *site) { s.conf.Board.Outputs[0].Line = wiring.Line{Chip: "expander", Number: 1} },
			[]Finding{{Note, "outputs", "their levels before the board starts are not known on this machine", "its safe level"}},
		},
		"held by another program": {
			func(s *site) { s.gpio = gpioboardtest.HeaderMachine(map[int]string{24: "lamp"}) },
			[]Finding{{Stop, `output "flash"`, "gpiochip0 line 24 is held by lamp", "stop what holds it"}},
		},
		"held by the kernel": {
			func(s *site) { s.gpio = gpioboardtest.HeaderMachine(map[int]string{27: ""}) },
			[]Finding{{Stop, `input "beam"`, "gpiochip0 line 27 is held by the kernel", "bus"}},
		},
		"held by our own board": {
			func(s *site) {
				s.gpio = gpioboardtest.HeaderMachine(map[int]string{22: gpioboard.Consumer, 24: gpioboard.Consumer})
			},
			[]Finding{{Note, `heartbeat, output "flash"`, "held by Stillwater's own board", ""}},
		},
		"two names of one line": {
			func(s *site) { flash(s).Line = wiring.Line{Chip: "gpiochip0", Number: 27} },
			[]Finding{{Stop, `output "flash"`, `gpiochip0 line 27 is also the line of input "beam"`, "of its own"}},
		},
		"the heartbeat on an output's line": {
			func(s *site) { s.conf.Board.Heartbeat = &wiring.Line{Pin: "P1_18"} },
			[]Finding{{Stop, `output "flash"`, "gpiochip0 line 24 is also the line of heartbeat", "of its own"}},
		},
		"a pin of the bus": {
			func(s *site) { s.conf.Board.Inputs[0].Line.Pin = "GPIO2" },
			[]Finding{{Warning, `input "beam"`, "GPIO2 (P1_3) is for the I2C bus", "use another pin"}},
		},
		"a pin of the console": {
			func(s *site) { flash(s).Line.Pin = "P1_8" },
			[]Finding{{Warning, `output "flash"`, "GPIO14 (P1_8) is for the serial console", "use another pin"}},
		},
		"a pin of the identification memory": {
			func(s *site) { s.conf.Board.Heartbeat = &wiring.Line{Pin: "GPIO0"} },
			[]Finding{{Warning, "heartbeat", "GPIO0 (P1_27) is for the memory", "use another pin"}},
		},
		"on while the machine boots": {
			func(s *site) { flash(s).Line.Pin = "GPIO6" },
			[]Finding{{Warning, `output "flash"`, "GPIO6 is pulled up until the board starts: it is on", "GPIO9 to GPIO27"}},
		},
		"off when high, low while the machine boots": {
			func(s *site) { flash(s).SafeHigh = true },
			[]Finding{{Warning, `output "flash"`, "GPIO24 is pulled down until the board starts",
				"10 kilohm from the output to 3.3 V"}},
		},
		"off when high, on a pin that boots high": {
			func(s *site) { flash(s).SafeHigh, flash(s).Line.Pin = true, "GPIO6" }, nil,
		},
		"flash long": {
			func(s *site) { flash(s).LongestOn = 2 * time.Second },
			[]Finding{{Warning, `output "flash"`, `longest_on = "2 s" is long`, `at most "100 ms"`}},
		},
		"flash short": {
			func(s *site) { flash(s).LongestOn = 10 * time.Microsecond },
			[]Finding{{Warning, `output "flash"`, `longest_on = "10 µs" is short`, `at least "50 µs"`}},
		},
		"shutter short": {
			func(s *site) { s.conf.Board.Outputs[0].LongestOn = time.Millisecond },
			[]Finding{{Warning, `output "shutter"`, `longest_on = "1 ms" is short: cameras`, `at least "20 ms"`}},
		},
		"focus short": {
			func(s *site) { flash(s).Kind = wire.OutputFocus },
			[]Finding{{Warning, `output "flash"`, `longest_on = "10 ms" is short: cameras`, `at least "20 ms"`}, inert},
		},
		"valve floods": {
			func(s *site) { flash(s).Kind, flash(s).LongestOn = wire.OutputValve, time.Minute },
			[]Finding{{Warning, `output "flash"`, `longest_on = "60 s" is long: a valve that stays open`,
				`at most "1 s"`}},
		},
		"valve without a drop": {
			func(s *site) { flash(s).Kind, flash(s).LongestOn = wire.OutputValve, 10*time.Millisecond },
			[]Finding{{Warning, `output "flash"`, `longest_on = "10 ms" is short: a drop takes an opening`, `at least "20 ms"`}},
		},
		"valve without a beam": {
			func(s *site) {
				s.conf.Board.Inputs[0].Role = wiring.Microphone
				flash(s).Kind, flash(s).LongestOn = wire.OutputValve, 200*time.Millisecond
			},
			[]Finding{{Note, `output "flash"`, "timed from the valve alone, as there is no beam", `role = "beam"`}},
		},
		"a lamp may be on": {
			func(s *site) { flash(s).Kind, flash(s).LongestOn = wire.OutputLamp, time.Minute },
			[]Finding{inert},
		},
		"no kill switch": {
			func(s *site) { s.conf.Board.Inputs[1].Role = wiring.Button },
			[]Finding{{Warning, "inputs", "none is a kill switch", `role = "kill"`}},
		},
		"a kill switch that closes": {
			func(s *site) { s.conf.Board.Inputs[1].ActiveHigh = false },
			[]Finding{{Warning, `input "kill"`, "a lead that falls off stops nothing", "opens to stop"}},
		},
		"a kill switch pulled the wrong way": {
			func(s *site) { s.conf.Board.Inputs[1].Bias = wiring.PullDown },
			[]Finding{{Warning, `input "kill"`, "a lead that falls off stops nothing", `bias = "pull-up"`}},
		},
		"no heartbeat": {
			func(s *site) { s.conf.Board.Heartbeat = nil },
			[]Finding{{Note, "heartbeat", "none", "the first build has no guard: stay beside it, and connect no valve"}},
		},
		"a valve without a guard": {
			func(s *site) {
				s.conf.Board.Heartbeat = nil
				flash(s).Kind, flash(s).LongestOn = wire.OutputValve, 200*time.Millisecond
			},
			[]Finding{{Warning, `output "flash"`, "a valve without a heartbeat guard", "add [board.heartbeat]"}},
		},
		"inputs refused": {
			func(s *site) {
				s.trial.refused = &gpiochip.Error{Where: "gpiochip0", What: "lines [27] were refused", Err: syscall.EINVAL,
					Remedy: "leave bias and debounce out"}
			},
			[]Finding{{Stop, "inputs", "gpiochip0: lines [27] were refused", "leave bias"}},
		},
		"no debounce": {
			func(s *site) { s.trial.undebounced = s.conf.Board.Inputs[1:] },
			[]Finding{{Note, `input "kill"`, "its chip refuses a debounce of 1 ms: the first edge stops everything", "leave"}},
		},
		"no debounce of a button": {
			func(s *site) {
				s.trial.undebounced = []wiring.Input{{Name: "button", Role: wiring.Button, Debounce: 5 * time.Millisecond}}
			},
			[]Finding{{Note, `input "button"`, "its chip refuses a debounce of 5 ms: its first edge counts", "leave"}},
		},
		"mapped and cannot": {
			func(s *site) { s.conf.Board.Drive, s.mappable = config.Mapped, gpiochip.Mappable(gpiochip.Host{}, nil) },
			[]Finding{{Stop, `drive = "mapped"`, "this machine: has no output registers", `drive = "kernel"`}},
		},
		"mapped and can": {func(s *site) { s.conf.Board.Drive, s.mappable = config.Mapped, nil }, nil},
		"could be mapped": {
			func(s *site) { s.mappable = nil },
			[]Finding{{Note, `drive = "kernel"`, "this machine could drive the outputs through its registers", "lateness"}},
		},
		"no real-time priority": {
			func(s *site) {
				s.limits.Grants[0] = realtime.Grant{What: "real-time priority 60", Why: "not permitted", Remedy: "grant it"}
			},
			[]Finding{{Warning, "real time", "real-time priority 60: not permitted", "grant it"}},
		},
		"the service's limits are its own": {
			func(s *site) { asService(s); s.limits.Grants[0].OK = false }, []Finding{service},
		},
		"no socket": {
			func(s *site) { asService(s); s.socket = place{path: "/run/x", err: fs.ErrNotExist} },
			[]Finding{service, {Stop, "/run/x", "there is no such socket", "systemctl enable --now stillwater-board.socket"}},
		},
		"a file in the socket's place": {
			func(s *site) { asService(s); s.socket.mode = 0o600 },
			[]Finding{service, {Stop, "/run/stillwater/board.sock", "it is not a socket", "remove it"}},
		},
		"another user's socket": {
			func(s *site) {
				asService(s)
				s.socket.err = &fs.PathError{Op: "access", Path: "x", Err: syscall.EACCES}
			},
			[]Finding{service, {Stop, "/run/stillwater/board.sock",
				"this user is not allowed to use it: permission denied", "sudo -u"}},
		},
		"a socket that a group may use": {
			func(s *site) { asService(s); s.socket.mode = fs.ModeSocket | 0o664 }, []Finding{service},
		},
		"no such pin, whatever the service may": {
			func(s *site) { asService(s); s.conf.Board.Inputs[0].Line.Pin = "GPIO99" },
			[]Finding{service, {Stop, `input "beam"`, "pin GPIO99: no line is called that", "stillwater pins lists them"}},
		},
		"everyone's socket": {
			func(s *site) { asService(s); s.socket.mode = fs.ModeSocket | 0o602 },
			[]Finding{service, {Warning, "/run/stillwater/board.sock", "everyone on this machine may fire", "0600"}},
		},
		"port in use": {
			func(s *site) { s.listen = fmt.Errorf("listen: %w", syscall.EADDRINUSE) },
			[]Finding{{Stop, "listen 127.0.0.1:8737", "another program has the port", "another port"}},
		},
		"port in use by a running Stillwater": {
			func(s *site) { s.listen, s.ours = fmt.Errorf("listen: %w", syscall.EADDRINUSE), true },
			[]Finding{{Note, "listen 127.0.0.1:8737", "Stillwater itself has the port", ""}},
		},
		"port of the system": {
			func(s *site) { s.listen = fmt.Errorf("listen: %w", syscall.EACCES) },
			[]Finding{{Stop, "listen 127.0.0.1:8737", "this user is not allowed to use the port", "from 1024"}},
		},
		"no such address": {
			func(s *site) { s.listen = errors.New("no such host") },
			[]Finding{{Stop, "listen 127.0.0.1:8737", "no such host", `":8737"`}},
		},
		"journal closed": {
			func(s *site) { s.journal.err = syscall.EACCES },
			[]Finding{{Stop, "/srv/journal.db", "the record cannot be written: permission denied", "journal"}},
		},
		"another file where the journal should be": {
			func(s *site) { s.record = fmt.Errorf("%w: not a regular file", journal.ErrForeign) },
			[]Finding{{Stop, "/srv/journal.db", "the file is not a Stillwater journal: not a regular file", "journal"}},
		},
		"a button": {
			func(s *site) {
				s.conf.Board.Inputs = append(s.conf.Board.Inputs, wiring.Input{Name: "go", Role: wiring.Button,
					Line: wiring.Line{Pin: "GPIO6"}, Go: wiring.Hold})
			},
			nil,
		},
		"the camera's contact": {func(s *site) { s.conf.Board.Inputs[0].Role = wiring.Sync }, nil},
		"the camera's contact without its release": {
			func(s *site) {
				s.conf.Board.Inputs[0].Role = wiring.Sync
				s.conf.Board.Outputs = s.conf.Board.Outputs[1:]
			},
			[]Finding{{Note, `input "beam"`, "the camera's lag is measured by it and by an output that releases the camera",
				`kind = "shutter"`}},
		},
		"a gate without a beam": {
			func(s *site) { s.conf.Board.Inputs[0].Role = wiring.Gate },
			[]Finding{{Note, `input "beam"`, "a gate is the first of two beams of a throw, and there is no second",
				`role = "beam"`}},
		},
		"outputs that no plan switches": {
			func(s *site) {
				s.conf.Board.Outputs[0].Kind = wire.OutputFocus
				s.conf.Board.Outputs[1].Kind = wire.OutputLamp
			},
			[]Finding{{Note, `output "shutter", output "flash"`, "no plan switches it yet", ""}},
		},
		"disk full": {
			func(s *site) { s.journal.free = 5 << 20 },
			[]Finding{{Stop, "/srv/journal.db", "5 MB are free", "make room"}},
		},
		"disk nearly full": {
			func(s *site) { s.journal.free = 50 << 20 },
			[]Finding{{Warning, "/srv/journal.db", "50 MB are free", "make room"}},
		},
		"clock not set": {
			func(s *site) { s.clock.Trusted = false },
			[]Finding{{Note, "clock", "not synchronised", "time server"}},
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
				assert.True(t, f.Remedy != "" || f.Severity == Note, "%v has no remedy", f)
			}
		})
	}
}

// contains looks for a finding of which want has the beginning of what and a part of the remedy.
func contains(found []Finding, want Finding) bool {
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
		"there is no such port":                                 func(s *site) { s.serial = gone },
		"it is not a serial port":                               func(s *site) { s.serial.mode = 0o600 },
		"this user is not allowed to use it: permission denied": func(s *site) { s.serial.err = syscall.EACCES },
		"2 are plugged in": func(s *site) {
			s.serial = place{path: "port", err: &serialport.Error{What: "2 are plugged in", Err: serialport.ErrSeveral}}
		},
	} {
		s := good
		spoil(&s)
		found := s.findings()
		if assert.Len(t, found, 1, want) {
			assert.Equal(t, want, found[0].What)
			assert.Equal(t, Stop, found[0].Severity)
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
	s.serial = place{path: "port", err: &serialport.Error{What: "none is plugged in", Err: serialport.ErrAbsent}}
	require.Len(t, s.findings(), 1)
	assert.Equal(t, "none is plugged in", s.findings()[0].What)
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

// The worst comes first, and the rest in the order in which it was found.
func TestSummarize(t *testing.T) {
	stop, warn, other, say := Finding{Severity: Stop}, Finding{Severity: Warning, Where: "a"},
		Finding{Severity: Warning, Where: "b"}, Finding{Severity: Note}
	r := summarize(Report{Findings: []Finding{say, warn, stop, other}})
	assert.Equal(t, []Finding{stop, warn, other, say}, r.Findings)
	assert.Equal(t, 1, r.Stops)
	assert.Equal(t, 2, r.Warnings)
	assert.NotNil(t, summarize(Report{}).Findings, "an empty list for scripts")
}

// Every error of a file is a finding of its own, with its place.
func TestUnreadableConfiguration(t *testing.T) {
	path := filepath.Join(t.TempDir(), "check.toml")
	require.NoError(t, os.WriteFile(path, []byte("listen = \"nowhere\"\n[board]\nkind = \"simulated\"\nlate = \"1\"\n"),
		0o600))
	r := Run(t.Context(), Options{Path: path})
	require.Len(t, r.Findings, 2)
	assert.Equal(t, 2, r.Stops)
	assert.Equal(t, Finding{Stop, path + ":1:1", "listen = \"nowhere\" is not host:port",
		r.Findings[0].Remedy}, r.Findings[0])
	assert.Equal(t, path+":4:1", r.Findings[1].Where)
	var out strings.Builder
	require.NoError(t, r.Write(&out))
	assert.Contains(t, out.String(), "stop     "+path+":1:1: listen = \"nowhere\" is not host:port\n"+
		"         -> write \":8737\"")
	assert.Contains(t, out.String(), path+": 2 findings stop it, no warnings.\n")
	assert.ErrorIs(t, r.Write(full{}), syscall.ENOSPC)
}

// full is a disk without room.
type full struct{}

func (full) Write([]byte) (int, error) { return 0, syscall.ENOSPC }

// A port that is taken and a journal that is not there yet are found on the machine itself.
func TestSurvey(t *testing.T) {
	dir := t.TempDir()
	o := Options{Getenv: func(string) string { return "" }}
	conf := config.Default()
	conf.Listen = "127.0.0.1:0"
	conf.Journal = filepath.Join(dir, "a", "b", "journal.db")
	s := survey(t.Context(), conf, o)
	assert.NoError(t, s.listen)
	assert.NoError(t, s.journal.err)
	assert.Equal(t, conf.Journal, s.journal.path)
	assert.NotZero(t, s.journal.free)
	assert.NoDirExists(t, filepath.Join(dir, "a"), "looking makes nothing")

	require.NoError(t, os.WriteFile(filepath.Join(dir, "file"), nil, 0o600))
	conf.Journal = filepath.Join(dir, "file", "journal.db")
	assert.Error(t, survey(t.Context(), conf, o).journal.err)
	conf.Journal = dir
	assert.ErrorIs(t, survey(t.Context(), conf, o).record, journal.ErrForeign)
	assert.NoFileExists(t, dir+".lock")

	listener, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	defer listener.Close()
	conf.Listen = listener.Addr().String()
	go http.Serve(listener, http.NotFoundHandler())
	s = survey(t.Context(), conf, o)
	assert.ErrorIs(t, s.listen, syscall.EADDRINUSE)
	assert.False(t, s.ours)

	ours, err := page.New(t.Context(), page.Options{Files: web.Files})
	require.NoError(t, err)
	server := httptest.NewServer(ours.Handler())
	defer server.Close()
	conf.Listen = server.Listener.Addr().String()
	s = survey(t.Context(), conf, o)
	assert.ErrorIs(t, s.listen, syscall.EADDRINUSE)
	assert.True(t, s.ours)
}

// The example configuration has nothing to find on a board with the header.
func TestExampleOnTheHeader(t *testing.T) {
	conf, err := config.Load("../config/testdata/stillwater.toml")
	require.NoError(t, err)
	s := goodSite()
	s.conf = conf
	var where []string
	for _, f := range s.findings() {
		assert.Equal(t, Note, f.Severity, f.What)
		where = append(where, f.Where)
	}
	assert.Equal(t, []string{`output "focus"`}, where,
		"what nothing uses yet")
	assert.Len(t, gpioboard.Uses(conf.Board), 13)
}
