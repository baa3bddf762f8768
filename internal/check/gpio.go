package check

import (
	"errors"
	"fmt"
	"io/fs"
	"strings"
	"time"

	"stillwater/internal/config"
	"stillwater/internal/gpioboard"
	"stillwater/internal/gpiochip"
	"stillwater/internal/phys"
	"stillwater/internal/wire"
	"stillwater/internal/wiring"
)

// examineChips checks whether there is any GPIO at all.
func examineChips(s site) []Finding {
	switch {
	case len(s.gpio.Chips) > 0:
		return nil
	case s.gpio.Err == nil:
		return []Finding{{Stop, "board", "this machine has no GPIO chip (/dev/gpiochip*)",
			`load its driver, or write kind = "simulated"`}}
	}
	return []Finding{s.lookedUp("board", s.gpio.Err)}
}

// lookedUp makes a finding of an error about chips or lines. Where the board is a service with a user of its own, this
// user's rights say nothing.
func (s site) lookedUp(where string, err error) Finding {
	f := Finding{Stop, where, err.Error(), "stillwater pins shows what there is"}
	if e := new(gpiochip.Error); errors.As(err, &e) {
		f.What, f.Remedy = e.Where+": "+e.What, e.Remedy
	}
	if s.conf.Board.Socket != "" && errors.Is(err, fs.ErrPermission) {
		f.Severity, f.Remedy = Warning, "the board's service may still have them: run sudo stillwater check"
	}
	return f
}

// examineLines checks whether each line exists and is free.
func examineLines(s site) (all []Finding) {
	if len(s.gpio.Chips) == 0 {
		return nil // said already
	}
	var running []string
	for _, u := range gpioboard.Uses(s.conf.Board) {
		l, err := gpioboard.FindLine(s.gpio, u.Line)
		switch {
		case err != nil:
			all = append(all, s.lookedUp(u.What, err))
		case l.Consumer == gpioboard.Consumer:
			running = append(running, u.What)
		case l.Used:
			all = append(all, Finding{Stop, u.What, fmt.Sprintf("%s is held by %s", l, gpioboard.Holder(l)),
				"stop what holds it (an enabled bus, another program), or use another line"})
		}
	}
	if len(running) > 0 {
		all = append(all, Finding{Note, strings.Join(running, ", "), "held by Stillwater's own board, which is running", ""})
	}
	return all
}

// examineTwice looks for two names of one line.
func examineTwice(s site) (all []Finding) {
	first := map[gpiochip.LineInfo]string{}
	for _, u := range gpioboard.Uses(s.conf.Board) {
		l, err := gpioboard.FindLine(s.gpio, u.Line)
		if err != nil {
			continue
		}
		if before, ok := first[l]; ok {
			all = append(all, Finding{Stop, u.What, fmt.Sprintf("%s is also the line of %s", l, before),
				"give each input, each output and the heartbeat a line of its own"})
			continue
		}
		first[l] = u.What
	}
	return all
}

// examineOtherUses looks for pins that the header has for something else.
func examineOtherUses(s site) (all []Finding) {
	for _, u := range gpioboard.Uses(s.conf.Board) {
		if p, ok := s.headerPin(u.Line); ok && p.Use != "" {
			all = append(all, Finding{Warning, u.What, fmt.Sprintf("%s (%s) is for %s", p.Name, p.Position, p.Use),
				"use another pin, or make sure that nothing else uses this one"})
		}
	}
	return all
}

func (s site) headerPin(line wiring.Line) (gpiochip.HeaderPin, bool) {
	l, err := gpioboard.FindLine(s.gpio, line)
	if err != nil {
		return gpiochip.HeaderPin{}, false
	}
	return s.gpio.Host.Pin(l)
}

