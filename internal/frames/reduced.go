package frames

import (
	"bytes"
	"encoding/binary"
	"errors"
	"image"
	"io"
)

// shrink is by how much a picture is smaller when only the mean of each block of its transform is decoded.
const shrink = 8

// errNotReduced means that a JPEG is of a kind that is only decoded whole.
var errNotReduced = errors.New("a kind of JPEG that is decoded whole")

// decodeReduced decodes a baseline JPEG (ITU-T T.81) an eighth as wide and as high: of each block of eight by eight the
// mean, which is its first coefficient. The others are passed over, so no transform is worked out. It takes a byte or
// three for each block. The error is errNotReduced for progressive and arithmetic ones, several scans, and colours
// other than grey and YCbCr.
func decodeReduced(r io.ReaderAt, s section) (image.Image, error) {
	d := reducer{}
	start, err := d.headers(io.NewSectionReader(r, s.at, s.bytes))
	if err != nil {
		return nil, err
	}
	d.in.r = io.NewSectionReader(r, s.at+start, s.bytes-start)
	if err := d.scan(); err != nil {
		return nil, err
	}
	return d.image(), nil
}

// reducer is a picture being decoded.
type reducer struct {
	jpegHeader
	restart    int // units between two restart markers; 0: none
	parts      []component
	maxH, maxV int
	across     int // units
	down       int
	quantum    [4]int32 // of the first coefficient
	dc, ac     [4]*huffman
	in         bitReader
}

// component is a picture's brightness or one of its colours.
type component struct {
	id             byte
	h, v           int // blocks in a unit
	table          byte
	dc, ac         byte
	before         int32 // the mean of the block before
	stride, height int   // blocks
	means          []uint8
}

// headers reads what stands before the picture's data, and says where those begin.
func (d *reducer) headers(r io.ReaderAt) (start int64, err error) {
	var soi [2]byte
	if n, _ := r.ReadAt(soi[:], 0); n < len(soi) {
		return 0, io.ErrUnexpectedEOF
	}
	if soi != [2]byte{0xff, 0xd8} {
		return 0, errNotReduced
	}
	at := int64(len(soi))
	for range maxSegments {
		var head [4]byte
		if n, _ := r.ReadAt(head[:], at); n < len(head) {
			return 0, io.ErrUnexpectedEOF
		}
		if head[0] != 0xff {
			return 0, errNotReduced
		}
		if head[1] == 0xff { // a fill byte
			at++
			continue
		}
		size := int64(binary.BigEndian.Uint16(head[2:]))
		if size < 2 {
			return 0, errNotReduced
		}
		body := make([]byte, size-2)
		if n, _ := r.ReadAt(body, at+4); n < len(body) {
			return 0, io.ErrUnexpectedEOF
		}
		at += 2 + size
		if done, err := d.segment(head[1], body); done || err != nil {
			return at, err
		}
	}
	return 0, errNotReduced
}

func (d *reducer) segment(marker byte, body []byte) (done bool, err error) {
	ok := true
	switch {
	case marker == 0xc0 || marker == 0xc1:
		ok = d.frame(body)
	case marker == 0xc4:
		ok = d.huffmanTables(body)
	case marker >= 0xc2 && marker <= 0xcf:
		ok = false
	case marker == 0xdb:
		ok = d.quantizers(body)
	case marker == 0xdd && len(body) >= 2:
		d.restart = int(binary.BigEndian.Uint16(body))
	case marker == 0xee && bytes.HasPrefix(body, []byte("Adobe")) && len(body) >= 12: // the colours, as many write them
		ok = body[11] == 1
	case marker == 0xda:
		return true, d.begin(body)
	}
	if !ok {
		return false, errNotReduced
	}
	return false, nil
}

