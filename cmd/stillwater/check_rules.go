package main

import (
	"errors"
	"fmt"
	"io/fs"
	"strings"
	"syscall"
	"time"

	"stillwater/internal/config"
	"stillwater/internal/gpioboard"
	"stillwater/internal/gpiochip"
	"stillwater/internal/phys"
	"stillwater/internal/wire"
)

// examinations are what is looked at for a kind of board, each on its own.
func examinations(kind config.Kind) []func(site) []finding {
	all := []func(site) []finding{examinePort, examineJournal, examineClock}
	switch kind {
	case config.GPIO:
		return append([]func(site) []finding{
			examineChips, examineLines, examineTwice, examineOtherUses, examineBootLevels, examineOnTimes, examineKill,
			examineHeartbeat, examineInputs, examineInert, examineDrive, examineLimits, examineSocket,
		}, all...)
	case config.Serial:
		return append([]func(site) []finding{examineSerial, examineSocket, examineFirmware, examineBoardClock,
			examineInert}, all...)
	}
	return all
}

// examineChips looks whether there is any GPIO at all.
func examineChips(s site) []finding {
	switch {
	case len(s.gpio.Chips) > 0:
		return nil
	case s.gpio.Err == nil:
		return []finding{{stops, "board", "this machine has no GPIO chip (/dev/gpiochip*)",
			`load its driver, or write kind = "simulated"`}}
	}
	return []finding{s.lookedUp("board", s.gpio.Err)}
}

// lookedUp makes a finding of an error about chips or lines. Where the board is a service with a user of its own, this
// user's rights say nothing.
func (s site) lookedUp(where string, err error) finding {
	f := finding{stops, where, err.Error(), "stillwater pins shows what there is"}
	if e := new(gpiochip.Error); errors.As(err, &e) {
		f.What, f.Remedy = e.Where+": "+e.What, e.Remedy
	}
	if s.conf.Board.Socket != "" && errors.Is(err, fs.ErrPermission) {
		f.Severity, f.Remedy = warning, "the board's service may have them all the same: look with sudo stillwater check"
	}
	return f
}

// examineLines looks whether each line exists and is free.
func examineLines(s site) (all []finding) {
	if len(s.gpio.Chips) == 0 {
		return nil // said already
	}
	var running []string
	for _, u := range uses(s.conf.Board) {
		l, err := gpioboard.FindLine(s.gpio, u.line)
		switch {
		case err != nil:
			all = append(all, s.lookedUp(u.what, err))
		case l.Consumer == gpioboard.Consumer:
			running = append(running, u.what)
		case l.Used:
			all = append(all, finding{stops, u.what, fmt.Sprintf("%s is held by %s", l, holder(l)),
				"stop what holds it (a bus that is switched on, another program), or use another line"})
		}
	}
	if len(running) > 0 {
		all = append(all, finding{note, strings.Join(running, ", "), "held by Stillwater's own board, which is running", ""})
	}
	return all
}

// examineTwice looks for two names of one line.
func examineTwice(s site) (all []finding) {
	first := map[spot]string{}
	for _, u := range uses(s.conf.Board) {
		l, err := gpioboard.FindLine(s.gpio, u.line)
		if err != nil {
			continue
		}
		if before, ok := first[spotOf(l)]; ok {
			all = append(all, finding{stops, u.what, fmt.Sprintf("%s is the line of %s too", l, before),
				"give each input, each output and the heartbeat a line of its own"})
			continue
		}
		first[spotOf(l)] = u.what
	}
	return all
}

// examineOtherUses looks for pins that the header has for something else.
func examineOtherUses(s site) (all []finding) {
	for _, u := range uses(s.conf.Board) {
		if p, ok := s.headerPin(u.line); ok && p.Use != "" {
			all = append(all, finding{warning, u.what, fmt.Sprintf("%s (%s) is for %s", p.Name, p.Position, p.Use),
				"use another pin, or make sure that nothing else uses this one"})
		}
	}
	return all
}

func (s site) headerPin(line config.Line) (gpiochip.HeaderPin, bool) {
	l, err := gpioboard.FindLine(s.gpio, line)
	if err != nil {
		return gpiochip.HeaderPin{}, false
	}
	return s.gpio.Host.Pin(l)
}

