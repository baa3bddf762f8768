package wire

import (
	"bytes"
	"fmt"
)

// MakeName converts s, which must be 1 to MaxName printable ASCII characters.
func MakeName(s string) (Name, error) {
	var n Name
	if len(s) == 0 || len(s) > MaxName {
		return n, fmt.Errorf("wire: name %q has %d characters: use 1 to %d", s, len(s), MaxName)
	}
	copy(n[:], s)
	if i := n.invalidAt(); i >= 0 || bytes.IndexByte(n[:len(s)], 0) >= 0 {
		return Name{}, fmt.Errorf("wire: name %q: use printable ASCII characters only", s)
	}
	return n, nil
}

// String is the name without its padding.
func (n Name) String() string {
	if i := bytes.IndexByte(n[:], 0); i >= 0 {
		return string(n[:i])
	}
	return string(n[:])
}

// invalidAt is the index of the first byte that is neither printable ASCII nor trailing zero padding, or -1.
func (n Name) invalidAt() int {
	ended := false
	for i, b := range n {
		switch {
		case b == 0:
			ended = true
		case ended || b < 0x20 || b > 0x7E:
			return i
		}
	}
	return -1
}

// wordFor is words[v], or the number if there is none.
func wordFor(words []string, v uint8) string {
	if int(v) < len(words) {
		return words[v]
	}
	return fmt.Sprintf("unknown (%d)", v)
}

func (t Type) String() string {
	switch {
	case t >= TypeIdentify && t <= TypeSetLevel:
		return wordFor([]string{"identify", "ping", "load", "commit", "arm", "disarm", "go", "pulse", "set level"},
			uint8(t-TypeIdentify))
	case t >= TypeIdentity && t <= TypeLost:
		return wordFor([]string{"identity", "input", "output", "pong", "ack", "refused", "edge", "shot", "cue", "rejected",
			"fault", "state", "level", "lost"}, uint8(t-TypeIdentity))
	}
	return fmt.Sprintf("unknown (0x%02x)", uint8(t))
}

func (c ResetCause) String() string {
	return wordFor([]string{"unknown", "power on", "watchdog", "brown-out", "external reset", "process start"}, uint8(c))
}

func (k InputKind) String() string {
	return wordFor([]string{"beam", "microphone", "sync", "kill", "button"}, uint8(k))
}

func (k OutputKind) String() string {
	return wordFor([]string{"shutter", "focus", "flash", "valve", "lamp"}, uint8(k))
}

func (c StateCode) String() string {
	return wordFor([]string{"safe", "armed", "firing", "resting", "fault"}, uint8(c))
}

func (s Status) String() string {
	return wordFor([]string{"done", "late", "disarmed", "killed", "link timeout", "aborted"}, uint8(s))
}

// String describes the reason in words that a photographer can act on.
func (r Reason) String() string {
	return wordFor([]string{
		ReasonNone:        "no reason",
		ReasonRequested:   "disarmed on request",
		ReasonShotsDone:   "the shots asked for are done",
		ReasonLinkTimeout: "nothing heard from the computer for a second",
		ReasonKill:        "the kill switch is on",
		ReasonLate:        "too late for the planned time, so it was not fired",
		ReasonMaxOn:       "an output would be on for longer than it may",
		ReasonNotArmed:    "arm first",
		ReasonArmed:       "only while disarmed",
		ReasonFaulted:     "there was a fault: disarm to clear it",
		ReasonNoProgram:   "no program is loaded",
		ReasonBadProgram:  "the board cannot carry out this program",
		ReasonBadCRC:      "the program was damaged on its way to the board",
		ReasonBadLength:   "the length is wrong",
		ReasonNoSuchPin:   "the board has no such input or output",
		ReasonBadValue:    "a value is not allowed",
		ReasonUnsupported: "this board cannot do that",
		ReasonUnknownType: "the board does not know this message",
		ReasonNotOpened:   "waiting for go",
		ReasonNoGate:      "nothing passed the first beam before the second",
		ReasonTooFast:     "faster than the range set",
		ReasonTooSlow:     "slower than the range set",
		ReasonBounce:      "the sensor bounced",
		ReasonResting:     "resting after a shot",
		ReasonBusy:        "a shot or pulse is under way",
		ReasonNotNth:      "an earlier one than the one chosen",
		ReasonLostEdges:   "the sensor changed faster than it could be read",
		ReasonBoard:       "the board itself has a fault",
	}, uint8(r))
}
