package wire

// Version is the protocol version a board announces in its Identity.
const Version = 1

// Limits of the protocol. A body is type, seq, payload and CRC.
const (
	MaxBody    = 64
	MaxPayload = MaxBody - 4
	MaxName    = 16
	MaxPart    = 56 // bytes of program in one LoadPart
	MaxTable   = 32
	MaxCues    = 8
	MaxPins    = 8    // inputs, and outputs, of a board
	NoInput    = 0xFF // a Source that is not used
)

// Type names a message. Host to board below 0x80, board to host above.
type Type uint8

const (
	TypeIdentify Type = 0x01
	TypePing     Type = 0x02
	TypeLoad     Type = 0x03
	TypeCommit   Type = 0x04
	TypeArm      Type = 0x05
	TypeDisarm   Type = 0x06
	TypeGo       Type = 0x07
	TypePulse    Type = 0x08
	TypeSetLevel Type = 0x09

	TypeIdentity Type = 0x81
	TypeInput    Type = 0x82
	TypeOutput   Type = 0x83
	TypePong     Type = 0x84
	TypeAck      Type = 0x85
	TypeRefused  Type = 0x86
	TypeEdge     Type = 0x87
	TypeShot     Type = 0x88
	TypeCue      Type = 0x89
	TypeRejected Type = 0x8A
	TypeFault    Type = 0x8B
	TypeState    Type = 0x8C
	TypeLevel    Type = 0x8D
	TypeLost     Type = 0x8E
)

// Frame is one message, checked but not yet taken apart. It is a value: frames are made and passed on without
// allocating, which the board process needs while armed.
type Frame struct {
	Type    Type
	Seq     uint8
	N       uint8 // bytes of Payload in use
	Payload [MaxPayload]byte
}

// Tick is board time: a count at the announced rate that wraps at 32 bits. Two ticks are comparable while less than
// half a wrap apart.
type Tick uint32

// Sub is t - u, right across a wrap.
func (t Tick) Sub(u Tick) int32 { return int32(t - u) }

// Before says whether t is earlier than u.
func (t Tick) Before(u Tick) bool { return t.Sub(u) < 0 }

// Add moves t by d ticks.
func (t Tick) Add(d int32) Tick { return t + Tick(d) }

// Messages from host to board.
type (
	// Identify asks for Identity, then one InputInfo and one OutputInfo for each pin. Allowed at any time.
	Identify struct{}
	// Ping keeps the link alive; the board answers Pong with the same token.
	Ping struct{ Token uint32 }
	// LoadPart is a slice of an encoded Program at Offset. Refused while armed.
	LoadPart struct {
		Offset uint16
		N      uint8
		Data   [MaxPart]byte
	}
	// Commit checks what was loaded against its length and CRC, decodes it, checks it against the board's limits and
	// makes it the program to arm.
	Commit struct{ Length, CRC uint16 }
	// Arm starts accepting edges (or Go) for Shots shots, 1 or more.
	Arm struct{ Shots uint16 }
	// Disarm makes outputs safe at once, in any state, and clears a fault whose cause is gone.
	Disarm struct{}
	// Go plays the opening cues, and starts the delay when the program has no clock input.
	Go struct{}
	// Pulse tests one output for Width ticks, only when disarmed.
	Pulse struct {
		Output uint8
		Width  uint32
	}
	// SetLevel sets an analog input's threshold; boards without analog inputs refuse it.
	SetLevel struct {
		Input     uint8
		Threshold uint16
	}
)

// Messages from board to host.
type (
	// Identity is what the board is. SafeWithin is the longest time from a reason to be safe to safe outputs, Lead the
	// shortest time ahead that a cue can be scheduled; both in ticks.
	Identity struct {
		Version    uint8
		Reset      ResetCause
		BootID     uint32
		TickHz     uint32
		Lead       uint32
		SafeWithin uint32
		Inputs     uint8
		Outputs    uint8
		Table      uint8
		Cues       uint8
		Firmware   Name
	}
	// InputInfo describes one input.
	InputInfo struct {
		Index uint8
		Kind  InputKind
		Name  Name
	}
	// OutputInfo describes one output and the longest time the board lets it be on.
	OutputInfo struct {
		Index uint8
		Kind  OutputKind
		MaxOn uint32
		Name  Name
	}
	// Pong answers Ping with the board's time.
	Pong struct {
		Token uint32
		Now   Tick
	}
	// Ack says that the request with this Seq and Type was carried out.
	Ack struct {
		Seq  uint8
		Type Type
	}
	// Refused says that it was not, and why. Detail depends on the reason: the pin, the byte, the limit in ticks.
	Refused struct {
		Seq    uint8
		Type   Type
		Reason Reason
		Detail uint32
	}
	// Edge reports an input's change, at most one message per input each 50 ms; Count is how many edges it stands for.
	Edge struct {
		Input uint8
		High  bool
		Count uint16
		At    Tick
	}
	// Shot ends a shot, however it ended; Cues is how many Cue messages were sent for it. Gate equals Clock where there is
	// no gate.
	Shot struct {
		Number  uint16
		Status  Status
		Cues    uint8
		Gate    Tick
		Clock   Tick
		Delay   uint32
		Bounced uint16
	}
	// Cue reports one pulse that ended: planned start, actual start and actual end. Shot is zero for a test pulse. A pulse
	// cut short says when it was ordered off.
	Cue struct {
		Shot    uint16
		Index   uint8
		Output  uint8
		Opening bool
		Planned Tick
		On      Tick
		Off     Tick
	}
	// Rejected is an edge seen while armed and not acted on, at most one message per input each 50 ms; Count is how many
	// edges it stands for, the other fields are those of the last. Interval is the gate interval (ReasonTooFast,
	// ReasonTooSlow), which edge of the n this was (ReasonNotNth), or zero. With Input NoInput it is a Go that came to
	// nothing: ReasonLate, At the planned start that was missed, Interval the ticks behind it.
	Rejected struct {
		Reason   Reason
		Input    uint8
		Count    uint16
		At       Tick
		Interval uint32
	}
	// Fault is what went wrong; the board is disarmed and its outputs are safe.
	Fault struct {
		Reason Reason
		Detail uint32
		At     Tick
	}
	// State is sent on each change of state or reason and after Ack of Arm, Disarm and Identify. Armed with
	// ReasonNotOpened needs Go next. Bounced and Lost count edges since the last Arm; they stop at 65535.
	State struct {
		State   StateCode
		Reason  Reason
		Left    uint16 // shots still to come
		Inputs  uint8  // levels, one bit each
		Outputs uint8  // one bit each, 1 is on
		Now     Tick
		Bounced uint16
		Lost    uint16
	}
	// Level streams an analog input's value.
	Level struct {
		Input uint8
		Value uint16
		At    Tick
	}
	// Lost says that Count edges of an input were never seen.
	Lost struct {
		Input uint8
		Count uint32
		At    Tick
	}
)

