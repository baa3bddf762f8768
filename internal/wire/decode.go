package wire

import (
	"encoding/binary"
	"fmt"
)

// PayloadError is the offset of the first byte of a payload with an invalid value, or one of the constants below. It is
// one byte so that converting it to an error does not allocate.
type PayloadError uint8

const (
	WrongLength PayloadError = 0xFF // not the length of this message
	WrongType   PayloadError = 0xFE // another message, or an unknown type
)

func (e PayloadError) Error() string {
	switch e {
	case WrongLength:
		return "wire: payload has the wrong length for its type"
	case WrongType:
		return "wire: frame has another type, or an unknown one"
	}
	return fmt.Sprintf("wire: payload byte %d has an invalid value", uint8(e))
}

// reader reads a payload's fields in order and keeps the first error.
type reader struct {
	p      [MaxPayload]byte
	pos    uint8
	err    PayloadError
	failed bool
}

// read starts reading f as a message of type t with a payload of size bytes.
func read(f *Frame, t Type, size uint8) reader {
	r := reader{p: f.Payload}
	switch {
	case f.Type != t:
		r.fail(WrongType)
	case f.N != size:
		r.fail(WrongLength)
	}
	return r
}

func (r *reader) fail(e PayloadError) {
	if !r.failed {
		r.failed, r.err = true, e
	}
}

func (r *reader) result() error {
	if r.failed {
		return r.err
	}
	return nil
}

func (r *reader) u8() uint8 {
	v := r.p[r.pos]
	r.pos++
	return v
}

// u8Below reads a byte that must be less than n.
func (r *reader) u8Below(n uint8) uint8 {
	at := r.pos
	v := r.u8()
	if v >= n {
		r.fail(PayloadError(at))
	}
	return v
}

// u16AtLeast reads a 16-bit number that must be at least low.
func (r *reader) u16AtLeast(low uint16) uint16 {
	at := r.pos
	v := r.u16()
	if v < low {
		r.fail(PayloadError(at))
	}
	return v
}

func (r *reader) flag() bool { return r.u8Below(2) == 1 }

func (r *reader) u16() uint16 {
	v := binary.LittleEndian.Uint16(r.p[r.pos:])
	r.pos += 2
	return v
}

func (r *reader) u32() uint32 {
	v := binary.LittleEndian.Uint32(r.p[r.pos:])
	r.pos += 4
	return v
}

func (r *reader) tick() Tick { return Tick(r.u32()) }

func (r *reader) name() Name {
	var n Name
	copy(n[:], r.p[r.pos:])
	if i := n.invalidAt(); i >= 0 {
		r.fail(PayloadError(int(r.pos) + i))
	}
	r.pos += MaxName
	return n
}

// ParseIdentify decodes an Identify message. Its error is a PayloadError.
func ParseIdentify(f Frame) (Identify, error) {
	r := read(&f, TypeIdentify, 0)
	return Identify{}, r.result()
}

// ParsePing decodes a Ping message. Its error is a PayloadError.
func ParsePing(f Frame) (Ping, error) {
	r := read(&f, TypePing, 4)
	m := Ping{Token: r.u32()}
	return m, r.result()
}

// ParseLoadPart decodes f; a part has 1 to MaxPart bytes.
func ParseLoadPart(f Frame) (LoadPart, error) {
	if f.Type != TypeLoad {
		return LoadPart{}, WrongType
	}
	if f.N < 3 || f.N > 2+MaxPart {
		return LoadPart{}, WrongLength
	}
	m := LoadPart{Offset: binary.LittleEndian.Uint16(f.Payload[:]), N: f.N - 2}
	copy(m.Data[:], f.Payload[2:f.N])
	return m, nil
}

// ParseCommit decodes a Commit message. Its error is a PayloadError.
func ParseCommit(f Frame) (Commit, error) {
	r := read(&f, TypeCommit, 4)
	m := Commit{Length: r.u16(), CRC: r.u16()}
	return m, r.result()
}

// ParseArm decodes f; zero shots are invalid.
func ParseArm(f Frame) (Arm, error) {
	r := read(&f, TypeArm, 2)
	m := Arm{Shots: r.u16AtLeast(1)}
	return m, r.result()
}

// ParseDisarm decodes a Disarm message. Its error is a PayloadError.
func ParseDisarm(f Frame) (Disarm, error) {
	r := read(&f, TypeDisarm, 0)
	return Disarm{}, r.result()
}

