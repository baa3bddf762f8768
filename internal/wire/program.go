package wire

import (
	"encoding/binary"
	"fmt"
)

// Layout of an encoded program: a head, the table, the cues, the opening cues. firmware/PROTOCOL.md has the table.
const (
	programFormat = 1
	headSize      = 28
	pointSize     = 8
	cueSize       = 9

	// MaxProgram is the longest encoded program.
	MaxProgram = headSize + MaxTable*pointSize + 2*MaxCues*cueSize

	atClock    = 1
	atFlags    = 2
	atNth      = 3
	atGate     = 4
	atTableLen = 5
	atCueLen   = 6
	atOpenLen  = 7
	atGateMin  = 8
	atGateMax  = 12
	atHoldOff  = 16
	atLate     = 20
	atRest     = 24

	clockFalling = 1 << 0
	gateFalling  = 1 << 1
)

// Longest times in ticks. They keep any start within half a wrap of the edge that causes it, and any end within half a
// wrap of its start, so that tick comparisons are right.
const (
	MaxDelay = 1 << 29 // delays, offsets either way, gate intervals, hold-off, lateness
	MaxWidth = 1 << 30 // widths, longest on-times, rest
)

// Problem is what is wrong with a program: a reason, and as Detail the byte offset in the encoded program
// (ReasonBadProgram), the pin (ReasonNoSuchPin) or the limit in ticks (ReasonMaxOn). The zero value means no problem.
// It is a value, so that a board can make one without allocating; Err converts it to an error.
type Problem struct {
	Reason Reason
	Detail uint32
}

// OK reports whether there is no problem.
func (p Problem) OK() bool { return p.Reason == ReasonNone }

// Err is nil if there is no problem.
func (p Problem) Err() error {
	if p.OK() {
		return nil
	}
	return programError(p)
}

type programError Problem

func (e programError) Error() string {
	switch e.Reason {
	case ReasonBadProgram:
		return fmt.Sprintf("wire: program byte %d: %s", e.Detail, e.Reason)
	case ReasonNoSuchPin:
		return fmt.Sprintf("wire: program uses pin %d: %s", e.Detail, e.Reason)
	case ReasonMaxOn:
		return fmt.Sprintf("wire: program: %s: %d ticks at most", e.Reason, e.Detail)
	}
	return "wire: program: " + e.Reason.String()
}

// Limits are the limits of a program on one board.
type Limits struct {
	Inputs  uint8 // how many
	Outputs uint8
	Table   uint8
	Cues    uint8
	Kill    uint8  // inputs that are kill inputs, one bit each
	Lead    uint32 // shortest gap between two cues on one output
	MaxOn   [MaxPins]uint32
}

// AppendProgram appends p encoded. Lengths above the protocol's limits are truncated.
func AppendProgram(dst []byte, p *Program) []byte {
	table, cues, open := min(p.TableLen, MaxTable), min(p.CueLen, MaxCues), min(p.OpenLen, MaxCues)
	var flags uint8
	if p.Clock.Falling {
		flags |= clockFalling
	}
	if p.Gate.Falling {
		flags |= gateFalling
	}
	dst = append(dst, programFormat, p.Clock.Input, flags, p.Nth, p.Gate.Input, table, cues, open)
	for _, v := range [...]uint32{p.GateMin, p.GateMax, p.HoldOff, p.Late, p.Rest} {
		dst = binary.LittleEndian.AppendUint32(dst, v)
	}
	for _, point := range p.Table[:table] {
		dst = binary.LittleEndian.AppendUint32(dst, point.Interval)
		dst = binary.LittleEndian.AppendUint32(dst, point.Delay)
	}
	return appendCues(appendCues(dst, p.Cues[:cues]), p.Opening[:open])
}

func appendCues(dst []byte, cues []CueSpec) []byte {
	for _, c := range cues {
		dst = append(dst, c.Output)
		dst = binary.LittleEndian.AppendUint32(dst, uint32(c.Offset))
		dst = binary.LittleEndian.AppendUint32(dst, c.Width)
	}
	return dst
}

