package wire

// Version is the protocol version a board announces in its Identity.
const Version = 2

// Limits of the protocol. A body is type, seq, payload and CRC.
const (
	MaxBody    = 64
	MaxPayload = MaxBody - 4
	MaxName    = 16
	MaxPart    = 56 // bytes of program in one LoadPart
	MaxTable   = 32
	MaxCues    = 8
	MaxPins    = 8    // inputs, and outputs, of a board
	NoInput    = 0xFF // the Input of an unused Source
)

// Type is the type of a message: below 0x80 from host to board, above from board to host.
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

// Frame is one message, checked but not yet decoded. It is a value, so that frames are made and passed on without
// allocating, which the board process needs while armed.
type Frame struct {
	Type    Type
	Seq     uint8
	N       uint8 // bytes of Payload in use
	Payload [MaxPayload]byte
}

// Tick is board time: a count at the announced rate that wraps at 32 bits. Two ticks compare correctly while less than
// half a wrap apart.
type Tick uint32

// Sub is t - u, right across a wrap.
func (t Tick) Sub(u Tick) int32 { return int32(t - u) }

// Before reports whether t is earlier than u.
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
	// Commit makes the loaded bytes the board's program, after checking length, CRC, form and the board's limits.
	Commit struct{ Length, CRC uint16 }
	// Arm makes the board accept edges (or Go) for Shots shots, 1 or more.
	Arm struct{ Shots uint16 }
	// Disarm drives the outputs off at once, in any state, and clears a fault whose cause is gone.
	Disarm struct{}
	// Go starts the opening cues, and the delay if the program has no clock input.
	Go struct{}
	// Pulse turns one output on for Width ticks, to test it. Refused while armed.
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
	// Identity describes the board. Times are in ticks. Lead is how far ahead a start must be for the board to meet it;
	// EdgeLead is how long after an edge's stamp, without a gate, and GateLead with one. SafeWithin is the longest time
	// from a reason to be safe to outputs that are off.
	Identity struct {
		Version    uint8
		Reset      ResetCause
		BootID     uint32
		TickHz     uint32
		Lead       uint32
		EdgeLead   uint32
		GateLead   uint32
		SafeWithin uint32
		Inputs     uint8
		Outputs    uint8
		Table      uint8
		Cues       uint8
		Firmware   Name
	}
	// InputInfo describes one input. At its active level a beam is broken, a contact closed, a kill switch at stop, and a
	// sound louder than the threshold.
	InputInfo struct {
		Index      uint8
		Kind       InputKind
		ActiveHigh bool
		Name       Name
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
	// Ack reports that the request with this Seq and Type was carried out.
	Ack struct {
		Seq  uint8
		Type Type
	}
	// Refused reports that it was not, and why. Detail depends on the reason: the pin, the byte, the limit in ticks.
	Refused struct {
		Seq    uint8
		Type   Type
		Reason Reason
		Detail uint32
	}
	// Edge reports changes of an input, at most one message per input and 50 ms; Count is the number of edges.
	Edge struct {
		Input uint8
		High  bool
		Count uint16
		At    Tick
	}
	// Shot reports the end of a shot; Cues is the number of Cue messages sent for it. GateAt equals ClockAt if there is no
	// gate.
	Shot struct {
		Number  uint16
		Status  Status
		Cues    uint8
		GateAt  Tick
		ClockAt Tick
		Delay   uint32
		Bounced uint16
	}
	// Cue reports one pulse that ended: planned start, actual start and actual end. Shot is zero for a test pulse. Off of
	// a pulse cut short is when it was ordered off.
	Cue struct {
		Shot    uint16
		Index   uint8
		Output  uint8
		Opening bool
		Planned Tick
		On      Tick
		Off     Tick
	}
	// Rejected reports edges rejected while armed, at most one message per input and 50 ms; Count is the number of edges,
	// the other fields are those of the last. Interval is the gate interval (ReasonTooFast, ReasonTooSlow), the number of
	// the edge (ReasonNotNth), or zero. With Input NoInput it reports a Go that failed: ReasonLate, At the planned start
	// that was missed, Interval the ticks behind it.
	Rejected struct {
		Reason   Reason
		Input    uint8
		Count    uint16
		At       Tick
		Interval uint32
	}
	// Fault reports a fault; the board is disarmed and its outputs are off.
	Fault struct {
		Reason Reason
		Detail uint32
		At     Tick
	}
	// State is sent on each change of state or reason and after the Ack of Arm, Disarm and Identify. Armed with
	// ReasonNotOpened means that Go is needed next. Bounced and Lost count edges since the last Arm, up to 65535.
	State struct {
		State   StateCode
		Reason  Reason
		Left    uint16 // shots
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
	// Lost reports that Count edges of an input were missed.
	Lost struct {
		Input uint8
		Count uint32
		At    Tick
	}
)

// Name is a short ASCII name, zero padded.
type Name [MaxName]byte

// ResetCause is why the board last started.
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

// InputKind is what is connected to an input.
type InputKind uint8

const (
	InputBeam InputKind = iota
	InputMicrophone
	InputSync
	InputKill
	InputButton
	inputKinds
)

// OutputKind is what is connected to an output.
type OutputKind uint8

const (
	OutputShutter OutputKind = iota
	OutputFocus
	OutputFlash
	OutputValve
	OutputLamp
	outputKinds
)

// StateCode is a board's state as a State message has it: firmware/PROTOCOL.md, States.
type StateCode uint8

const (
	Safe StateCode = iota
	Armed
	Firing
	Resting
	Faulted
	stateCodes
)

// Status is how a shot ended.
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
	ReasonRequested          // disarmed on request
	ReasonShotsDone          // the shots armed for are done
	ReasonLinkTimeout        // nothing heard from the host for a second
	ReasonKill               // the kill input is active
	ReasonLate               // a cue could not be met
	ReasonMaxOn              // an output would be, or was, on longer than its limit
	ReasonNotArmed           // needs arming first
	ReasonArmed              // only when disarmed
	ReasonFaulted            // disarm first, to clear the fault
	ReasonNoProgram          // no program is committed
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
	ReasonBoard              // a fault of the board itself; Detail is its number
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

// Program is a board's program, in its ticks.
//
// With a gate, the delay is interpolated linearly in Table (ascending intervals that cover [GateMin, GateMax], at least
// two points), and an interval outside [GateMin, GateMax] is rejected. Without a gate, Table holds one point with
// interval zero, whose delay is used. Without a clock input Go starts the delay. Check checks these and other rules.
type Program struct {
	Clock    Source // whose edge starts the delay
	Nth      uint8  // 1: the first edge; must be 1 with a gate
	Gate     Source
	GateMin  uint32 // shortest accepted gate interval; without a gate, from when after Go the n-th clock edge counts
	GateMax  uint32 // longest; without a gate, until when; 0: the opening cues' end
	HoldOff  uint32 // edges closer than this to the input's last one are bounce
	Late     uint32 // a cue further behind its time than this is late
	Rest     uint32 // nothing fires for this long after the moment
	TableLen uint8
	CueLen   uint8
	OpenLen  uint8
	Table    [MaxTable]Point
	Cues     [MaxCues]CueSpec
	Opening  [MaxCues]CueSpec
}
