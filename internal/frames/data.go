package frames

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"strings"
	"time"

	"github.com/bep/imagemeta"
)

// Read fills in what the frame's files say of it: the first that says when it was taken. If none does, only the time
// stays unknown; the error is about a file that cannot be read.
func (f *Folder) Read(ctx context.Context, frame Frame) (Frame, error) {
	var first error
	for _, file := range frame.Files {
		if err := ctx.Err(); err != nil {
			return frame, err
		}
		err := f.open(ctx, file, func(opened untilDone, size int64) error {
			data, err := readData(opened, size)
			if err == nil && (frame.Taken.IsZero() || !data.Taken.IsZero()) {
				frame.Data = data
			}
			return err
		})
		if err == nil && !frame.Taken.IsZero() {
			return frame, nil
		}
		if first == nil {
			first = err
		}
	}
	return frame, first
}

// format is what a file is by its first bytes.
type format int

const (
	unknown format = iota
	jpegFile
	tiffFile // raw files are built like it
	heifFile
)

func formatOf(r io.ReaderAt) format {
	var head [12]byte
	n, _ := r.ReadAt(head[:], 0)
	switch h := string(head[:n]); {
	case strings.HasPrefix(h, "\xff\xd8\xff"):
		return jpegFile
	case strings.HasPrefix(h, "II*\x00") || strings.HasPrefix(h, "MM\x00*"):
		return tiffFile
	case n == 12 && h[4:8] == "ftyp" && strings.Contains("heic heix hevc mif1 msf1", h[8:12]):
		return heifFile
	}
	return unknown
}

var errUnknown = errors.New("its content is not a readable JPEG, HEIF or raw file, whatever its name says: use the " +
	"camera's own file")

// maxMetadata is how many bytes are read to understand a file, in all.
const maxMetadata = 64 << 20

// maxParsed is how many of them the library reads, which keeps some five times as many of a HEIF file's list of items,
// and goes over what it has read again and again: of a phone's HEIF file with 2 MB it reads 0.9 MB. Own choice.
const maxParsed = 4 << 20

var errTooMuch = errors.New("its metadata goes round in circles, or has no end")

// readData reads what a file says of its picture.
func readData(r io.ReaderAt, size int64) (Data, error) {
	l := &limited{r: r, size: size, left: maxParsed}
	var as imagemeta.ImageFormat
	switch formatOf(l) {
	case jpegFile:
		as = imagemeta.JPEG
	case tiffFile:
		as = imagemeta.DNG // its reader takes any that is built as TIFF is
	case heifFile:
		as = imagemeta.HEIF
	default:
		return Data{}, errUnknown
	}
	tags := map[string]any{}
	_, err := imagemeta.Decode(imagemeta.Options{R: l, ImageFormat: as,
		Sources: imagemeta.EXIF, LimitTagSize: 4096,
		ShouldHandleTag: func(t imagemeta.TagInfo) bool { return wanted[t.Tag] && !strings.HasPrefix(t.Namespace, "IFD1") },
		HandleTag: func(t imagemeta.TagInfo) error {
			if _, known := tags[t.Tag]; !known {
				tags[t.Tag] = t.Value
			}
			return nil
		}})
	if l.left <= 0 {
		err = errTooMuch
	}
	d := dataOf(tags)
	if err != nil && d.Taken.IsZero() {
		return Data{}, fmt.Errorf("its data cannot be read: %w: copy it from the camera again", err)
	}
	if digits := fractionOf(&limited{r: r, size: size, left: maxMetadata}, size); !d.Taken.IsZero() && digits != "" {
		d.Taken, d.Step = d.Taken.Add(fraction(digits)), 10*time.Millisecond
	}
	return d, nil
}

// wanted are the tags that are kept.
var wanted = map[string]bool{"DateTimeOriginal": true, "CreateDate": true, "ModifyDate": true, "ExposureTime": true,
	"FNumber": true, "ISO": true, "FocalLength": true, "Orientation": true}

func dataOf(tags map[string]any) Data {
	d := Data{FNumber: number(tags["FNumber"]), ISO: number(tags["ISO"]), FocalMm: number(tags["FocalLength"])}
	if s := number(tags["ExposureTime"]); s > 0 && s < 24*3600 {
		d.Exposure = time.Duration(s * float64(time.Second))
	}
	if o := number(tags["Orientation"]); o >= 1 && o <= 8 {
		d.Orientation = int(o)
	}
	for _, name := range []string{"DateTimeOriginal", "CreateDate", "ModifyDate"} {
		text, _ := tags[name].(string)
		at, err := time.Parse("2006:01:02 15:04:05", strings.TrimSpace(text))
		if err == nil && at.Year() >= 1970 && at.Year() < 2200 {
			d.Taken, d.Step = at, time.Second
			break
		}
	}
	return d
}

// number is a tag's value, 0 if it is none that can be.
func number(value any) float64 {
	n := 0.0
	switch v := value.(type) {
	case interface{ Float64() float64 }:
		n = v.Float64()
	case uint16:
		n = float64(v)
	case uint32:
		n = float64(v)
	case int:
		n = float64(v)
	case float64:
		n = v
	}
	if !(n > 0) || math.IsInf(n, 0) {
		return 0
	}
	return n
}

// fraction is of a second, as its digits after the point.
func fraction(digits string) (d time.Duration) {
	unit := time.Second
	for _, c := range digits {
		unit /= 10
		d += time.Duration(c-'0') * unit
	}
	return d
}

// limited is a file of which only so much is read in all.
type limited struct {
	r        io.ReaderAt
	at, size int64
	left     int64
}

func (l *limited) ReadAt(p []byte, at int64) (int, error) {
	if l.left <= 0 {
		return 0, errTooMuch
	}
	if at < 0 || at >= l.size {
		return 0, io.EOF
	}
	n, err := l.r.ReadAt(p[:min(int64(len(p)), l.size-at)], at)
	l.left -= int64(max(n, 16))
	if err == nil && n < len(p) {
		err = io.EOF
	}
	return n, err
}

func (l *limited) Read(p []byte) (int, error) {
	n, err := l.ReadAt(p, l.at)
	l.at += int64(n)
	if n > 0 && errors.Is(err, io.EOF) {
		err = nil
	}
	return n, err
}

func (l *limited) Seek(offset int64, whence int) (int64, error) {
	switch whence {
	case io.SeekCurrent:
		offset += l.at
	case io.SeekEnd:
		offset += l.size
	}
	if offset < 0 {
		return 0, errors.New("a place before the file's beginning")
	}
	l.at = offset
	return offset, nil
}

// IsPicture reports whether a file that begins like this is of a kind that is read; twelve bytes tell.
func IsPicture(head []byte) bool { return formatOf(bytes.NewReader(head)) != unknown }