// ParseGo decodes a Go message. Its error is a PayloadError.
func ParseGo(f Frame) (Go, error) {
	r := read(&f, TypeGo, 0)
	return Go{}, r.result()
}

// ParsePulse decodes f; the board checks output and width against its limits.
func ParsePulse(f Frame) (Pulse, error) {
	r := read(&f, TypePulse, 5)
	m := Pulse{Output: r.u8(), Width: r.u32()}
	if m.Width == 0 {
		r.fail(1)
	}
	return m, r.result()
}

// ParseSetLevel decodes a SetLevel message. Its error is a PayloadError.
func ParseSetLevel(f Frame) (SetLevel, error) {
	r := read(&f, TypeSetLevel, 3)
	m := SetLevel{Input: r.u8(), Threshold: r.u16()}
	return m, r.result()
}

// ParseIdentity decodes an Identity message. Its error is a PayloadError. It does not check Version.
func ParseIdentity(f Frame) (Identity, error) {
	r := read(&f, TypeIdentity, 46)
	m := Identity{Version: r.u8(), Reset: ResetCause(r.u8Below(uint8(resetCauses)))}
	m.BootID = r.u32()
	m.TickHz = r.u32()
	if m.TickHz == 0 {
		r.fail(6)
	}
	m.Lead = r.u32()
	m.EdgeLead = r.u32()
	m.GateLead = r.u32()
	m.SafeWithin = r.u32()
	m.Inputs = r.u8Below(MaxPins + 1)
	m.Outputs = r.u8Below(MaxPins + 1)
	m.Table = r.u8Below(MaxTable + 1)
	m.Cues = r.u8Below(MaxCues + 1)
	m.Firmware = r.name()
	return m, r.result()
}

// ParseInputInfo decodes an InputInfo message. Its error is a PayloadError.
func ParseInputInfo(f Frame) (InputInfo, error) {
	r := read(&f, TypeInput, 3+MaxName)
	m := InputInfo{Index: r.u8Below(MaxPins), Kind: InputKind(r.u8Below(uint8(inputKinds))), ActiveHigh: r.flag(),
		Name: r.name()}
	return m, r.result()
}

// ParseOutputInfo decodes f; a longest on-time of zero is invalid.
func ParseOutputInfo(f Frame) (OutputInfo, error) {
	r := read(&f, TypeOutput, 6+MaxName)
	m := OutputInfo{Index: r.u8Below(MaxPins), Kind: OutputKind(r.u8Below(uint8(outputKinds))), MaxOn: r.u32()}
	if m.MaxOn == 0 {
		r.fail(2)
	}
	m.Name = r.name()
	return m, r.result()
}

// ParsePong decodes a Pong message. Its error is a PayloadError.
func ParsePong(f Frame) (Pong, error) {
	r := read(&f, TypePong, 8)
	m := Pong{Token: r.u32(), Now: r.tick()}
	return m, r.result()
}

// ParseAck decodes an Ack message. Its error is a PayloadError.
func ParseAck(f Frame) (Ack, error) {
	r := read(&f, TypeAck, 2)
	m := Ack{Seq: r.u8(), Type: Type(r.u8())}
	return m, r.result()
}

// ParseRefused decodes a Refused message. Its error is a PayloadError. Type is the request's, known or not.
func ParseRefused(f Frame) (Refused, error) {
	r := read(&f, TypeRefused, 7)
	m := Refused{Seq: r.u8(), Type: Type(r.u8()), Reason: Reason(r.u8Below(uint8(reasons))), Detail: r.u32()}
	return m, r.result()
}

// ParseEdge decodes an Edge message. Its error is a PayloadError.
func ParseEdge(f Frame) (Edge, error) {
	r := read(&f, TypeEdge, 8)
	m := Edge{Input: r.u8Below(MaxPins), High: r.flag(), Count: r.u16AtLeast(1), At: r.tick()}
	return m, r.result()
}

// ParseShot decodes a Shot message. Its error is a PayloadError.
func ParseShot(f Frame) (Shot, error) {
	r := read(&f, TypeShot, 18)
	m := Shot{Number: r.u16AtLeast(1), Status: Status(r.u8Below(uint8(statuses))), Cues: r.u8Below(2*MaxCues + 1)}
	m.GateAt = r.tick()
	m.ClockAt = r.tick()
	m.Delay = r.u32()
	m.Bounced = r.u16()
	return m, r.result()
}

