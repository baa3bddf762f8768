// Package gpiochip is the part of the kernel's GPIO character device, uAPI v2, that a board needs: edges with the
// kernel's time stamps and sequence numbers, so that lost edges are detected; outputs that are requested at their off
// level, so that they do not glitch, and switched together in one call.
//
// Source: Linux userspace API guide, "GPIO Character Device Userspace API" (include/uapi/linux/gpio.h, v2). Stamps are
// CLOCK_MONOTONIC nanoseconds. On other systems everything compiles and every call returns ErrUnsupported.
package gpiochip

import (
	"errors"
	"fmt"
	"time"
)

// MaxLines is the most lines one Inputs or Outputs takes: levels are one bit each of a byte.
const MaxLines = 8

// queueLen is the size of the kernel's queue of edges of one chip. The default of 16 a line fills up soon.
const queueLen = 1024

// ErrUnsupported means that this system has no GPIO character device with uAPI v2.
var ErrUnsupported = errors.New("GPIO needs Linux 5.10 or later")

// Chip is a GPIO character device and what the kernel says of it.
type Chip struct {
	Path  string // "/dev/gpiochip0"
	Name  string // "gpiochip0"
	Label string // the driver's name for it
	Lines int
}

// LineInfo is one line of a chip, as the kernel describes it.
type LineInfo struct {
	Chip     Chip
	Number   int
	Name     string // the kernel's name for it, "" if none
	Consumer string // who holds it, "" if not stated
	Used     bool
	Output   bool // it is an output
}

// String is "gpiochip0 line 17 (GPIO17)".
func (l LineInfo) String() string {
	s := fmt.Sprintf("%s line %d", l.Chip.Name, l.Number)
	if l.Name != "" {
		s += " (" + l.Name + ")"
	}
	return s
}

// Bias is the pull the chip gives an input.
type Bias uint8

// The biases. AsIs leaves the current one.
const (
	AsIs Bias = iota
	PullUp
	PullDown
	NoBias
)

// InputRequest asks for one input with both its edges.
type InputRequest struct {
	Line     LineInfo
	Bias     Bias
	Debounce time.Duration // by the kernel, which then stamps the end of the bounce
}

// OutputRequest asks for one output. ActiveLow: on is the low level.
type OutputRequest struct {
	Line      LineInfo
	ActiveLow bool
}

// Event is one edge. High is the electrical level of the line.
type Event struct {
	Input uint8 // index in OpenInputs
	High  bool
	At    int64 // CLOCK_MONOTONIC, nanoseconds
}

// Batch is the result of one Read: the edges in the order of their stamps, and how many of each input's were lost
// before them.
type Batch struct {
	Events []Event
	Lost   [MaxLines]uint32
	Gap    bool // some were lost
}

// NewBatch makes a batch with room for all that one Read can return.
func NewBatch() Batch { return Batch{Events: make([]Event, 0, queueLen)} }

// sortLast sorts the last event into those before it. The kernel stamps an edge in the interrupt and queues it in a
// thread, and the threads of two lines can overtake each other; those of one line cannot.
func (b *Batch) sortLast() {
	for i := len(b.Events) - 1; i > 0 && b.Events[i].At < b.Events[i-1].At; i-- {
		b.Events[i], b.Events[i-1] = b.Events[i-1], b.Events[i]
	}
}

// Error is a failure on a chip or line, with what to do about it.
type Error struct {
	Where  string // chip, or chip and line
	What   string
	Remedy string
	Err    error // the kernel's errno
}

// Error is "where: what: errno; remedy", without what is not known.
func (e *Error) Error() string {
	s := e.Where + ": " + e.What
	if e.Err != nil {
		s += ": " + e.Err.Error()
	}
	if e.Remedy != "" {
		s += "; " + e.Remedy
	}
	return s
}

// Unwrap returns the errno.
func (e *Error) Unwrap() error { return e.Err }

// groupByChip returns the indices of each chip's lines, in the order of the chips' first lines; a line given twice is
// an error.
func groupByChip(lines []LineInfo) ([][]int, error) {
	if len(lines) > MaxLines {
		return nil, fmt.Errorf("%d lines are too many: at most %d", len(lines), MaxLines)
	}
	type spot struct {
		path   string
		number int
	}
	taken := map[spot]int{}
	group := map[string]int{}
	var groups [][]int
	for i, l := range lines {
		at := spot{l.Chip.Path, l.Number}
		if first, ok := taken[at]; ok {
			return nil, &Error{Where: l.String(), What: fmt.Sprintf("is given twice, as number %d and %d", first+1, i+1),
				Remedy: "give each input and output a line of its own"}
		}
		taken[at] = i
		g, ok := group[l.Chip.Path]
		if !ok {
			g = len(groups)
			group[l.Chip.Path] = g
			groups = append(groups, nil)
		}
		groups[g] = append(groups[g], i)
	}
	return groups, nil
}
