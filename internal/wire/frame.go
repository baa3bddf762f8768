package wire

import "encoding/binary"

// Sizes on the wire: COBS adds one byte to a body this short, and the delimiter ends it.
const (
	frameOverhead = 4 // type, seq, CRC
	maxEncoded    = MaxBody + 1
	MaxFrame      = maxEncoded + 1 // the longest frame on the wire, delimiter included
)

// CRC is CRC-16/CCITT-FALSE: polynomial 0x1021, initial value 0xFFFF, not reflected, no final XOR. Its value for the
// ASCII digits "123456789" is 0x29B1.
func CRC(p []byte) uint16 {
	crc := uint16(0xFFFF)
	for _, b := range p {
		// The byte-at-a-time form without a table: a small processor has neither the memory nor a barrel shifter.
		x := uint8(crc>>8) ^ b
		x ^= x >> 4
		crc = crc<<8 ^ uint16(x)<<12 ^ uint16(x)<<5 ^ uint16(x)
	}
	return crc
}

// AppendFrame appends f encoded for the wire: COBS of type, seq, payload and CRC, then a zero.
func AppendFrame(dst []byte, f Frame) []byte {
	var body [MaxBody]byte
	n := min(int(f.N), MaxPayload)
	body[0], body[1] = uint8(f.Type), f.Seq
	copy(body[2:], f.Payload[:n])
	binary.LittleEndian.PutUint16(body[2+n:], CRC(body[:2+n]))
	return appendCOBS(dst, body[:frameOverhead+n])
}

// appendCOBS encodes a body of at most 253 bytes, so that no block is ever full, and ends it with a zero.
func appendCOBS(dst, body []byte) []byte {
	code := len(dst)
	dst = append(dst, 0)
	for _, b := range body {
		if b != 0 {
			dst = append(dst, b)
			continue
		}
		dst[code] = uint8(len(dst) - code)
		code = len(dst)
		dst = append(dst, 0)
	}
	dst[code] = uint8(len(dst) - code)
	return append(dst, 0)
}

// Decoder extracts frames from a stream of bytes. It buffers one frame and resynchronises after garbage at the next
// zero byte. The zero value is ready to use.
type Decoder struct {
	buf     [maxEncoded]byte
	n       uint8
	tooLong bool
	bad     uint32
}

// Push adds one byte. It returns a frame and true if the byte ended a valid one.
func (d *Decoder) Push(b byte) (Frame, bool) {
	if b != 0 {
		if int(d.n) == len(d.buf) {
			d.tooLong = true
			return Frame{}, false
		}
		d.buf[d.n] = b
		d.n++
		return Frame{}, false
	}
	n, tooLong := d.n, d.tooLong
	d.n, d.tooLong = 0, false
	if n == 0 {
		return Frame{}, false // ignored: a sender may use a zero to end garbage sent before
	}
	if tooLong {
		d.countBad()
		return Frame{}, false
	}
	f, ok := decodeBody(d.buf[:n])
	if !ok {
		d.countBad()
	}
	return f, ok
}

// Bad counts pieces between zeros that were not valid frames, up to the largest uint32.
func (d *Decoder) Bad() uint32 { return d.bad }

func (d *Decoder) countBad() {
	if d.bad != 1<<32-1 {
		d.bad++
	}
}

// decodeBody decodes COBS and checks length and CRC.
func decodeBody(encoded []byte) (Frame, bool) {
	var body [MaxBody]byte
	n := 0
	for i := 0; i < len(encoded); {
		end := i + int(encoded[i])
		if end > len(encoded) {
			return Frame{}, false
		}
		n += copy(body[n:], encoded[i+1:end])
		i = end
		if i < len(encoded) {
			if n == len(body) {
				return Frame{}, false
			}
			n++ // the zero between two blocks; body starts zeroed
		}
	}
	if n < frameOverhead || CRC(body[:n-2]) != binary.LittleEndian.Uint16(body[n-2:n]) {
		return Frame{}, false
	}
	f := Frame{Type: Type(body[0]), Seq: body[1], N: uint8(n - frameOverhead)}
	copy(f.Payload[:], body[2:n-2])
	return f, true
}
