package wire

import "encoding/binary"

// Message is any message of the protocol.
type Message interface {
	// Frame encodes the message without allocating. A host numbers its requests with seq, a board everything it sends.
	Frame(seq uint8) Frame
}

// The encoders write fields in the order of the struct. Frames are values, so nothing escapes to the heap.

func (f *Frame) u8(v uint8) {
	f.Payload[f.N] = v
	f.N++
}

func (f *Frame) flag(v bool) {
	if v {
		f.u8(1)
	} else {
		f.u8(0)
	}
}

func (f *Frame) u16(v uint16) {
	binary.LittleEndian.PutUint16(f.Payload[f.N:], v)
	f.N += 2
}

func (f *Frame) u32(v uint32) {
	binary.LittleEndian.PutUint32(f.Payload[f.N:], v)
	f.N += 4
}

func (f *Frame) tick(t Tick) { f.u32(uint32(t)) }

func (f *Frame) name(n Name) { f.N += uint8(copy(f.Payload[f.N:], n[:])) }

// Frame encodes m, with seq as the frame's number.
func (m Identify) Frame(seq uint8) Frame { return Frame{Type: TypeIdentify, Seq: seq} }

// Frame encodes m, with seq as the frame's number.
func (m Ping) Frame(seq uint8) Frame {
	f := Frame{Type: TypePing, Seq: seq}
	f.u32(m.Token)
	return f
}

// Frame encodes m, and at most MaxPart bytes of data.
func (m LoadPart) Frame(seq uint8) Frame {
	f := Frame{Type: TypeLoad, Seq: seq}
	f.u16(m.Offset)
	f.N += uint8(copy(f.Payload[f.N:], m.Data[:min(m.N, MaxPart)]))
	return f
}

// Frame encodes m, with seq as the frame's number.
func (m Commit) Frame(seq uint8) Frame {
	f := Frame{Type: TypeCommit, Seq: seq}
	f.u16(m.Length)
	f.u16(m.CRC)
	return f
}

// Frame encodes m, with seq as the frame's number.
func (m Arm) Frame(seq uint8) Frame {
	f := Frame{Type: TypeArm, Seq: seq}
	f.u16(m.Shots)
	return f
}

// Frame encodes m, with seq as the frame's number.
func (m Disarm) Frame(seq uint8) Frame { return Frame{Type: TypeDisarm, Seq: seq} }

// Frame encodes m, with seq as the frame's number.
func (m Go) Frame(seq uint8) Frame { return Frame{Type: TypeGo, Seq: seq} }

// Frame encodes m, with seq as the frame's number.
func (m Pulse) Frame(seq uint8) Frame {
	f := Frame{Type: TypePulse, Seq: seq}
	f.u8(m.Output)
	f.u32(m.Width)
	return f
}

// Frame encodes m, with seq as the frame's number.
func (m SetLevel) Frame(seq uint8) Frame {
	f := Frame{Type: TypeSetLevel, Seq: seq}
	f.u8(m.Input)
	f.u16(m.Threshold)
	return f
}

// Frame encodes m, with seq as the frame's number.
func (m Identity) Frame(seq uint8) Frame {
	f := Frame{Type: TypeIdentity, Seq: seq}
	f.u8(m.Version)
	f.u8(uint8(m.Reset))
	f.u32(m.BootID)
	f.u32(m.TickHz)
	f.u32(m.Lead)
	f.u32(m.EdgeLead)
	f.u32(m.GateLead)
	f.u32(m.SafeWithin)
	f.u8(m.Inputs)
	f.u8(m.Outputs)
	f.u8(m.Table)
	f.u8(m.Cues)
	f.name(m.Firmware)
	return f
}

// Frame encodes m, with seq as the frame's number.
func (m InputInfo) Frame(seq uint8) Frame {
	f := Frame{Type: TypeInput, Seq: seq}
	f.u8(m.Index)
	f.u8(uint8(m.Kind))
	f.flag(m.ActiveHigh)
	f.name(m.Name)
	return f
}