// ParseProgram decodes a program. It checks the form only: format, flags, lengths. Check checks the values.
func ParseProgram(b []byte) (Program, Problem) {
	var p Program
	if len(b) < headSize || len(b) > MaxProgram {
		return p, Problem{Reason: ReasonBadLength, Detail: uint32(min(len(b), MaxProgram))}
	}
	switch {
	case b[0] != programFormat:
		return p, badProgram(0)
	case b[atFlags]&^(clockFalling|gateFalling) != 0:
		return p, badProgram(atFlags)
	case b[atTableLen] > MaxTable:
		return p, badProgram(atTableLen)
	case b[atCueLen] > MaxCues:
		return p, badProgram(atCueLen)
	case b[atOpenLen] > MaxCues:
		return p, badProgram(atOpenLen)
	}
	p.TableLen, p.CueLen, p.OpenLen = b[atTableLen], b[atCueLen], b[atOpenLen]
	if len(b) != p.openingAt(int(p.OpenLen)) {
		return Program{}, Problem{Reason: ReasonBadLength, Detail: uint32(len(b))}
	}
	p.Clock = Source{Input: b[atClock], Falling: b[atFlags]&clockFalling != 0}
	p.Gate = Source{Input: b[atGate], Falling: b[atFlags]&gateFalling != 0}
	p.Nth = b[atNth]
	p.GateMin = binary.LittleEndian.Uint32(b[atGateMin:])
	p.GateMax = binary.LittleEndian.Uint32(b[atGateMax:])
	p.HoldOff = binary.LittleEndian.Uint32(b[atHoldOff:])
	p.Late = binary.LittleEndian.Uint32(b[atLate:])
	p.Rest = binary.LittleEndian.Uint32(b[atRest:])
	for i := range p.Table[:p.TableLen] {
		at := b[p.pointAt(i):]
		p.Table[i] = Point{binary.LittleEndian.Uint32(at), binary.LittleEndian.Uint32(at[4:])}
	}
	parseCues(p.Cues[:p.CueLen], b[p.cueAt(0):])
	parseCues(p.Opening[:p.OpenLen], b[p.openingAt(0):])
	return p, Problem{}
}

func parseCues(cues []CueSpec, b []byte) {
	for i := range cues {
		at := b[i*cueSize:]
		cues[i] = CueSpec{
			Output: at[0],
			Offset: int32(binary.LittleEndian.Uint32(at[1:])),
			Width:  binary.LittleEndian.Uint32(at[5:]),
		}
	}
}

func (p *Program) pointAt(i int) int   { return headSize + i*pointSize }
func (p *Program) cueAt(i int) int     { return p.pointAt(int(p.TableLen)) + i*cueSize }
func (p *Program) openingAt(i int) int { return p.cueAt(int(p.CueLen)) + i*cueSize }

func badProgram(at int) Problem { return Problem{ReasonBadProgram, uint32(at)} }

// Check returns the first reason why a board with these limits cannot carry out p. Host and boards share this check.
func (p *Program) Check(l *Limits) Problem {
	if problem := p.checkSources(l); !problem.OK() {
		return problem
	}
	if problem := p.checkTimes(); !problem.OK() {
		return problem
	}
	if problem := p.checkTable(l); !problem.OK() {
		return problem
	}
	return p.checkCues(l)
}

func (p *Program) checkSources(l *Limits) Problem {
	for _, s := range [...]struct {
		Source
		at int
	}{{p.Clock, atClock}, {p.Gate, atGate}} {
		switch {
		case s.Input == NoInput && s.Falling:
			return badProgram(atFlags)
		case s.Input == NoInput:
		case s.Input >= l.Inputs || s.Input >= MaxPins:
			return Problem{ReasonNoSuchPin, uint32(s.Input)}
		case l.Kill&(1<<s.Input) != 0:
			return badProgram(s.at)
		}
	}
	gated := p.Gate.Input != NoInput
	switch {
	case gated && (p.Clock.Input == NoInput || p.Clock.Input == p.Gate.Input):
		return badProgram(atGate)
	case p.Nth == 0, p.Nth > 1 && (gated || p.Clock.Input == NoInput):
		return badProgram(atNth)
	}
	return Problem{}
}