// frame reads the picture's size and its components.
func (d *reducer) frame(body []byte) bool {
	if len(body) < 6 || body[0] != 8 || d.parts != nil {
		return false
	}
	d.height, d.width = int(binary.BigEndian.Uint16(body[1:])), int(binary.BigEndian.Uint16(body[3:]))
	d.components = int(body[5])
	if d.components != 1 && d.components != 3 || len(body) < 6+3*d.components || d.check() != nil {
		return false
	}
	for i := range d.components {
		b := body[6+3*i:]
		c := component{id: b[0], h: int(b[1] >> 4), v: int(b[1] & 15), table: b[2]}
		if c.h < 1 || c.h > 4 || c.v < 1 || c.v > 4 || int(c.table) >= len(d.quantum) {
			return false
		}
		if d.components == 1 {
			c.h, c.v = 1, 1
		}
		d.maxH, d.maxV = max(d.maxH, c.h), max(d.maxV, c.v)
		d.parts = append(d.parts, c)
	}
	isRGB := d.components == 3 && d.parts[0].id == 'R' && d.parts[1].id == 'G' && d.parts[2].id == 'B'
	return !isRGB && d.parts[0].h == d.maxH && d.parts[0].v == d.maxV && d.width >= shrink && d.height >= shrink
}

func (d *reducer) quantizers(body []byte) bool {
	for len(body) > 0 {
		wide, table := body[0]>>4, body[0]&15
		size := 64 * (1 + int(wide))
		if wide > 1 || table > 3 || len(body) < 1+size {
			return false
		}
		d.quantum[table] = int32(body[1])
		if wide == 1 {
			d.quantum[table] = int32(binary.BigEndian.Uint16(body[1:]))
		}
		body = body[1+size:]
	}
	return true
}

// begin reads which tables the only scan uses, and makes room for the means.
func (d *reducer) begin(body []byte) error {
	n := d.components
	if n == 0 || len(body) < 1+2*n || int(body[0]) != n {
		return errNotReduced
	}
	d.across = (d.width + 8*d.maxH - 1) / (8 * d.maxH)
	d.down = (d.height + 8*d.maxV - 1) / (8 * d.maxV)
	for i := range d.parts {
		c, b := &d.parts[i], body[1+2*i:]
		c.dc, c.ac = b[1]>>4, b[1]&15
		if b[0] != c.id || c.dc > 3 || c.ac > 3 || d.dc[c.dc] == nil || d.ac[c.ac] == nil {
			return errNotReduced
		}
		c.stride, c.height = d.across*c.h, d.down*c.v
		c.means = make([]uint8, c.stride*c.height)
	}
	return nil
}

// scan decodes all units.
func (d *reducer) scan() error {
	left := d.restart
	for y := range d.down {
		for x := range d.across {
			if d.restart > 0 && left == 0 {
				if err := d.in.restart(); err != nil {
					return err
				}
				for i := range d.parts {
					d.parts[i].before = 0
				}
				left = d.restart
			}
			left--
			for i := range d.parts {
				c := &d.parts[i]
				for v := range c.v {
					for u := range c.h {
						mean, ok := d.block(c)
						if !ok {
							return d.in.problem()
						}
						c.means[(y*c.v+v)*c.stride+x*c.h+u] = mean
					}
				}
			}
		}
	}
	return nil
}

// block decodes the first coefficient of a block and passes over the others.
func (d *reducer) block(c *component) (mean uint8, ok bool) {
	in := &d.in
	size, ok := in.symbol(d.dc[c.dc])
	if !ok || size > 11 {
		return 0, false
	}
	c.before += in.signed(uint(size))
	ac := d.ac[c.ac]
	for k := 1; k < 64; {
		s, ok := in.symbol(ac)
		if !ok {
			return 0, false
		}
		run, size := int(s>>4), uint(s&15)
		if size == 0 {
			if run != 15 {
				break
			}
			k += 16
			continue
		}
		in.skip(size)
		k += run + 1
	}
	value := (c.before*d.quantum[c.table]+4)>>3 + 128
	return uint8(min(max(value, 0), 255)), in.count >= in.made
}

// image puts the components together.
func (d *reducer) image() image.Image {
	size := image.Rect(0, 0, d.width/shrink, d.height/shrink)
	light := d.parts[0]
	if d.components == 1 {
		return &image.Gray{Pix: light.means, Stride: light.stride, Rect: size}
	}
	out := image.NewYCbCr(size, image.YCbCrSubsampleRatio444)
	for y := range size.Dy() {
		copy(out.Y[y*out.YStride:][:size.Dx()], light.means[y*light.stride:])
		for i, to := range [][]uint8{out.Cb, out.Cr} {
			c := d.parts[i+1]
			row := c.means[y*c.v/d.maxV*c.stride:]
			for x := range size.Dx() {
				to[y*out.CStride+x] = row[x*c.h/d.maxH]
			}
		}
	}
	return out
}
