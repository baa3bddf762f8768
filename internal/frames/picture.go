package frames

import (
	"cmp"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"image"
	"io"
	"math"
)

// MaxPixels is how many pixels a picture may have at most; a larger one is refused before it is decoded.
const MaxPixels = 64_000_000

// MaxDecoded is how much memory decoding a picture may take where a Folder says nothing else, in bytes: enough for 64
// megapixels of baseline JPEG, or for a fifth of that of progressive.
const MaxDecoded = 192_000_000

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

// Small is Picture for callers that need no more than so many pixels along the longer side: a baseline JPEG of eight
// times as many is decoded to an eighth of its size, each pixel the mean of eight by eight levels.
func (f *Folder) Small(ctx context.Context, frame Frame, longest int) (Small, error) {
	var failed []error
	for _, file := range frame.Files {
		if err := ctx.Err(); err != nil {
			return Small{}, err
		}
		var made Small
		err := f.open(ctx, file, func(opened untilDone, size int64) (err error) {
			made, err = f.decoder(longest).decode(opened, size)
			return err
		})
		if err == nil {
			return made, nil
		}
		failed = append(failed, err)
	}
	if err := ctx.Err(); err != nil {
		return Small{}, err
	}
	return Small{}, errors.Join(failed...)
}

// decoder decodes a picture within bounds.
type decoder struct {
	longest int   // pixels of the longer side that are enough
	most    int64 // bytes of memory
}

func (f *Folder) decoder(longest int) decoder {
	return decoder{longest, cmp.Or(f.MaxDecoded, MaxDecoded)}
}

// decode is the picture in a file.
func (d decoder) decode(r untilDone, size int64) (Small, error) {
	switch formatOf(r) {
	case jpegFile:
		return d.jpeg(r, section{0, size})
	case tiffFile:
		return d.preview(r, previewsIn(&limited{r: r, size: size, left: maxMetadata}, 0, size),
			errors.New("it has no preview that can be shown: have the camera save JPEG files too"))
	case heifFile:
		return d.preview(r, heifPreviews(&limited{r: r, size: size, left: maxMetadata}, size),
			errors.New("it has no JPEG preview, and its own picture is not decoded: have the camera save JPEG files too"))
	}
	return Small{}, errUnknown
}

// maxPreviews of a file are tried; cameras write two to four. Own choice.
const maxPreviews = 8

// preview is the first of these that can be decoded; without one the error is none, or why not.
func (d decoder) preview(r untilDone, list []section, none error) (Small, error) {
	for _, s := range list[:min(len(list), maxPreviews)] {
		made, err := d.jpeg(r, s)
		if err == nil {
			return made, nil
		}
		none = fmt.Errorf("its preview: %w", err)
	}
	return Small{}, none
}

func (d decoder) jpeg(r untilDone, s section) (Small, error) {
	header, err := jpegHeaderOf(io.NewSectionReader(r, s.at, s.bytes))
	if err != nil {
		return Small{}, err
	}
	if err := header.check(); err != nil {
		return Small{}, err
	}
	made := Small{Per: 1}
	err = errNotReduced
	if max(header.width, header.height)/shrink >= d.longest {
		made.Image, err = decodeReduced(r, s)
		made.Per = shrink
	}
	if errors.Is(err, errNotReduced) {
		if err := header.checkWhole(d.most); err != nil {
			return Small{}, err
		}
		made.Per = 1
		made.Image, err = decodeWhole(r, s, header)
	}
	if errors.Is(err, io.ErrUnexpectedEOF) || errors.Is(err, io.EOF) {
		return Small{}, errors.New("it ends before its picture does: copy it again")
	}
	if err != nil && !errors.Is(err, errTooLong) {
		err = fmt.Errorf("its picture cannot be decoded: %w: copy it from the camera again, or save it anew as "+
			"a baseline JPEG", err)
	}
	if err != nil {
		return Small{}, err
	}
	made.Size = image.Pt(header.width, header.height)
	return made, nil
}

// jpegHeader is the beginning of a JPEG's frame (ITU-T T.81, B.2.2).
type jpegHeader struct {
	width, height, components int
	progressive               bool
	samples                   float64 // of all components, by pixels
	converted                 bool    // its components are not the picture's colours: a copy is made with those
}

