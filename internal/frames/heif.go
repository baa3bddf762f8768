package frames

import (
	"encoding/binary"
	"errors"
	"io"
	"slices"
)

// Bounds of a HEIF file's boxes and items: a camera's picture has some ten boxes, and some hundred items where it is
// made of tiles.
const (
	maxBoxes = 200
	maxItems = 4096
	maxMeta  = 4 << 20 // bytes of the box that lists the items
)

// heifItems are where the items of a HEIF file (ISO/IEC 23008-12) are that hold its EXIF data and JPEG pictures.
type heifItems struct {
	exif int64 // where its TIFF begins; 0 none
	jpeg []section
}

// box is a box of the ISO base media file format (ISO/IEC 14496-12): its type and content.
type box struct {
	kind string
	section
}

// boxes lists those in a part of a file, up to the first that cannot be.
func boxes(r io.ReaderAt, in section) (list []box) {
	for at := in.at; at < in.at+in.bytes && len(list) < maxBoxes; {
		var head [16]byte
		n, _ := r.ReadAt(head[:], at)
		if n < 8 {
			return list
		}
		size, header := int64(binary.BigEndian.Uint32(head[:])), int64(8)
		switch {
		case size == 0: // to the end
			size = in.at + in.bytes - at
		case size == 1 && n == len(head):
			size, header = int64(min(binary.BigEndian.Uint64(head[8:]), 1<<62)), 16
		}
		if size < header || size > in.at+in.bytes-at {
			return list
		}
		list = append(list, box{string(head[4:8]), section{at + header, size - header}})
		at += size
	}
	return list
}

// boxOf is the content of the first box of a kind; false if there is none, or it is too long to be read.
func boxOf(r io.ReaderAt, list []box, kind string) ([]byte, bool) {
	i := slices.IndexFunc(list, func(b box) bool { return b.kind == kind })
	if i < 0 || list[i].bytes > maxMeta {
		return nil, false
	}
	content := make([]byte, list[i].bytes)
	n, _ := r.ReadAt(content, list[i].at)
	return content, n == len(content)
}

// heifItemsOf reads the list of a file's items. What cannot be read is left out.
func heifItemsOf(r io.ReaderAt, size int64) (items heifItems) {
	top := boxes(r, section{0, size})
	i := slices.IndexFunc(top, func(b box) bool { return b.kind == "meta" })
	if i < 0 || top[i].bytes < 4 {
		return items
	}
	inner := boxes(r, section{top[i].at + 4, top[i].bytes - 4}) // after its version
	info, ok := boxOf(r, inner, "iinf")
	places, also := boxOf(r, inner, "iloc")
	if !ok || !also {
		return items
	}
	kinds, data := itemKinds(info), int64(0)
	if i := slices.IndexFunc(inner, func(b box) bool { return b.kind == "idat" }); i >= 0 {
		data = inner[i].at
	}
	for id, s := range itemPlaces(places, data) {
		if s.at <= 0 || s.bytes < 8 || s.at > size-s.bytes {
			continue
		}
		switch kinds[id] {
		case "jpeg":
			items.jpeg = append(items.jpeg, s)
		case "Exif":
			var to [4]byte
			if n, _ := r.ReadAt(to[:], s.at); n == len(to) && int64(binary.BigEndian.Uint32(to[:])) < s.bytes-8 {
				items.exif = s.at + 4 + int64(binary.BigEndian.Uint32(to[:]))
			}
		}
	}
	return items
}

// fields reads numbers one after another; too few are an error.
type fields struct {
	left []byte
	err  error
}

var errShort = errors.New("it ends too early")

// number reads one of so many bytes, at most 8.
func (f *fields) number(bytes int) (n uint64) {
	if len(f.left) < bytes {
		f.left, f.err = nil, errShort
		return 0
	}
	for _, b := range f.left[:bytes] {
		n = n<<8 | uint64(b)
	}
	f.left = f.left[bytes:]
	return n
}

func (f *fields) skip(bytes int) { f.left = f.left[min(bytes, len(f.left)):] }

// itemKinds reads the kinds of the items, by their numbers, from an iinf box.
func itemKinds(info []byte) map[uint64]string {
	kinds, f := map[uint64]string{}, fields{left: info}
	wide := 2
	if f.number(4)>>24 > 0 {
		wide = 4
	}
	f.number(wide) // how many there are
	for f.err == nil && len(kinds) < maxItems {
		size := int(f.number(4))
		if size < 12 || size-4 > len(f.left) {
			break
		}
		entry := fields{left: f.left[:size-4]}
		f.skip(size - 4)
		entry.skip(4) // infe
		id := 2
		switch entry.number(4) >> 24 {
		case 2:
		case 3:
			id = 4
		default: // older ones say what they are in another way
			continue
		}
		number := entry.number(id)
		entry.skip(2)
		if entry.err == nil && len(entry.left) >= 4 {
			kinds[number] = string(entry.left[:4])
		}
	}
	return kinds
}

// itemPlaces reads where the items are that are in one piece, by their numbers, from an iloc box; data is where the
// idat box's content begins, 0 for none.
func itemPlaces(places []byte, data int64) map[uint64]section {
	found, f := map[uint64]section{}, fields{left: places}
	version := f.number(4) >> 24
	sizes := f.number(2)
	offset, length, base, index := int(sizes>>12), int(sizes>>8&15), int(sizes>>4&15), int(sizes&15)
	wide := 2
	if version > 1 {
		wide = 4
	}
	if version > 2 || max(offset, length, base, index) > 8 {
		return nil
	}
	count := f.number(wide)
	for n := uint64(0); n < min(count, maxItems) && f.err == nil; n++ {
		id, method := f.number(wide), uint64(0)
		if version > 0 {
			method = f.number(2) & 15
		} else {
			index = 0
		}
		f.skip(2) // where else the data may be
		from := f.number(base)
		extents := f.number(2)
		if extents > maxBoxes {
			return found
		}
		var at, bytes uint64
		for range extents {
			f.number(index)
			at, bytes = from+f.number(offset), f.number(length)
		}
		if method == 1 {
			at += uint64(data)
		}
		if extents == 1 && f.err == nil && at < 1<<62 && bytes < 1<<62 && (method == 0 || method == 1 && data > 0) {
			found[id] = section{int64(at), int64(bytes)}
		}
	}
	return found
}

// heifPreviews lists the JPEG pictures in a HEIF file, the longest first: items of its own, and the one in its EXIF
// data.
func heifPreviews(r io.ReaderAt, size int64) []section {
	items := heifItemsOf(r, size)
	list := items.jpeg
	if items.exif > 0 {
		list = append(list, previewsIn(r, items.exif, size)...)
	}
	slices.SortStableFunc(list, longestFirst)
	return list
}