func (p *Program) checkTimes() Problem {
	gated := p.Gate.Input != NoInput
	ranged := gated || p.mayHaveWindow()
	switch {
	case gated && p.GateMin == 0, !ranged && p.GateMin != 0:
		return badProgram(atGateMin)
	case p.GateMax < p.GateMin, p.GateMax > MaxDelay, !ranged && p.GateMax != 0:
		return badProgram(atGateMax)
	case p.HoldOff > MaxDelay:
		return badProgram(atHoldOff)
	case p.Late > MaxDelay:
		return badProgram(atLate)
	case p.Rest > MaxWidth:
		return badProgram(atRest)
	}
	return Problem{}
}

// mayHaveWindow reports whether GateMin and GateMax may be a window for the n-th clock edge after Go.
func (p *Program) mayHaveWindow() bool {
	return p.Gate.Input == NoInput && p.Clock.Input != NoInput && p.OpenLen > 0
}

func (p *Program) checkTable(l *Limits) Problem {
	n := int(p.TableLen)
	if n > MaxTable || n > int(l.Table) {
		return badProgram(atTableLen)
	}
	if p.Gate.Input == NoInput {
		if n != 1 {
			return badProgram(atTableLen)
		}
		if p.Table[0].Interval != 0 {
			return badProgram(p.pointAt(0))
		}
	} else if n < 2 {
		return badProgram(atTableLen)
	}
	for i, point := range p.Table[:n] {
		if point.Interval > MaxDelay || i > 0 && point.Interval <= p.Table[i-1].Interval {
			return badProgram(p.pointAt(i))
		}
		if point.Delay > MaxDelay {
			return badProgram(p.pointAt(i) + 4)
		}
	}
	if p.Table[0].Interval > p.GateMin {
		return badProgram(p.pointAt(0))
	}
	if p.Gate.Input != NoInput && p.Table[n-1].Interval < p.GateMax {
		return badProgram(p.pointAt(n - 1))
	}
	return Problem{}
}

func (p *Program) checkCues(l *Limits) Problem {
	if p.CueLen > MaxCues || p.CueLen > l.Cues {
		return badProgram(atCueLen)
	}
	if p.OpenLen > MaxCues || p.OpenLen > l.Cues {
		return badProgram(atOpenLen)
	}
	cues, opening := p.Cues[:p.CueLen], p.Opening[:p.OpenLen]
	for i := range cues {
		if problem := checkCue(cues, i, -MaxDelay, l, p.cueAt(i)); !problem.OK() {
			return problem
		}
	}
	for i, c := range opening {
		if problem := checkCue(opening, i, 0, l, p.openingAt(i)); !problem.OK() {
			return problem
		}
		for _, other := range cues {
			if other.Output == c.Output { // when the two would meet is not known beforehand
				return badProgram(p.openingAt(i))
			}
		}
	}
	return Problem{}
}

// checkCue checks cues[i], encoded at byte at, by itself and against those before it.
func checkCue(cues []CueSpec, i int, lowest int32, l *Limits, at int) Problem {
	c := cues[i]
	switch {
	case c.Output >= l.Outputs || c.Output >= MaxPins:
		return Problem{ReasonNoSuchPin, uint32(c.Output)}
	case c.Offset < lowest || c.Offset > MaxDelay:
		return badProgram(at + 1)
	case c.Width == 0:
		return badProgram(at + 5)
	case c.Width > l.MaxOn[c.Output] || c.Width > MaxWidth:
		return Problem{ReasonMaxOn, l.MaxOn[c.Output]}
	}
	for _, other := range cues[:i] {
		if other.Output == c.Output && !gapAtLeast(c, other, l.Lead) {
			return badProgram(at)
		}
	}
	return Problem{}
}

// gapAtLeast reports whether two cues on one output have at least gap ticks, and at least one, between them.
func gapAtLeast(a, b CueSpec, gap uint32) bool {
	if b.Offset < a.Offset {
		a, b = b, a
	}
	return int64(b.Offset)-int64(a.Offset)-int64(a.Width) >= max(int64(gap), 1)
}