// examineBootLevels looks at what outputs do before any program drives them.
func examineBootLevels(s site) (all []finding) {
	const resistor = "a resistor of 10 kilohm from the output to %s holds it off"
	unknown := 0
	for _, o := range s.conf.Board.Outputs {
		where := fmt.Sprintf("output %q", o.Name)
		p, ok := s.headerPin(o.Line)
		switch {
		case !ok:
			unknown++
		case p.BootHigh && !o.SafeHigh:
			all = append(all, finding{warning, where, p.Name + " is pulled up until the board starts: it is on meanwhile",
				"use a line that is pulled down (on the 40-pin header GPIO9 to GPIO27); or " + fmt.Sprintf(resistor, "ground")})
		case !p.BootHigh && o.SafeHigh:
			all = append(all, finding{warning, where, p.Name + " is pulled down until the board starts: it is on meanwhile",
				`wire it to be off when low and write safe = "low"; or ` + fmt.Sprintf(resistor, "3.3 V")})
		}
	}
	if unknown > 0 {
		all = append(all, finding{note, "outputs", "what their lines do until the board starts is not known here",
			fmt.Sprintf(resistor, "its safe level")})
	}
	return all
}

// usefulOnTimes are the longest on-times with which an output of a kind does its work and no harm. Common practice, no
// source.
var usefulOnTimes = map[wire.OutputKind]struct {
	low, high time.Duration
	short     string // why not less
	long      string // why not more
}{
	wire.OutputFlash: {50 * time.Microsecond, 100 * time.Millisecond,
		"an optocoupler and a flash need some time to see it", "a contact that stays closed fires nothing more"},
	wire.OutputValve: {time.Millisecond, time.Second,
		"a valve does not open in it", "a valve that stays open floods the set and heats its coil"},
	wire.OutputShutter: {20 * time.Millisecond, time.Minute, "cameras do not notice so short a contact", ""},
	wire.OutputFocus:   {20 * time.Millisecond, time.Minute, "cameras do not notice so short a contact", ""},
	wire.OutputLamp:    {0, time.Minute, "", ""},
}

// examineOnTimes looks whether the longest on-times are useful and harmless.
func examineOnTimes(s site) (all []finding) {
	for _, o := range s.conf.Board.Outputs {
		limit, where := usefulOnTimes[o.Kind], fmt.Sprintf("output %q", o.Name)
		what := fmt.Sprintf("longest_on = %q is ", phys.Seconds(o.LongestOn).String())
		switch {
		case o.LongestOn < limit.low:
			all = append(all, finding{warning, where, what + "short: " + limit.short,
				fmt.Sprintf("write at least %q", phys.Seconds(limit.low).String())})
		case o.LongestOn > limit.high:
			all = append(all, finding{warning, where, what + "long: " + limit.long,
				fmt.Sprintf("write at most %q", phys.Seconds(limit.high).String())})
		}
	}
	return all
}

// examineKill looks whether there is a kill switch, and whether a lead that falls off stops everything.
func examineKill(s site) (all []finding) {
	kills := 0
	for _, in := range s.conf.Board.Inputs {
		if in.Role != config.Kill {
			continue
		}
		kills++
		if in.ActiveHigh == (in.Bias == config.PullDown) {
			all = append(all, finding{warning, fmt.Sprintf("input %q", in.Name), "a lead that falls off stops nothing",
				`use a switch that opens to stop, with active = "high" and bias = "pull-up"`})
		}
	}
	if kills == 0 {
		all = append(all, finding{warning, "inputs", "none is a kill switch",
			`add an [[board.input]] with role = "kill": a switch that opens, active = "high", bias = "pull-up"`})
	}
	return all
}

// examineHeartbeat looks whether the hardware can see that the board is alive.
func examineHeartbeat(s site) []finding {
	if s.conf.Board.Heartbeat != nil {
		return nil
	}
	return []finding{{note, "heartbeat", "none: if the board process dies, hardware does not see it",
		"add [board.heartbeat] and wire it to the guard of the outputs"}}
}

// examineInputs says what came of asking for them.
func examineInputs(s site) (all []finding) {
	if s.trial.refused != nil {
		all = append(all, s.lookedUp("inputs", s.trial.refused))
	}
	for _, in := range s.trial.undebounced {
		all = append(all, finding{note, fmt.Sprintf("input %q", in.Name), gpioboard.DebounceRefused(in),
			"leave debounce out"})
	}
	return all
}

// examineDrive looks whether the outputs can be driven as wanted.
func examineDrive(s site) []finding {
	switch wanted := s.conf.Board.Drive == config.Mapped; {
	case wanted && s.mappable != nil:
		return []finding{s.lookedUp(`drive = "mapped"`, s.mappable)}
	case !wanted && s.mappable == nil:
		return []finding{{note, `drive = "kernel"`, "this machine could drive the outputs through its registers",
			`drive = "mapped" takes the call to the kernel out of each switching; stillwater lateness shows what it is worth`}}
	}
	return nil
}

