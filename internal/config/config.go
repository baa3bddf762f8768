// Package config reads stillwater.toml: where the page listens, which board there is, and what is connected to its
// pins. It is strict: an unknown key, a value of the wrong type, a missing limit or a line named twice is an error that
// says the file, line and column, and what to write instead.
package config

import (
	"time"

	"stillwater/internal/scene"
	"stillwater/internal/wiring"
)

// Kind names what has the pins.
type Kind string

// The kinds of board a configuration can name.
const (
	Simulated Kind = "simulated" // the rig inside the daemon
	GPIO      Kind = "gpio"      // lines of Linux GPIO chips, in a process of their own
	Serial    Kind = "serial"    // a microcontroller on a serial port
)

// Drive is how the outputs of a GPIO board are switched.
type Drive string

// The drives. With both the kernel holds the lines, gives them their safe level, and says who has them.
const (
	Kernel Drive = "kernel" // a call to the kernel for each switching
	Mapped Drive = "mapped" // the chip's registers, where the host has them
)

// Config is a whole configuration, checked.
type Config struct {
	Path    string // the file it was read from; "" for Default
	Sum     string // of the file's text: two processes that see the same sum read the same configuration
	Name    string // the page is found as Name.local; "": it is not announced
	Listen  string // host:port of the page
	Journal string // database file; "" means the user's state folder
	Board   Board
	Control Arming
	Camera  Camera
	Room    string // of the simulated board: a name in scene.Presets
}

// Board is what fires, and what is connected to its pins.
type Board struct {
	Kind Kind

	Socket string // unix socket of a board that is a service of its own; "": the daemon starts it, or opens its port

	// Of a GPIO board.
	Drive     Drive
	Priority  int          // SCHED_FIFO, 1 to 99; 0: none
	CPU       int          // the processor the board's thread keeps to; AnyCPU: whichever
	Heartbeat *wiring.Line // square wave for the hardware's guard; nil: none

	// Of a serial board.
	Port string // device of the serial port; "": the only one there is
	Baud int

	wiring.Pins
}

// Arming is how arming ends by itself.
type Arming struct {
	Grace  time.Duration // the phone that holds the controls may be gone this long while armed
	ArmFor time.Duration // the longest time armed
}

// Camera says where the camera's files come from, besides phones. The zero value is nowhere.
type Camera struct {
	Folder string // into which they are put
	Port   string // of the connected camera, whose files are copied into it; "" none
}

// Values used where the file says nothing. The times are common practice, no source.
const (
	defaultName   = "stillwater"
	loopback      = "127.0.0.1:8737"
	localNetwork  = ":8737"
	defaultLate   = time.Millisecond
	defaultHold   = 5 * time.Millisecond
	defaultGrace  = 10 * time.Second
	defaultArmFor = 10 * time.Minute
)

// DefaultPriority is above 50, where the kernel puts its interrupt threads by default, so that a busy disk does not
// move a flash. Common practice, no source.
const DefaultPriority = 60

// AnyCPU leaves the choice of the processor to the kernel.
const AnyCPU = -1

// DefaultBaud is the rate of the project's own firmware.
const DefaultBaud = 250000

// Default is the configuration of a machine without one: the simulated rig, seen from this machine only.
func Default() Config {
	return Config{
		Name:   defaultName,
		Listen: loopback,
		Board: Board{
			Kind: Simulated, Drive: Kernel, Priority: DefaultPriority, CPU: AnyCPU, Baud: DefaultBaud,
			Pins: wiring.Pins{Late: defaultLate, HoldOff: defaultHold},
		},
		Control: Arming{Grace: defaultGrace, ArmFor: defaultArmFor},
		Room:    scene.UsualPreset,
	}
}