// Frame encodes m, with seq as the frame's number.
func (m OutputInfo) Frame(seq uint8) Frame {
	f := Frame{Type: TypeOutput, Seq: seq}
	f.u8(m.Index)
	f.u8(uint8(m.Kind))
	f.u32(m.MaxOn)
	f.name(m.Name)
	return f
}

// Frame encodes m, with seq as the frame's number.
func (m Pong) Frame(seq uint8) Frame {
	f := Frame{Type: TypePong, Seq: seq}
	f.u32(m.Token)
	f.tick(m.Now)
	return f
}

// Frame encodes m, with seq as the frame's number.
func (m Ack) Frame(seq uint8) Frame {
	f := Frame{Type: TypeAck, Seq: seq}
	f.u8(m.Seq)
	f.u8(uint8(m.Type))
	return f
}

// Frame encodes m, with seq as the frame's number.
func (m Refused) Frame(seq uint8) Frame {
	f := Frame{Type: TypeRefused, Seq: seq}
	f.u8(m.Seq)
	f.u8(uint8(m.Type))
	f.u8(uint8(m.Reason))
	f.u32(m.Detail)
	return f
}

// Frame encodes m, with seq as the frame's number.
func (m Edge) Frame(seq uint8) Frame {
	f := Frame{Type: TypeEdge, Seq: seq}
	f.u8(m.Input)
	f.flag(m.High)
	f.u16(m.Count)
	f.tick(m.At)
	return f
}

// Frame encodes m, with seq as the frame's number.
func (m Shot) Frame(seq uint8) Frame {
	f := Frame{Type: TypeShot, Seq: seq}
	f.u16(m.Number)
	f.u8(uint8(m.Status))
	f.u8(m.Cues)
	f.tick(m.GateAt)
	f.tick(m.ClockAt)
	f.u32(m.Delay)
	f.u16(m.Bounced)
	return f
}

// Frame encodes m, with seq as the frame's number.
func (m Cue) Frame(seq uint8) Frame {
	f := Frame{Type: TypeCue, Seq: seq}
	f.u16(m.Shot)
	f.u8(m.Index)
	f.u8(m.Output)
	f.flag(m.Opening)
	f.tick(m.Planned)
	f.tick(m.On)
	f.tick(m.Off)
	return f
}

// Frame encodes m, with seq as the frame's number.
func (m Rejected) Frame(seq uint8) Frame {
	f := Frame{Type: TypeRejected, Seq: seq}
	f.u8(uint8(m.Reason))
	f.u8(m.Input)
	f.u16(m.Count)
	f.tick(m.At)
	f.u32(m.Interval)
	return f
}

// Frame encodes m, with seq as the frame's number.
func (m Fault) Frame(seq uint8) Frame {
	f := Frame{Type: TypeFault, Seq: seq}
	f.u8(uint8(m.Reason))
	f.u32(m.Detail)
	f.tick(m.At)
	return f
}

// Frame encodes m, with seq as the frame's number.
func (m State) Frame(seq uint8) Frame {
	f := Frame{Type: TypeState, Seq: seq}
	f.u8(uint8(m.State))
	f.u8(uint8(m.Reason))
	f.u16(m.Left)
	f.u8(m.Inputs)
	f.u8(m.Outputs)
	f.tick(m.Now)
	f.u16(m.Bounced)
	f.u16(m.Lost)
	return f
}

// Frame encodes m, with seq as the frame's number.
func (m Level) Frame(seq uint8) Frame {
	f := Frame{Type: TypeLevel, Seq: seq}
	f.u8(m.Input)
	f.u16(m.Value)
	f.tick(m.At)
	return f
}

// Frame encodes m, with seq as the frame's number.
func (m Lost) Frame(seq uint8) Frame {
	f := Frame{Type: TypeLost, Seq: seq}
	f.u8(m.Input)
	f.u32(m.Count)
	f.tick(m.At)
	return f
}
