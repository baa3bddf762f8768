// Package serialport opens a serial port for a board: raw, at any rate the port can make, for one program at a time.
// Its errors say what is wrong and what to do about it.
//
// It uses system calls directly. A rate such as 250000 is set by number (BOTHER) together with everything else in one
// call. Reads and writes go through the runtime's poller, so that Close ends them and a reused descriptor is never read
// by mistake, which matters for a port that comes and goes. The general libraries examined close first and wake the
// reader afterwards, block for ever in a write, and support neither locks nor low latency.
package serialport

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
)

// The causes of an Error, for errors.Is.
var (
	ErrAbsent    = errors.New("there is no such port")
	ErrSeveral   = errors.New("there are several ports")
	ErrBusy      = errors.New("the port is in use")
	ErrDenied    = errors.New("no permission")
	ErrUnplugged = errors.New("the port is gone")
)

// Error is what failed on a port, and what to do.
type Error struct {
	Path         string // "": no port in particular
	What, Remedy string
	Err          error
}

func (e *Error) Error() string {
	where := "serial port"
	if e.Path != "" {
		where += " " + e.Path
	}
	return where + ": " + e.What + ": " + e.Remedy
}

func (e *Error) Unwrap() error { return e.Err }

const (
	byID    = "/dev/serial/by-id" // where udev names each USB serial port after its maker and serial number
	devices = "/dev"
)

// Find returns the only USB serial port. Built-in ports are not considered: they must be configured.
func Find() (string, error) { return find(byID, devices) }

func find(named, devices string) (string, error) {
	switch ports := candidates(named, devices); len(ports) {
	case 0:
		return "", &Error{What: "none is plugged in", Err: ErrAbsent,
			Remedy: `plug the board in with a cable that carries data, or name its port: port = "/dev/..." under [board]`}
	case 1:
		return ports[0], nil
	default:
		return "", &Error{What: fmt.Sprintf("%d are plugged in, and any may be the board", len(ports)), Err: ErrSeveral,
			Remedy: "write under [board] one of\n  port = \"" + strings.Join(ports, "\"\n  port = \"") + "\""}
	}
}

// candidates lists the USB serial ports, by udev's persistent names if there are any.
func candidates(named, devices string) []string {
	ports, _ := filepath.Glob(filepath.Join(named, "*")) // the pattern is valid
	if len(ports) == 0 {
		for _, kind := range []string{"ttyUSB*", "ttyACM*"} {
			some, _ := filepath.Glob(filepath.Join(devices, kind))
			ports = append(ports, some...)
		}
	}
	slices.Sort(ports)
	return ports
}

// absent is the error of a port that does not exist; it lists those that do.
func absent(path string, err error) error {
	remedy := "plug the board in, with a cable that carries data"
	if ports := candidates(byID, devices); len(ports) > 0 {
		remedy += "; plugged in now: " + strings.Join(ports, ", ")
	}
	return &Error{Path: path, What: "there is nothing", Remedy: remedy, Err: errors.Join(ErrAbsent, err)}
}

func denied(path, group string, err error) error {
	remedy := "ask the machine's administrator for the right to open it"
	if group != "" {
		remedy = fmt.Sprintf("it belongs to the group %s: sudo usermod -aG %s \"$USER\", then log in again", group, group)
	}
	return &Error{Path: path, What: "no permission to open it", Remedy: remedy, Err: errors.Join(ErrDenied, err)}
}

func busy(path, holder string, err error) error {
	who := "another program"
	remedy := fmt.Sprintf("stop that one; sudo lsof %s says which it is", path)
	if holder != "" {
		who, remedy = holder, "stop that one"
	}
	return &Error{Path: path, What: "it is in use by " + who, Err: errors.Join(ErrBusy, err),
		Remedy: remedy + ` (a Stillwater that is a service: "sudo systemctl stop stillwater")`}
}

func unplugged(path string, err error) error {
	return &Error{Path: path, What: "it is gone, the board was unplugged or lost its power",
		Remedy: "plug it in again", Err: errors.Join(ErrUnplugged, err)}
}

func noPort(path string, err error) error {
	return &Error{Path: path, What: "it is not a serial port", Remedy: "ls /dev/serial/by-id shows the ones plugged in",
		Err: err}
}

func failed(path, doing string, err error) error {
	return &Error{Path: path, What: doing + " failed (" + err.Error() + ")",
		Remedy: "unplug it and plug it in again; if that does not help, use another cable or USB socket", Err: err}
}

// wrapError adds path and doing unless err is an *Error or os.ErrClosed.
func wrapError(path, doing string, err error) error {
	var own *Error
	if err == nil || errors.Is(err, os.ErrClosed) || errors.As(err, &own) {
		return err
	}
	return failed(path, doing, err)
}
