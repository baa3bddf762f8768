package board

import (
	"errors"
	"fmt"

	"stillwater/internal/wire"
)

var (
	// ErrNoAnswer means that the board did not answer a request in time, though the link is alive.
	ErrNoAnswer = errors.New("the board did not answer")
	// ErrGone means that the link was closed or timed out, or that the board restarted. The client cannot be used again.
	ErrGone = errors.New("the board is disconnected")
)

// GoneError is ErrGone with its cause.
type GoneError struct{ Cause error }

func (e *GoneError) Error() string   { return ErrGone.Error() + ": " + e.Cause.Error() }
func (e *GoneError) Unwrap() []error { return []error{ErrGone, e.Cause} }

// RefusedError reports that the board refused a request, and why.
type RefusedError struct {
	Request wire.Type
	Reason  wire.Reason
	Detail  uint32 // depends on the reason: the pin, the byte, the limit in ticks
}

func (e *RefusedError) Error() string {
	return fmt.Sprintf("the board refused to %s: %s", describeRequest(e.Request), e.why())
}

func (e *RefusedError) why() string {
	words := e.Reason.String()
	switch e.Reason {
	case wire.ReasonBadProgram, wire.ReasonBadValue:
		return fmt.Sprintf("%s, at byte %d", words, e.Detail)
	case wire.ReasonNoSuchPin:
		return fmt.Sprintf("%s: number %d", words, e.Detail)
	case wire.ReasonMaxOn:
		return fmt.Sprintf("%s: %d ticks at most", words, e.Detail)
	case wire.ReasonBoard:
		return fmt.Sprintf("%s, number %d", words, e.Detail)
	}
	return words
}

func describeRequest(t wire.Type) string {
	switch t {
	case wire.TypeIdentify:
		return "say what it is"
	case wire.TypePing:
		return "answer a ping"
	case wire.TypeLoad:
		return "take a part of the program"
	case wire.TypeCommit:
		return "take the program"
	case wire.TypeArm:
		return "arm"
	case wire.TypeDisarm:
		return "disarm"
	case wire.TypeGo:
		return "go"
	case wire.TypePulse:
		return "test an output"
	case wire.TypeSetLevel:
		return "set a threshold"
	}
	return fmt.Sprintf("carry out request 0x%02x", uint8(t))
}
