package check

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"time"

	"stillwater/internal/config"
	"stillwater/internal/phys"
	"stillwater/internal/serialboard"
	"stillwater/internal/serialport"
	"stillwater/internal/wire"
)

const (
	// listenFor is how long a check listens to a board's clock: the limits of its rate then close in to the sum of two
	// round trips over that time.
	listenFor = 8 * time.Second
	// maxClockErrorPPM is more than any working resonator is off: ceramic ones keep to 0.5 percent (common practice, no
	// source).
	maxClockErrorPPM = 6000
	// usualDelay is for saying what an error of the clock means.
	usualDelay = 400 * time.Millisecond
)

// serialProbe is the outcome of probing a board on a serial port.
type serialProbe struct {
	result serialboard.ProbeResult
	err    error
}

// SerialReport is the report for scripts.
type SerialReport struct {
	Port         string  `json:"port"`
	Firmware     string  `json:"firmware"`
	Protocol     int     `json:"protocol"`
	TickUs       float64 `json:"tick_us"`
	LowLatency   bool    `json:"low_latency"`
	ClockPPM     float64 `json:"clock_ppm"` // fast; 0 too if it could not be learned
	ClockPPMLow  float64 `json:"clock_ppm_low"`
	ClockPPMHigh float64 `json:"clock_ppm_high"`
	RoundTripMs  float64 `json:"shortest_round_trip_ms"`
}

// probeBoard identifies the board on a serial port and listens to its clock.
func probeBoard(ctx context.Context, conf config.Config, listening func(time.Duration)) serialProbe {
	if listening != nil {
		listening(listenFor)
	}
	result, err := serialboard.Probe(ctx, conf, listenFor)
	return serialProbe{result, err}
}

// report is nil without an answer.
func (p serialProbe) report() *SerialReport {
	if p.err != nil || p.result.Port == "" {
		return nil
	}
	f := p.result
	return &SerialReport{
		Port: f.Port, Firmware: f.Identity.Firmware, Protocol: f.Identity.Version,
		TickUs: float64(f.Identity.Tick) / float64(time.Microsecond), LowLatency: f.LowLatency,
		ClockPPM: f.Clock.PPM, ClockPPMLow: f.Clock.LowPPM, ClockPPMHigh: f.Clock.HighPPM,
		RoundTripMs: float64(f.Clock.ShortestRoundTrip) / float64(time.Millisecond),
	}
}

// examineSerial looks at the port of a serial board.
func examineSerial(s site) []Finding {
	at, unknown := s.serial, new(serialport.Error)
	switch {
	case errors.Is(at.err, fs.ErrNotExist):
		return []Finding{{Stop, at.path, "there is no such port",
			"plug the board in; ls /dev/serial/by-id shows what is there"}}
	case errors.As(at.err, &unknown):
		return []Finding{{Stop, at.path, unknown.What, unknown.Remedy}}
	case at.mode != 0 && at.mode&fs.ModeCharDevice == 0:
		return []Finding{{Stop, at.path, "it is not a serial port", "ls /dev/serial/by-id shows the ports"}}
	case s.conf.Board.Socket != "":
		return nil // the service has the port, not this user
	case at.err != nil:
		return []Finding{{Stop, at.path, "this user is not allowed to use it: " + cause(at.err),
			"add the user to the group that owns it, often dialout, and log in again"}}
	}
	return nil
}

// examineFirmware says which firmware the board has, or why it is not known.
func examineFirmware(s site) []Finding {
	switch err := s.probe.err; {
	case err != nil && s.conf.Board.Socket != "", errors.Is(err, serialport.ErrBusy):
		return []Finding{{Note, "firmware", "not asked: " + err.Error(), ""}}
	case errors.Is(err, serialport.ErrAbsent), errors.Is(err, serialport.ErrSeveral), errors.Is(err, serialport.ErrDenied):
		return nil // said of the port
	case err != nil:
		return []Finding{{Stop, "firmware", err.Error(), ""}}
	case s.probe.result.Port == "":
		return nil // nobody asked
	}
	id := s.probe.result.Identity
	found := []Finding{{Note, "firmware", fmt.Sprintf("%s, protocol %d, ticks of %v, %d inputs, %d outputs", id.Firmware,
		wire.Version, phys.Seconds(id.Tick), len(id.Inputs), len(id.Outputs)), ""}}
	if own := serialboard.OwnFirmware(id.Firmware); own != "" {
		found = append(found, Finding{Warning, "firmware", fmt.Sprintf("this program carries %s, the board has %s", own,
			id.Firmware), serialboard.FlashRemedy})
	}
	return found
}

// examineBoardClock says how far the board's clock is off, against this machine's, which a time server keeps right to a
// few parts per million when there is one.
func examineBoardClock(s site) []Finding {
	const where = "the board's clock"
	clock := s.probe.result.Clock
	switch {
	case s.probe.err != nil || s.probe.result.Port == "":
		return nil
	case !s.probe.result.Learned:
		return []Finding{{Warning, where, "it could not be measured: too few answers came back",
			"use another cable or USB socket"}}
	}
	sooner, fast := "early", "faster"
	if clock.PPM < 0 {
		sooner, fast = "late", "slower"
	}
	shift := time.Duration(math.Abs(clock.PPM) * 1e-6 * float64(usualDelay))
	what := fmt.Sprintf("%.0f ppm %s than this machine's (certainly between %+.0f and %+.0f): a delay of %v ends %v %s",
		math.Abs(clock.PPM), fast, clock.LowPPM, clock.HighPPM, phys.Seconds(usualDelay),
		phys.Seconds(shift.Round(time.Microsecond)), sooner)
	if math.Abs(clock.PPM) > maxClockErrorPPM && clock.LowPPM*clock.HighPPM > 0 {
		return []Finding{{Warning, where, what, "no working resonator is that far off: check whether the chip runs at " +
			"the speed that the firmware was built for (fuses), or use a board with a quartz crystal"}}
	}
	return []Finding{{Note, where, what + ", nearly the same in each shot, so that the trim takes it out", ""}}
}