// check refuses what has too many pixels.
func (h jpegHeader) check() error {
	if int64(h.width)*int64(h.height) > MaxPixels {
		return fmt.Errorf("its picture has %d x %d pixels, and the limit is %d million: use a copy with fewer",
			h.width, h.height, MaxPixels/1_000_000)
	}
	return nil
}

// checkWhole refuses what would take too much memory to be decoded whole. The decoder, image/jpeg, has a byte for each
// sample, four more for each coefficient of a progressive JPEG, and four for each pixel of a copy in other colours.
func (h jpegHeader) checkWhole(most int64) error {
	perPixel := h.samples
	if h.progressive {
		perPixel += 4 * h.samples
	}
	if h.converted {
		perPixel += 4
	}
	if needs := perPixel * float64(h.width) * float64(h.height); needs > float64(most) {
		return fmt.Errorf("its picture of %d x %d pixels takes %.0f MB to decode, and the limit is %d: save it as "+
			"a baseline JPEG, or smaller", h.width, h.height, math.Ceil(needs/1e6), most/1_000_000)
	}
	return nil
}

// jpegHeaderOf reads the segments up to the picture's data.
func jpegHeaderOf(r io.ReaderAt) (h jpegHeader, err error) {
	var found, untransformed bool
	err = segments(r, func(marker byte, at, size int64) bool {
		switch {
		case marker == 0xee: // APP14, Adobe's: its last byte says how the colours are transformed, 0 not at all
			var b [12]byte
			n, _ := r.ReadAt(b[:], at)
			untransformed = untransformed || n == len(b) && size >= int64(len(b)) && string(b[:5]) == "Adobe" && b[11] == 0
		case found || marker < 0xc0 || marker > 0xcf || marker == 0xc4 || marker == 0xc8 || marker == 0xcc:
			// Not one of SOF0 to SOF15, or DHT, JPG or DAC.
		default:
			found = true
			h = frameHeader(r, marker, at, size)
		}
		return true
	})
	h.converted = h.converted || untransformed && h.components == 3
	if h.width != 0 && h.height != 0 {
		return h, nil // what comes after it may be damaged
	}
	if err == nil {
		err = errors.New("it has no picture: copy it from the camera again")
	}
	return h, err
}

// frameHeader reads a frame's header.
func frameHeader(r io.ReaderAt, marker byte, at, size int64) (h jpegHeader) {
	const most = 4 // components
	var b [6 + 3*most]byte
	n, _ := r.ReadAt(b[:min(int64(len(b)), size)], at)
	if n < 6 {
		return h
	}
	h = jpegHeader{width: int(binary.BigEndian.Uint16(b[3:])), height: int(binary.BigEndian.Uint16(b[1:])),
		components: int(b[5]), progressive: marker == 0xc2}
	count := min(h.components, (n-6)/3)
	across, down := 1, 1
	for i := range count {
		across, down = max(across, int(b[7+3*i]>>4)), max(down, int(b[7+3*i]&15))
	}
	for i := range count {
		h.samples += float64(b[7+3*i]>>4) / float64(across) * float64(b[7+3*i]&15) / float64(down)
	}
	h.converted = h.components == most || count == 3 && b[6] == 'R' && b[9] == 'G' && b[12] == 'B'
	return h
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
			return errors.New("it is damaged, a segment is where none can be: copy it from the camera again")
		case b[1] == 0xff: // a fill byte
			at++
			continue
		case b[1] <= 0x01 || b[1]&^7 == 0xd0: // they have no length, and decoders pass over them
			return errors.New("it is damaged, a mark of its data is where none can be: copy it from the camera again")
		case b[1] == 0xd9 || b[1] == 0xda: // the end, or the picture's data
			return nil
		}
		size := int64(binary.BigEndian.Uint16(b[2:]))
		if size < 2 {
			return errors.New("it is damaged, a segment is shorter than its own length: copy it from the camera again")
		}
		if !visit(b[1], at+4, size-2) {
			return nil
		}
		at += 2 + size
	}
	return errors.New("it has more segments than a picture can: copy it from the camera again")
}
