package check

import (
	"errors"
	"fmt"
	"io/fs"
	"strings"
	"syscall"

	"stillwater/internal/config"
	"stillwater/internal/tether"
)

// examinations are what is looked at for a kind of board, each on its own.
func examinations(kind config.Kind) []func(site) []Finding {
	all := []func(site) []Finding{examinePort, examineJournal, examineCamera, examineClock}
	switch kind {
	case config.GPIO:
		return append([]func(site) []Finding{
			examineChips, examineLines, examineTwice, examineOtherUses, examineBootLevels, examineOnTimes, examineKill,
			examineHeartbeat, examineInputs, examineUnused, examineDrive, examineLimits, examineSocket,
		}, all...)
	case config.Serial:
		return append([]func(site) []Finding{examineSerial, examineSocket, examineFirmware, examineBoardClock,
			examineUnused}, all...)
	}
	return all
}

// examineSocket looks at the way to a board that is a service of its own.
func examineSocket(s site) []Finding {
	const others = 0o002 // who may write to a socket may connect to it
	at := s.socket
	switch {
	case s.conf.Board.Socket == "":
		return nil
	case errors.Is(at.err, fs.ErrNotExist):
		return []Finding{{Stop, at.path, "there is no such socket: the board's service is not running",
			"sudo systemctl enable --now stillwater-board.socket, or remove board.socket to have the daemon start the board"}}
	case at.mode != 0 && at.mode.Type() != fs.ModeSocket:
		return []Finding{{Stop, at.path, "it is not a socket", "remove it and start the board's service again"}}
	case at.err != nil:
		return []Finding{{Stop, at.path, "this user is not allowed to use it: " + cause(at.err),
			"run Stillwater as the socket's owner: sudo -u stillwater stillwater"}}
	case at.mode.Perm()&others != 0:
		return []Finding{{Warning, at.path, fmt.Sprintf("everyone on this machine may fire through it (%v)", at.mode.Perm()),
			"give it mode 0600 and the page's user as owner"}}
	}
	return nil
}

// examinePort checks whether the page can have its port.
func examinePort(s site) []Finding {
	where := "listen " + s.conf.Listen
	switch {
	case s.listen == nil:
		return nil
	case s.ours:
		return []Finding{{Note, where, "Stillwater itself has the port: it is running", ""}}
	case errors.Is(s.listen, syscall.EADDRINUSE):
		return []Finding{{Stop, where, "another program has the port", "stop it, or choose another port with listen"}}
	case errors.Is(s.listen, syscall.EACCES):
		return []Finding{{Stop, where, "this user is not allowed to use the port", "choose a port from 1024 up"}}
	}
	return []Finding{{Stop, where, s.listen.Error(), `write listen = ":8737"`}}
}

// The space below which the record is in danger. A shot takes some kilobytes.
const (
	roomToStart = 10 << 20
	roomToWork  = 200 << 20
)

// examineJournal checks whether shots can be put on record.
func examineJournal(s site) []Finding {
	at := s.journal
	room := fmt.Sprintf("%d MB are free for the record", at.free>>20)
	const remedy = "make room, or name a file on another disk with journal"
	switch {
	case at.err != nil:
		return []Finding{{Stop, at.path, "the record cannot be written: " + cause(at.err),
			"run Stillwater as the folder's owner, or name another file with journal"}}
	case s.record != nil:
		return []Finding{{Stop, at.path, s.record.Error(), "name another file with journal"}}
	case at.free < roomToStart:
		return []Finding{{Stop, at.path, room, remedy}}
	case at.free < roomToWork:
		return []Finding{{Warning, at.path, room, remedy}}
	}
	return nil
}

// examineCamera checks whether the camera's files can come.
func examineCamera(s site) (found []Finding) {
	camera, at := s.conf.Camera, s.folder
	if camera.Folder == "" {
		return nil
	}
	switch {
	case errors.Is(at.err, fs.ErrNotExist):
		found = append(found, Finding{Warning, at.path, "there is no such folder for the camera's files",
			"make it, or name another with camera.folder; Stillwater waits for it"})
	case at.err != nil:
		found = append(found, Finding{Warning, at.path, "the folder for the camera's files cannot be used: " + cause(at.err),
			"give it to the user that runs Stillwater, or name another with camera.folder"})
	case !at.mode.IsDir():
		found = append(found, Finding{Warning, at.path, "it is not a folder", "name a folder with camera.folder"})
	}
	if errors.Is(s.camera, tether.ErrMissing) {
		found = append(found, Finding{Warning, "camera.port", "gphoto2, which reads the connected camera, is not installed",
			"sudo apt install gphoto2, or remove camera.port"})
	} else if s.camera != nil {
		found = append(found, Finding{Stop, "camera.port", fmt.Sprintf("%q is not a camera port", camera.Port),
			s.camera.Error()})
	}
	if s.deviceless && camera.Port != "" && !strings.HasPrefix(camera.Port, "ptpip:") {
		found = append(found, Finding{Warning, "camera.port", "the installed service is not allowed to open USB devices",
			"sudo install -Dm644 /usr/share/stillwater/camera.conf " + serviceCamera +
				", then sudo systemctl daemon-reload and sudo systemctl restart stillwater"})
	}
	return found
}

// examineClock checks whether dates can be believed.
func examineClock(s site) []Finding {
	if s.clock.Trusted {
		return nil
	}
	return []Finding{{Note, "clock", "the system's clock is not synchronised: dates come from the phone until it is",
		"connect the machine to a network with a time server (timedatectl shows it)"}}
}

// cause is what went wrong without the path it went wrong with.
func cause(err error) string {
	if e := new(fs.PathError); errors.As(err, &e) {
		return e.Err.Error()
	}
	return err.Error()
}
