package frames

import (
	"cmp"
	"encoding/binary"
	"io"
	"slices"
)

// Tags of TIFF 6.0, and of EXIF (CIPA DC-008).
const (
	tagCompression  = 0x0103
	tagStripOffset  = 0x0111
	tagStripBytes   = 0x0117
	tagSubIFDs      = 0x014a
	tagJPEGOffset   = 0x0201
	tagJPEGBytes    = 0x0202
	tagExif         = 0x8769
	tagSubSecond    = 0x9290
	tagSubSecondOri = 0x9291
	tagSubSecondDig = 0x9292
)

// Bounds of a TIFF's directories: cameras have some ten, with up to some hundred entries.
const (
	maxDirectories = 64
	maxEntries     = 1000
)

// entry is a directory entry: its type, how many values, and the four bytes that hold them or their offset.
type entry struct {
	kind  uint16
	count uint32
	value [4]byte
}

// tiff reads a TIFF's directories from where it begins in a file.
type tiff struct {
	r     io.ReaderAt
	start int64
	order binary.ByteOrder
}

// directories reads all that can be reached, each once. What cannot be read is left out.
func directories(r io.ReaderAt, start int64) (t tiff, list []map[uint16]entry) {
	var head [8]byte
	if n, _ := r.ReadAt(head[:], start); n < len(head) {
		return t, nil
	}
	t = tiff{r, start, binary.LittleEndian}
	if head[0] == 'M' {
		t.order = binary.BigEndian
	}
	waiting := []uint32{t.order.Uint32(head[4:])}
	var seen []uint32
	for len(waiting) > 0 && len(seen) < maxDirectories {
		at := waiting[0]
		waiting = waiting[1:]
		if at == 0 || slices.Contains(seen, at) {
			continue
		}
		seen = append(seen, at)
		directory, next := t.directory(at)
		list = append(list, directory)
		waiting = append(waiting, next)
		for _, tag := range []uint16{tagSubIFDs, tagExif} {
			if e, ok := directory[tag]; ok {
				waiting = append(waiting, t.numbers(e)...)
			}
		}
	}
	return t, list
}

func (t tiff) directory(at uint32) (entries map[uint16]entry, next uint32) {
	entries = map[uint16]entry{}
	var count [2]byte
	if n, _ := t.r.ReadAt(count[:], t.start+int64(at)); n < len(count) {
		return entries, 0
	}
	size := int(t.order.Uint16(count[:]))
	if size > maxEntries {
		return entries, 0
	}
	body := make([]byte, size*12+4)
	n, _ := t.r.ReadAt(body, t.start+int64(at)+2)
	for i := range size {
		if (i+1)*12 > n {
			return entries, 0
		}
		b := body[i*12:]
		e := entry{kind: t.order.Uint16(b[2:]), count: t.order.Uint32(b[4:])}
		copy(e.value[:], b[8:12])
		if tag := t.order.Uint16(b); entries[tag].count == 0 {
			entries[tag] = e
		}
	}
	if n == len(body) {
		next = t.order.Uint32(body[size*12:])
	}
	return entries, next
}

// numbers are an entry's values, at most maxDirectories of them, where they are whole numbers.
func (t tiff) numbers(e entry) (values []uint32) {
	const short, long, directory = 3, 4, 13
	width := uint32(4)
	switch e.kind {
	case short:
		width = 2
	case long, directory:
	default:
		return nil
	}
	raw := e.value[:]
	if e.count > 4/width {
		raw = make([]byte, min(e.count, maxDirectories)*width)
		n, _ := t.r.ReadAt(raw, t.start+int64(t.order.Uint32(e.value[:])))
		raw = raw[:n]
	}
	for i := range min(e.count, maxDirectories) {
		if (i+1)*width > uint32(len(raw)) {
			break
		}
		if b := raw[i*width:]; width == 2 {
			values = append(values, uint32(t.order.Uint16(b)))
		} else {
			values = append(values, t.order.Uint32(b))
		}
	}
	return values
}

// number is the only value of an entry, 0 if it has none or several.
func (t tiff) number(e entry) uint32 {
	if values := t.numbers(e); len(values) == 1 && e.count == 1 {
		return values[0]
	}
	return 0
}

// text is an entry's text, at most so much of it.
func (t tiff) text(e entry, most uint32) []byte {
	const ascii = 2
	if e.kind != ascii || e.count > most {
		return nil
	}
	raw := e.value[:]
	if e.count > 4 {
		raw = make([]byte, e.count)
		n, _ := t.r.ReadAt(raw, t.start+int64(t.order.Uint32(e.value[:])))
		raw = raw[:n]
	}
	return raw[:min(int(e.count), len(raw))]
}

// fractionOf finds the fraction of the second in which a picture was taken, as its digits. The library makes a number
// of them, of which nobody can tell whether it was 5 or 05.
func fractionOf(r io.ReaderAt, size int64) string {
	start, in := int64(0), formatOf(r)
	switch in {
	case jpegFile:
		start = exifIn(r)
	case heifFile:
		start = heifItemsOf(r, size).exif
	}
	if start == 0 && in != tiffFile {
		return ""
	}
	t, list := directories(r, start)
	for _, tag := range []uint16{tagSubSecondOri, tagSubSecondDig, tagSubSecond} {
		for _, directory := range list {
			if e, ok := directory[tag]; ok {
				if digits := leadingDigits(t.text(e, 32)); digits != "" {
					return digits
				}
			}
		}
	}
	return ""
}

// leadingDigits are at most nine.
func leadingDigits(text []byte) string {
	n := 0
	for n < min(len(text), 9) && text[n] >= '0' && text[n] <= '9' {
		n++
	}
	return string(text[:n])
}

// section is a part of a file.
type section struct{ at, bytes int64 }

// previewsIn lists the JPEG files that a TIFF names, which begins in a file at start, the longest first.
func previewsIn(r io.ReaderAt, start, size int64) (list []section) {
	t, found := directories(r, start)
	add := func(directory map[uint16]entry, at, bytes uint16) {
		s := section{start + int64(t.number(directory[at])), int64(t.number(directory[bytes]))}
		var head [3]byte
		if s.at <= start || s.bytes < 4 || s.at+s.bytes > size || slices.Contains(list, s) {
			return
		}
		if n, _ := r.ReadAt(head[:], s.at); n == 3 && string(head[:]) == "\xff\xd8\xff" {
			list = append(list, s)
		}
	}
	const oldJPEG, jpeg = 6, 7
	for _, directory := range found {
		add(directory, tagJPEGOffset, tagJPEGBytes)
		if c := t.number(directory[tagCompression]); c == oldJPEG || c == jpeg {
			add(directory, tagStripOffset, tagStripBytes)
		}
	}
	slices.SortStableFunc(list, longestFirst)
	return list
}

func longestFirst(a, b section) int { return cmp.Compare(b.bytes, a.bytes) }
