package frames

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"image"
	"image/jpeg"
	"io"
)

// untilDone is a file that can be read until its context ends, so that whatever reads it ends then, too.
type untilDone struct {
	ctx context.Context
	r   io.ReaderAt
}

func (u untilDone) ReadAt(p []byte, at int64) (int, error) {
	if u.ctx.Err() != nil {
		return 0, context.Cause(u.ctx)
	}
	return u.r.ReadAt(p, at)
}

// maxScans of a progressive JPEG, each of which may go over the whole picture with a few bytes. Programs make ten or
// so. Own choice.
const maxScans = 100

var errTooLong = errors.New("which takes too long: save it as a baseline JPEG")

// pieceBytes of a progressive JPEG are read at once: those of a few scans.
const pieceBytes = 64

// pieces is a file that is read a little at a time, so that its end or its context's is noticed soon.
type pieces struct {
	file  untilDone
	ahead *bufio.Reader
}

func (p pieces) Read(to []byte) (int, error) {
	if p.file.ctx.Err() != nil {
		return 0, context.Cause(p.file.ctx)
	}
	return p.ahead.Read(to[:min(len(to), pieceBytes)])
}

// decodeWhole decodes a JPEG by image/jpeg, which takes as long as it has scans.
func decodeWhole(file untilDone, s section, h jpegHeader) (image.Image, error) {
	section := func() io.Reader { return io.NewSectionReader(file, s.at, s.bytes) }
	most := h.components // a scan for each at most
	if h.progressive {
		most = maxScans
	}
	if more, err := hasMoreScans(section(), most); err != nil {
		return nil, err
	} else if more {
		return nil, fmt.Errorf("its picture comes in more than %d scans, %w", most, errTooLong)
	}
	if h.progressive {
		return jpeg.Decode(pieces{file, bufio.NewReader(section())})
	}
	return jpeg.Decode(section())
}

// hasMoreScans reports whether a JPEG has more scans than that. A file that ends early has those before.
func hasMoreScans(r io.Reader, most int) (bool, error) {
	const (
		startOfImage, endOfImage, startOfScan, temporary = 0xd8, 0xd9, 0xda, 0x01
		restart                                          = 0xd0 // to 0xd7
	)
	in := bufio.NewReader(r)
	for scans := 0; scans <= most; {
		marker, err := nextMarker(in)
		switch {
		case err == io.EOF || marker == endOfImage:
			return false, nil
		case err != nil:
			return false, err
		case marker == startOfImage || marker == temporary || marker&^7 == restart:
			continue
		case marker == startOfScan:
			scans++
		}
		var size [2]byte
		if _, err := io.ReadFull(in, size[:]); err != nil {
			return false, endless(err)
		}
		if _, err := in.Discard(max(int(size[0])<<8+int(size[1])-2, 0)); err != nil {
			return false, endless(err)
		}
	}
	return true, nil
}

// endless is nil for the file's end.
func endless(err error) error {
	if err == io.EOF || err == io.ErrUnexpectedEOF {
		return nil
	}
	return err
}

// nextMarker passes over a scan's data, in which 0xff is followed by 0.
func nextMarker(in *bufio.Reader) (byte, error) {
	for {
		b, err := in.ReadByte()
		for err == nil && b != 0xff {
			b, err = in.ReadByte()
		}
		for err == nil && b == 0xff {
			b, err = in.ReadByte()
		}
		if err != nil || b != 0 {
			return b, err
		}
	}
}