// ParseCue decodes a Cue message. Its error is a PayloadError.
func ParseCue(f Frame) (Cue, error) {
	r := read(&f, TypeCue, 17)
	m := Cue{Shot: r.u16(), Index: r.u8Below(MaxCues), Output: r.u8Below(MaxPins), Opening: r.flag()}
	m.Planned = r.tick()
	m.On = r.tick()
	m.Off = r.tick()
	return m, r.result()
}

// ParseRejected decodes f; Input is an input or NoInput.
func ParseRejected(f Frame) (Rejected, error) {
	r := read(&f, TypeRejected, 12)
	m := Rejected{Reason: Reason(r.u8Below(uint8(reasons))), Input: r.u8()}
	if m.Input >= MaxPins && m.Input != NoInput {
		r.fail(1)
	}
	m.Count = r.u16AtLeast(1)
	m.At = r.tick()
	m.Interval = r.u32()
	return m, r.result()
}

// ParseFault decodes a Fault message. Its error is a PayloadError.
func ParseFault(f Frame) (Fault, error) {
	r := read(&f, TypeFault, 9)
	m := Fault{Reason: Reason(r.u8Below(uint8(reasons))), Detail: r.u32(), At: r.tick()}
	return m, r.result()
}

// ParseState decodes a State message. Its error is a PayloadError.
func ParseState(f Frame) (State, error) {
	r := read(&f, TypeState, 14)
	m := State{State: StateCode(r.u8Below(uint8(stateCodes))), Reason: Reason(r.u8Below(uint8(reasons)))}
	m.Left = r.u16()
	m.Inputs = r.u8()
	m.Outputs = r.u8()
	m.Now = r.tick()
	m.Bounced = r.u16()
	m.Lost = r.u16()
	return m, r.result()
}

// ParseLevel decodes a Level message. Its error is a PayloadError.
func ParseLevel(f Frame) (Level, error) {
	r := read(&f, TypeLevel, 7)
	m := Level{Input: r.u8Below(MaxPins), Value: r.u16(), At: r.tick()}
	return m, r.result()
}

// ParseLost decodes a Lost message. Its error is a PayloadError.
func ParseLost(f Frame) (Lost, error) {
	r := read(&f, TypeLost, 9)
	m := Lost{Input: r.u8Below(MaxPins), Count: r.u32(), At: r.tick()}
	if m.Count == 0 {
		r.fail(1)
	}
	return m, r.result()
}

// Parse decodes f according to its type. It allocates; boards use the functions above, which do not.
func Parse(f Frame) (Message, error) {
	switch f.Type {
	case TypeIdentify:
		return wrapMessage(ParseIdentify(f))
	case TypePing:
		return wrapMessage(ParsePing(f))
	case TypeLoad:
		return wrapMessage(ParseLoadPart(f))
	case TypeCommit:
		return wrapMessage(ParseCommit(f))
	case TypeArm:
		return wrapMessage(ParseArm(f))
	case TypeDisarm:
		return wrapMessage(ParseDisarm(f))
	case TypeGo:
		return wrapMessage(ParseGo(f))
	case TypePulse:
		return wrapMessage(ParsePulse(f))
	case TypeSetLevel:
		return wrapMessage(ParseSetLevel(f))
	}
	return parseFromBoard(f)
}

func parseFromBoard(f Frame) (Message, error) {
	switch f.Type {
	case TypeIdentity:
		return wrapMessage(ParseIdentity(f))
	case TypeInput:
		return wrapMessage(ParseInputInfo(f))
	case TypeOutput:
		return wrapMessage(ParseOutputInfo(f))
	case TypePong:
		return wrapMessage(ParsePong(f))
	case TypeAck:
		return wrapMessage(ParseAck(f))
	case TypeRefused:
		return wrapMessage(ParseRefused(f))
	case TypeEdge:
		return wrapMessage(ParseEdge(f))
	case TypeShot:
		return wrapMessage(ParseShot(f))
	case TypeCue:
		return wrapMessage(ParseCue(f))
	case TypeRejected:
		return wrapMessage(ParseRejected(f))
	case TypeFault:
		return wrapMessage(ParseFault(f))
	case TypeState:
		return wrapMessage(ParseState(f))
	case TypeLevel:
		return wrapMessage(ParseLevel(f))
	case TypeLost:
		return wrapMessage(ParseLost(f))
	}
	return nil, WrongType
}

func wrapMessage[M Message](m M, err error) (Message, error) {
	if err != nil {
		return nil, fmt.Errorf("%s: %w", TypeOf(m), err)
	}
	return m, nil
}

// TypeOf is a message's type on the wire.
func TypeOf(m Message) Type { return m.Frame(0).Type }
