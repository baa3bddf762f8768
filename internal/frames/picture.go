package frames

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"image"
	"image/jpeg"
	"io"
	"math"
	"os"
)

// MaxPixels bounds a picture: decoded whole, 64 megapixels take up to 192 MB, and a progressive JPEG of a quarter of
// that as much.
const MaxPixels = 64_000_000

// Small is a frame's picture, that may have been made smaller as it was decoded.
type Small struct {
	image.Image
	Size image.Point // of the picture as stored
	Per  int         // pixels of that along one of these
}

// Picture decodes the frame's picture: its JPEG, or the largest preview in its raw file that can be decoded. The errors
// of all files are joined when there is none.
func (f *Folder) Picture(ctx context.Context, frame Frame) (image.Image, error) {
	made, err := f.Small(ctx, frame, math.MaxInt)
	return made.Image, err
}

// Small is Picture for who needs no more than so many pixels along the longer side: a baseline JPEG of eight times as
// many is decoded to an eighth of its size, each pixel the mean of eight by eight levels.
func (f *Folder) Small(ctx context.Context, frame Frame, longest int) (Small, error) {
	var failed []error
	for _, file := range frame.Files {
		if err := ctx.Err(); err != nil {
			return Small{}, err
		}
		var made Small
		err := f.open(file, func(opened *os.File, size int64) (err error) {
			made, err = decode(opened, size, longest)
			return err
		})
		if err == nil {
			return made, nil
		}
		failed = append(failed, err)
	}
	return Small{}, errors.Join(failed...)
}

// decode is the picture in a file.
func decode(r io.ReaderAt, size int64, longest int) (Small, error) {
	switch formatOf(r) {
	case jpegFile:
		return decodeJPEG(r, section{0, size}, longest)
	case tiffFile:
		return decodePreview(r, previewsIn(&limited{r: r, size: size, left: maxMetadata}, 0, size), longest,
			errors.New("it has no preview that can be shown"))
	case heifFile:
		return decodePreview(r, heifPreviews(&limited{r: r, size: size, left: maxMetadata}, size), longest,
			errors.New("it has no JPEG preview, and its own picture is not decoded: have the camera save JPEG files too"))
	}
	return Small{}, errUnknown
}

// decodePreview is the first of these that can be decoded; without one the error is none, or why not.
func decodePreview(r io.ReaderAt, list []section, longest int, none error) (Small, error) {
	for _, s := range list {
		made, err := decodeJPEG(r, s, longest)
		if err == nil {
			return made, nil
		}
		none = fmt.Errorf("its preview: %w", err)
	}
	return Small{}, none
}

func decodeJPEG(r io.ReaderAt, s section, longest int) (Small, error) {
	header, err := jpegHeaderOf(io.NewSectionReader(r, s.at, s.bytes))
	if err != nil {
		return Small{}, err
	}
	if err := header.check(); err != nil {
		return Small{}, err
	}
	made := Small{Per: 1}
	err = errNotReduced
	if max(header.width, header.height)/shrink >= longest {
		made.Image, err = decodeReduced(r, s)
		made.Per = shrink
	}
	if errors.Is(err, errNotReduced) {
		made.Per = 1
		made.Image, err = jpeg.Decode(io.NewSectionReader(r, s.at, s.bytes))
	}
	if errors.Is(err, io.ErrUnexpectedEOF) || errors.Is(err, io.EOF) {
		return Small{}, errors.New("it ends before its picture does: copy it again")
	}
	if err != nil {
		return Small{}, fmt.Errorf("its picture cannot be decoded: %w", err)
	}
	made.Size = image.Pt(header.width, header.height)
	return made, nil
}

// jpegHeader is the beginning of a JPEG's frame (ITU-T T.81, B.2.2).
type jpegHeader struct {
	width, height, components int
	progressive               bool
}

// check refuses what would take too much memory: a decoder of progressive JPEG keeps four bytes for each coefficient.
func (h jpegHeader) check() error {
	most := MaxPixels
	if h.progressive {
		most /= 4
	}
	if int64(h.width)*int64(h.height) > int64(most) {
		return fmt.Errorf("its picture has %d x %d pixels, and at most %d million are decoded", h.width, h.height,
			most/1_000_000)
	}
	return nil
}

// jpegHeaderOf reads the segments up to the frame's header.
func jpegHeaderOf(r io.ReaderAt) (h jpegHeader, err error) {
	err = segments(r, func(marker byte, at, size int64) bool {
		// SOF0 to SOF15 but DHT, JPG and DAC
		if marker < 0xc0 || marker > 0xcf || marker == 0xc4 || marker == 0xc8 || marker == 0xcc {
			return true
		}
		var b [6]byte
		if n, _ := r.ReadAt(b[:], at); n == len(b) && size >= int64(len(b)) {
			h = jpegHeader{int(binary.BigEndian.Uint16(b[3:])), int(binary.BigEndian.Uint16(b[1:])), int(b[5]),
				marker == 0xc2}
		}
		return false
	})
	if err == nil && (h.width == 0 || h.height == 0) {
		err = errors.New("it has no picture")
	}
	return h, err
}

// exifIn is where the EXIF data begin in a JPEG; 0 if it has none.
func exifIn(r io.ReaderAt) (start int64) {
	_ = segments(r, func(marker byte, at, _ int64) bool { // what comes before damage counts
		var b [6]byte
		if n, _ := r.ReadAt(b[:], at); marker == 0xe1 && n == len(b) && string(b[:]) == "Exif\x00\x00" {
			start = at + int64(len(b))
		}
		return start == 0
	})
	return start
}

// maxSegments of a JPEG before its picture; cameras have some ten.
const maxSegments = 1000

// segments visits a JPEG's segments before its picture data, each with where its content is and how long, until visit
// returns false.
func segments(r io.ReaderAt, visit func(marker byte, at, size int64) bool) error {
	at := int64(2)
	for range maxSegments {
		var b [4]byte
		if n, _ := r.ReadAt(b[:], at); n < len(b) {
			return errors.New("it ends before its picture begins: copy it again")
		}
		switch {
		case b[0] != 0xff:
			return errors.New("it is damaged: a segment is where none can be")
		case b[1] == 0xff: // a fill byte
			at++
			continue
		case b[1] == 0xd9 || b[1] == 0xda: // the end, or the picture's data
			return nil
		}
		size := int64(binary.BigEndian.Uint16(b[2:]))
		if size < 2 {
			return errors.New("it is damaged: a segment is shorter than its own length")
		}
		if !visit(b[1], at+4, size-2) {
			return nil
		}
		at += 2 + size
	}
	return errors.New("it has more segments than a picture can")
}
