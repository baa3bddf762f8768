// Package framestest makes files as a camera makes them, for tests.
package framestest

import (
	"bytes"
	"encoding/binary"
	"image"
	"image/jpeg"
)

// Plain is a JPEG of one colour.
func Plain(width, height int) []byte {
	img := image.NewGray(image.Rect(0, 0, width, height))
	for i := range img.Pix {
		img.Pix[i] = 120
	}
	var b bytes.Buffer
	if err := jpeg.Encode(&b, img, nil); err != nil {
		panic(err) // nothing that a buffer can do
	}
	return b.Bytes()
}

// Field is one entry of a directory that a test writes.
type Field struct {
	Tag, Kind uint16
	Count     uint32
	Data      []byte // as it is stored; more than four bytes are put behind the directory
}

func short(tag uint16, v uint16) Field {
	return Field{tag, 3, 1, binary.LittleEndian.AppendUint16(nil, v)}
}
func long(tag uint16, v uint32) Field {
	return Field{tag, 4, 1, binary.LittleEndian.AppendUint32(nil, v)}
}
func text(tag uint16, s string) Field { return Field{tag, 2, uint32(len(s) + 1), append([]byte(s), 0)} }

// Directory is a little-endian one at an offset of a TIFF, with what does not fit into it behind.
func Directory(at uint32, next uint32, fields ...Field) []byte {
	b := binary.LittleEndian.AppendUint16(nil, uint16(len(fields)))
	var behind []byte
	after := at + uint32(2+12*len(fields)+4)
	for _, f := range fields {
		b = binary.LittleEndian.AppendUint16(b, f.Tag)
		b = binary.LittleEndian.AppendUint16(b, f.Kind)
		b = binary.LittleEndian.AppendUint32(b, f.Count)
		value := append([]byte{}, f.Data...)
		if len(value) > 4 {
			value = binary.LittleEndian.AppendUint32(nil, after+uint32(len(behind)))
			behind = append(behind, f.Data...)
			if len(behind)%2 == 1 {
				behind = append(behind, 0)
			}
		}
		b = append(b, append(value, 0, 0, 0, 0)[:4]...)
	}
	return append(binary.LittleEndian.AppendUint32(b, next), behind...)
}

// WithExif is a JPEG with EXIF data before all else.
func WithExif(picture []byte, taken, fraction string, more ...Field) []byte {
	const first = 8
	exif := append(more, text(0x9003, taken))
	if fraction != "" {
		exif = append(exif, text(0x9291, fraction))
	}
	block := append([]byte("II*\x00"), first, 0, 0, 0)
	block = append(block, Directory(first, 0, short(0x0112, 6), long(0x8769, 64))...)
	block = append(block, make([]byte, 64-len(block))...)
	block = append(block, Directory(64, 0, exif...)...)
	block = append([]byte("Exif\x00\x00"), block...)
	made := append([]byte{0xff, 0xd8, 0xff, 0xe1}, byte((len(block)+2)>>8), byte(len(block)+2))
	return append(append(made, block...), picture[2:]...)
}

// Raw is a TIFF with two previews, the longer one in a directory below the first.
func Raw(small, large []byte) []byte {
	const first, second, pictures = 8, 200, 400
	b := append([]byte("II*\x00"), first, 0, 0, 0)
	at := uint32(pictures)
	b = append(b, Directory(first, 0, text(0x0132, "2026:03:04 05:06:07"), long(0x0201, at),
		long(0x0202, uint32(len(small))), Field{0x014a, 4, 1, binary.LittleEndian.AppendUint32(nil, second)})...)
	b = append(b, make([]byte, second-len(b))...)
	b = append(b, Directory(second, first /* in a circle */, short(0x0103, 7),
		long(0x0111, at+uint32(len(small))), long(0x0117, uint32(len(large))))...)
	b = append(b, make([]byte, pictures-len(b))...)
	return append(append(b, small...), large...)
}

// Progressive is a grey progressive JPEG of 1024 by 1024 pixels in which each of so many scans goes over all of the
// picture with a few bytes.
func Progressive(scans int) []byte {
	const side = 1024
	segment := func(marker byte, content ...byte) []byte {
		size := len(content) + 2
		return append([]byte{0xff, marker, byte(size >> 8), byte(size)}, content...)
	}
	oneCode := func(class, symbol byte) []byte {
		return segment(0xc4, append(append([]byte{class << 4, 1}, make([]byte, 15)...), symbol)...)
	}
	b := append([]byte{0xff, 0xd8}, segment(0xdb, append([]byte{0}, bytes.Repeat([]byte{1}, 64)...)...)...)
	b = append(b, segment(0xc2, 8, side>>8, side&255, side>>8, side&255, 1, 1, 0x11, 0)...)
	b = append(b, oneCode(0, 0)...)    // no difference
	b = append(b, oneCode(1, 0xe0)...) // nothing in so many blocks
	b = append(b, segment(0xda, 1, 1, 0, 0, 0, 0)...)
	b = append(b, make([]byte, side/8*side/8/8)...)
	for range scans - 1 {
		b = append(b, segment(0xda, 1, 1, 0, 1, 63, 0)...)
		b = append(b, 0, 1) // a code, and 14 bits: 2^14 and 0 more blocks
	}
	return append(b, 0xff, 0xd9)
}