// Name is a short ASCII name, zero padded.
type Name [MaxName]byte

// ResetCause says why the board last started.
type ResetCause uint8

const (
	ResetUnknown ResetCause = iota
	ResetPowerOn
	ResetWatchdog
	ResetBrownOut
	ResetExternal
	ResetProcess // a process was started
	resetCauses
)

// InputKind says what hangs on an input.
type InputKind uint8

const (
	InputBeam InputKind = iota
	InputMicrophone
	InputSync
	InputKill
	InputButton
	inputKinds
)

// OutputKind says what hangs on an output.
type OutputKind uint8

const (
	OutputShutter OutputKind = iota
	OutputFocus
	OutputFlash
	OutputValve
	OutputLamp
	outputKinds
)

// StateCode is the board's state.
type StateCode uint8

const (
	Safe StateCode = iota
	Armed
	Firing
	Resting
	Faulted
	stateCodes
)

// Status says how a shot ended.
type Status uint8

const (
	Done Status = iota
	Late
	Disarmed
	Killed
	LinkTimeout
	Aborted // fault
	statuses
)

// Reason is why something was refused, rejected, or ended.
type Reason uint8

const (
	ReasonNone        Reason = iota
	ReasonRequested          // disarmed because asked to
	ReasonShotsDone          // the shots armed for are done
	ReasonLinkTimeout        // nothing heard from the host for a second
	ReasonKill               // the kill input is active
	ReasonLate               // a cue could not be met
	ReasonMaxOn              // an output would be, or was, on longer than its limit
	ReasonNotArmed           // needs arming first
	ReasonArmed              // only when disarmed
	ReasonFaulted            // disarm first, to clear the fault
	ReasonNoProgram          // nothing committed
	ReasonBadProgram         // Detail: byte offset
	ReasonBadCRC             //
	ReasonBadLength          //
	ReasonNoSuchPin          // Detail: pin
	ReasonBadValue           // Detail: byte offset in the payload
	ReasonUnsupported        // this board cannot
	ReasonUnknownType        // a message type this board does not know
	ReasonNotOpened          // the program has opening cues: Go first
	ReasonNoGate             // clock edge without a gate edge before it
	ReasonTooFast            // interval below the accepted range
	ReasonTooSlow            // interval above the accepted range
	ReasonBounce             // within the hold-off; counted, not sent one by one
	ReasonResting            // hold-off after a shot
	ReasonBusy               // a shot is under way
	ReasonNotNth             // an earlier edge than the n-th
	ReasonLostEdges          // edges were lost, the gate or count starts again
	ReasonBoard              // the board's own trouble; Detail is its number
	reasons
)

// Source is an input and the direction of its edge.
type Source struct {
	Input   uint8 // NoInput: not used
	Falling bool
}

// Point is one (gate interval, delay) pair of the table, in ticks.
type Point struct{ Interval, Delay uint32 }

// CueSpec is one pulse: Offset ticks from the moment (cues) or from Go (opening cues, never negative).
type CueSpec struct {
	Output uint8
	Offset int32
	Width  uint32
}

// Program is what a board carries out, in its own ticks.
//
// With a gate, the delay is interpolated linearly in Table (ascending intervals that cover [GateMin, GateMax], at least
// two points) and an interval outside [GateMin, GateMax] is rejected. Without one, Table holds a single point with
// interval zero whose delay is used. With no clock input Go starts the delay. Check says what else must hold.
type Program struct {
	Clock    Source
	Nth      uint8 // 1: the first edge; must be 1 with a gate
	Gate     Source
	GateMin  uint32
	GateMax  uint32
	HoldOff  uint32 // edges of an input closer than this to its last are bounce
	Late     uint32 // a cue further behind its time than this is late
	Rest     uint32 // after the moment nothing fires for this long
	TableLen uint8
	CueLen   uint8
	OpenLen  uint8
	Table    [MaxTable]Point
	Cues     [MaxCues]CueSpec
	Opening  [MaxCues]CueSpec
}