// examineBootLevels looks at what outputs do before any program drives them.
func examineBootLevels(s site) (all []Finding) {
	const (
		resistor = "a resistor of 10 kilohm from the output to %s holds it off"
		held     = "the boards in hardware/ and the first build hold it low by themselves; with anything else "
	)
	unknown := 0
	for _, o := range s.conf.Board.Outputs {
		where := fmt.Sprintf("output %q", o.Name)
		p, ok := s.headerPin(o.Line)
		switch {
		case !ok:
			unknown++
		case p.BootHigh && !o.SafeHigh:
			all = append(all, Finding{Warning, where, p.Name + " is pulled up until the board starts: it is on meanwhile",
				"use a line that is pulled down (on the 40-pin header GPIO9 to GPIO27); or leave it: " + held +
					fmt.Sprintf(resistor, "ground")})
		case !p.BootHigh && o.SafeHigh:
			all = append(all, Finding{Warning, where, p.Name + " is pulled down until the board starts: it is on meanwhile",
				`wire it to be off when low and write safe = "low"; or ` + fmt.Sprintf(resistor, "3.3 V")})
		}
	}
	if unknown > 0 {
		all = append(all, Finding{Note, "outputs", "their levels before the board starts are not known on this machine",
			held + fmt.Sprintf(resistor, "its safe level")})
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
	wire.OutputValve: {20 * time.Millisecond, time.Second,
		"a drop takes an opening of 20 to 80 ms", "a valve that stays open floods the set and heats its coil"},
	wire.OutputShutter: {20 * time.Millisecond, time.Minute, "cameras do not notice so short a contact", ""},
	wire.OutputFocus:   {20 * time.Millisecond, time.Minute, "cameras do not notice so short a contact", ""},
	wire.OutputLamp:    {0, time.Minute, "", ""},
}

// examineOnTimes checks whether the longest on-times are useful and harmless.
func examineOnTimes(s site) (all []Finding) {
	for _, o := range s.conf.Board.Outputs {
		limit, where := usefulOnTimes[o.Kind], fmt.Sprintf("output %q", o.Name)
		what := fmt.Sprintf("longest_on = %q is ", phys.Seconds(o.LongestOn).String())
		switch {
		case o.LongestOn < limit.low:
			all = append(all, Finding{Warning, where, what + "short: " + limit.short,
				fmt.Sprintf("write at least %q", phys.Seconds(limit.low).String())})
		case o.LongestOn > limit.high:
			all = append(all, Finding{Warning, where, what + "long: " + limit.long,
				fmt.Sprintf("write at most %q", phys.Seconds(limit.high).String())})
		}
	}
	return all
}

// examineKill checks whether there is a kill switch, and whether a lead that falls off stops everything.
func examineKill(s site) (all []Finding) {
	kills := 0
	for _, in := range s.conf.Board.Inputs {
		if in.Role != wiring.Kill {
			continue
		}
		kills++
		if in.ActiveHigh == (in.Bias == wiring.PullDown) {
			all = append(all, Finding{Warning, fmt.Sprintf("input %q", in.Name), "a lead that falls off stops nothing",
				`use a switch that opens to stop, with active = "high" and bias = "pull-up"`})
		}
	}
	if kills == 0 {
		all = append(all, Finding{Warning, "inputs", "none is a kill switch",
			`add an [[board.input]] with role = "kill": a switch that opens, active = "high", bias = "pull-up"`})
	}
	return all
}

// examineHeartbeat checks whether the hardware can see that the board is alive.
func examineHeartbeat(s site) []Finding {
	if s.conf.Board.Heartbeat != nil {
		return nil
	}
	for _, out := range s.conf.Board.Outputs {
		if out.Kind == wire.OutputValve {
			return []Finding{{Warning, fmt.Sprintf("output %q", out.Name),
				"a valve without a heartbeat guard: if the board process dies, nothing closes it",
				"wire the guard and add [board.heartbeat], or disconnect the valve"}}
		}
	}
	return []Finding{{Note, "heartbeat", "none: if the board process dies, the hardware does not notice",
		"the first build has no guard: stay beside it, and connect no valve; where there is one, wire it and add " +
			"[board.heartbeat]"}}
}

// examineInputs says what came of asking for them.
func examineInputs(s site) (all []Finding) {
	if s.trial.refused != nil {
		all = append(all, s.lookedUp("inputs", s.trial.refused))
	}
	for _, in := range s.trial.undebounced {
		all = append(all, Finding{Note, fmt.Sprintf("input %q", in.Name), gpioboard.DebounceRefused(in),
			"leave debounce out"})
	}
	return all
}

// examineDrive checks whether the outputs can be driven as wanted.
func examineDrive(s site) []Finding {
	switch wanted := s.conf.Board.Drive == config.Mapped; {
	case wanted && s.mappable != nil:
		return []Finding{s.lookedUp(`drive = "mapped"`, s.mappable)}
	case !wanted && s.mappable == nil:
		return []Finding{{Note, `drive = "kernel"`, "this machine could drive the outputs through its registers",
			`drive = "mapped" takes the call to the kernel out of each switching; stillwater lateness measures what that gains`}}
	}
	return nil
}

// examineLimits checks whether this user gets what exact timing needs.
func examineLimits(s site) (all []Finding) {
	if s.conf.Board.Socket != "" {
		return []Finding{{Note, "real time", "the board is a service: its unit file sets its rights",
			"systemctl status stillwater-board shows what it was granted"}}
	}
	for _, g := range s.limits.Missing() {
		all = append(all, Finding{Warning, "real time", g.What + ": " + g.Why, g.Remedy})
	}
	return all
}
