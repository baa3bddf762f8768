package frames

import (
	"errors"
	"io"
)

// huffman is a table of codes (ITU-T T.81, annex C): the short ones looked up, the others by their length.
type huffman struct {
	quick  [1 << quickBits]uint16 // length and symbol of the code that these bits begin with; 0: it is longer
	last   [17]int32              // the greatest code of each length, -1 for none
	offset [17]int32              // what leads from a code of a length to its symbol
	values []byte
}

const quickBits = 9

// huffmanTables reads a segment of them.
func (d *reducer) huffmanTables(body []byte) bool {
	for len(body) > 0 {
		if len(body) < 17 || body[0]>>4 > 1 || body[0]&15 > 3 {
			return false
		}
		total := 0
		for _, n := range body[1:17] {
			total += int(n)
		}
		if total > 256 || len(body) < 17+total {
			return false
		}
		table, ok := newHuffman(body[1:17], body[17:17+total])
		if !ok {
			return false
		}
		if body[0]>>4 == 0 {
			d.dc[body[0]&15] = table
		} else {
			d.ac[body[0]&15] = table
		}
		body = body[17+total:]
	}
	return true
}

// newHuffman makes a table of how many codes each length has; false if there are more than there can be.
func newHuffman(counts, values []byte) (*huffman, bool) {
	h := &huffman{values: values}
	code, at := int32(0), int32(0)
	for i, count := range counts {
		length := i + 1
		h.offset[length] = at - code
		for range count {
			if code >= 1<<length {
				return nil, false
			}
			if length <= quickBits {
				from := int(code) << (quickBits - length)
				for k := range 1 << (quickBits - length) {
					h.quick[from+k] = uint16(length)<<8 | uint16(values[at])
				}
			}
			code++
			at++
		}
		h.last[length] = -1
		if count > 0 {
			h.last[length] = code - 1
		}
		code <<= 1
	}
	return h, true
}

// bitReader reads the picture's data bit by bit. After their end come zeros.
type bitReader struct {
	r       io.Reader
	buffer  [32 << 10]byte
	at, end int
	bits    uint64 // the next ones, from the top
	count   int    // of those
	made    int    // of those, zeros after the end
	marker  byte   // that ended the data; 0: none
	err     error
}

// next is the next byte of the file.
func (b *bitReader) next() (byte, bool) {
	if b.at == b.end {
		if b.err != nil {
			return 0, false
		}
		var n int
		n, b.err = b.r.Read(b.buffer[:])
		if b.at, b.end = 0, n; n == 0 {
			if b.err == nil {
				b.err = io.ErrNoProgress
			}
			return 0, false
		}
	}
	b.at++
	return b.buffer[b.at-1], true
}

// fill has at least 48 bits there.
func (b *bitReader) fill() {
	for b.count <= 56 {
		value, ok := byte(0), b.marker == 0
		if ok {
			value, ok = b.next()
		}
		if ok && value == 0xff {
			follows, more := b.next()
			for more && follows == 0xff { // fill bytes
				follows, more = b.next()
			}
			if !more {
				value, ok = 0, false
			} else if follows != 0 {
				b.marker, value, ok = follows, 0, false
			}
		}
		if !ok {
			b.made += 8
		}
		b.bits |= uint64(value) << (56 - b.count)
		b.count += 8
	}
}

// symbol reads a code; a symbol and what follows it have at most 32 bits, so all of both is there then.
func (b *bitReader) symbol(h *huffman) (byte, bool) {
	if b.count < 32 {
		b.fill()
	}
	if q := h.quick[b.bits>>(64-quickBits)]; q != 0 {
		b.skip(uint(q >> 8))
		return byte(q), true
	}
	for length := uint(quickBits + 1); length <= 16; length++ {
		code := int32(b.bits >> (64 - length))
		if code <= h.last[length] {
			if at := code + h.offset[length]; at >= 0 && int(at) < len(h.values) {
				b.skip(length)
				return h.values[at], true
			}
			return 0, false
		}
	}
	return 0, false
}

func (b *bitReader) skip(n uint) {
	b.bits <<= n
	b.count -= int(n)
}

// signed reads a number of so many bits, whose first one is 0 if it is negative (T.81, F.2.2.1).
func (b *bitReader) signed(n uint) int32 {
	if n == 0 {
		return 0
	}
	value := int32(b.bits >> (64 - n))
	if b.bits>>63 == 0 {
		value -= 1<<n - 1
	}
	b.skip(n)
	return value
}

var errDamaged = errors.New("it has codes that mean nothing")

// problem is why a block cannot be decoded.
func (b *bitReader) problem() error {
	if b.count < b.made {
		return io.ErrUnexpectedEOF
	}
	return errDamaged
}

// restart begins anew after a restart marker.
func (b *bitReader) restart() error {
	for b.marker == 0 {
		value, ok := b.next()
		if !ok {
			return io.ErrUnexpectedEOF
		}
		if value != 0xff {
			if b.count-b.made >= 8 {
				return errDamaged
			}
			continue
		}
		follows, ok := b.next()
		for ok && follows == 0xff {
			follows, ok = b.next()
		}
		if !ok {
			return io.ErrUnexpectedEOF
		}
		b.marker = follows
	}
	if b.marker < 0xd0 || b.marker > 0xd7 {
		return errDamaged
	}
	b.bits, b.count, b.made, b.marker = 0, 0, 0, 0
	return nil
}
