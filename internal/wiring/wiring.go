// Package wiring has the words for what is connected to a board's pins: the role of each input, the kind of each
// output, their levels, limits and delays.
package wiring

import (
	"time"

	"stillwater/internal/wire"
)

// Pins is what is connected to a board. Inputs and Outputs are in the order of the configuration, which is their index
// on the wire of a GPIO board. A serial board announces its own: there they say more of those they name, and may be
// left out.
type Pins struct {
	Late    time.Duration // a cue further behind its time than this is late
	HoldOff time.Duration // edges of one input closer than this are bounce
	Inputs  []Input
	Outputs []Output
}

// Input is one sensor or switch.
type Input struct {
	Name        string
	Role        Role
	Line        Line
	ActiveHigh  bool          // the level that means beam broken, sound heard, kill pressed
	ActiveGiven bool          // the file says so: always, but for a serial board, which has a level of its own
	Bias        Bias          //
	Debounce    time.Duration // done by the kernel, which moves the stamp by as much; 0: none
	Delay       time.Duration // from the event at the sensor to the edge on the line
	Go          Gesture       // of a button: what gives Go
}

// Falling reports whether the edge that means something is the falling one.
func (in Input) Falling() bool { return !in.ActiveHigh }

// Output is one thing that is switched.
type Output struct {
	Name      string
	Kind      wire.OutputKind
	Line      Line
	SafeHigh  bool          // the level at which nothing happens; the other level is on
	LongestOn time.Duration // never zero for a GPIO board; a serial board says its own
	Delay     time.Duration // from the line to the light or the contact
}

// Line is one GPIO line: a chip with a line number on it, or a pin name to look up.
type Line struct {
	Chip   string // "/dev/gpiochip0", "gpiochip0", or the chip's label; "" when Pin is given
	Number int
	Pin    string // "GPIO17", or a header position such as "P1_11"; "" when Chip is given
}

// Role is what an input means to the plan.
type Role string

// The roles. Gate is the first of two beams of a throw; Beam is the drop's beam and the throw's second one.
const (
	Beam       Role = "beam"
	Gate       Role = "gate"
	Microphone Role = "microphone"
	Sync       Role = "sync"
	Kill       Role = "kill"
	Button     Role = "button"
)

// Kind is the role's kind on the wire.
func (r Role) Kind() wire.InputKind {
	switch r {
	case Microphone:
		return wire.InputMicrophone
	case Sync:
		return wire.InputSync
	case Kill:
		return wire.InputKill
	case Button:
		return wire.InputButton
	default:
		return wire.InputBeam
	}
}

// Gesture is what a hand or a foot does at a button to give Go. Any other press disarms.
type Gesture string

// The gestures. With NoGesture every press disarms.
const (
	NoGesture  Gesture = ""
	TwoPresses Gesture = "two presses"
	Hold       Gesture = "hold"
)

// Bias is the pull the chip gives an input.
type Bias string

// The biases. AsIs leaves the line as it was found.
const (
	AsIs     Bias = ""
	PullUp   Bias = "pull-up"
	PullDown Bias = "pull-down"
	NoBias   Bias = "none"
)