// examineLimits looks whether this user gets what exact timing needs.
func examineLimits(s site) (all []finding) {
	if s.conf.Board.Socket != "" {
		return []finding{{note, "real time", "the board is a service: its unit says what it may",
			"systemctl status stillwater-board says what it was given"}}
	}
	for _, g := range s.limits.Missing() {
		all = append(all, finding{warning, "real time", g.What + ": " + g.Why, g.Remedy})
	}
	return all
}

// examineSocket looks at the way to a board that is a service of its own.
func examineSocket(s site) []finding {
	const others = 0o002 // who may write to a socket may connect to it
	at := s.socket
	switch {
	case s.conf.Board.Socket == "":
		return nil
	case errors.Is(at.err, fs.ErrNotExist):
		return []finding{{stops, at.path, "there is no such socket: the board's service is not running",
			"sudo systemctl enable --now stillwater-board.socket, or remove board.socket to have the daemon start the board"}}
	case at.mode != 0 && at.mode.Type() != fs.ModeSocket:
		return []finding{{stops, at.path, "is no socket", "remove it and start the board's service again"}}
	case at.err != nil:
		return []finding{{stops, at.path, "this user may not use it: " + cause(at.err),
			"run Stillwater as the socket's owner: sudo -u stillwater stillwater"}}
	case at.mode.Perm()&others != 0:
		return []finding{{warning, at.path, fmt.Sprintf("everyone on this machine may fire through it (%v)", at.mode.Perm()),
			"give it mode 0600 and the page's user as owner"}}
	}
	return nil
}

// examineSerial looks at the port of a serial board.
func examineSerial(s site) []finding {
	at := s.serial
	switch {
	case errors.Is(at.err, fs.ErrNotExist):
		return []finding{{stops, at.path, "there is no such port",
			"plug the board in; ls /dev/serial/by-id shows what is there"}}
	case errors.As(at.err, new(severalPorts)):
		return []finding{{stops, at.path, cause(at.err) + ", and the configuration does not say which it is",
			"name one with port under [board]"}}
	case at.mode != 0 && at.mode&fs.ModeCharDevice == 0:
		return []finding{{stops, at.path, "is no serial port", "ls /dev/serial/by-id shows the ports"}}
	case s.conf.Board.Socket != "":
		return nil // the service has the port, not this user
	case at.err != nil:
		return []finding{{stops, at.path, "this user may not use it: " + cause(at.err),
			"add the user to the group that owns it, often dialout, and log in again"}}
	}
	return nil
}

// examinePort looks whether the page can have its port.
func examinePort(s site) []finding {
	where := "listen " + s.conf.Listen
	switch {
	case s.listen == nil:
		return nil
	case s.ours:
		return []finding{{note, where, "Stillwater itself has the port: it is running", ""}}
	case errors.Is(s.listen, syscall.EADDRINUSE):
		return []finding{{stops, where, "another program has the port", "stop it, or choose another port with listen"}}
	case errors.Is(s.listen, syscall.EACCES):
		return []finding{{stops, where, "the port is not for this user", "choose a port from 1024 up"}}
	}
	return []finding{{stops, where, s.listen.Error(), `write listen = ":8737"`}}
}

// The space below which the record is in danger. A shot takes some kilobytes.
const (
	roomToStart = 10 << 20
	roomToWork  = 200 << 20
)

// examineJournal looks whether shots can be put on record.
func examineJournal(s site) []finding {
	at := s.journal
	room := fmt.Sprintf("%d MB are free for the record", at.free>>20)
	const remedy = "make room, or name a file on another disk with journal"
	switch {
	case at.err != nil:
		return []finding{{stops, at.path, "the record cannot be written: " + cause(at.err),
			"run it as the folder's owner, or name another file with journal"}}
	case s.record != nil:
		return []finding{{stops, at.path, s.record.Error(), "name another file with journal"}}
	case at.free < roomToStart:
		return []finding{{stops, at.path, room, remedy}}
	case at.free < roomToWork:
		return []finding{{warning, at.path, room, remedy}}
	}
	return nil
}

// examineClock looks whether dates can be believed.
func examineClock(s site) []finding {
	if s.clock.Trusted {
		return nil
	}
	return []finding{{note, "clock", "the system's clock is not synchronised: dates come from the phone until it is",
		"connect the machine to a network with a time server (timedatectl shows it)"}}
}

// cause is what went wrong without the path it went wrong with.
func cause(err error) string {
	if e := new(fs.PathError); errors.As(err, &e) {
		return e.Err.Error()
	}
	return err.Error()
}
