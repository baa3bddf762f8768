package frames

import (
	"bufio"
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"image/jpeg"
	"io"
	"math"
	"runtime"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/frames/framestest"
)

// whole is a file that nothing stops being read.
func whole(r io.ReaderAt) untilDone { return untilDone{context.Background(), r} }

// A picture takes as long to decode as it has scans, and a scan takes a few bytes: of 7000 none is decoded.
func TestScansAreBounded(t *testing.T) {
	const tooMany = "more than 100 scans"
	for scans, want := range map[int]string{maxScans: "", maxScans + 1: tooMany, 7000: tooMany} {
		content := framestest.Progressive(scans)
		counted := &counting{r: bytes.NewReader(content)}
		_, err := decoder{math.MaxInt, MaxDecoded}.decode(whole(counted), int64(len(content)))
		if want == "" {
			require.NoError(t, err)
			continue
		}
		assert.ErrorContains(t, err, want, scans)
		assert.Less(t, counted.bytes, 10_000, "it is seen at its beginning")
	}
	raw := framestest.Raw(framestest.Plain(64, 64), framestest.Progressive(7000))
	made, err := decoder{math.MaxInt, MaxDecoded}.decode(whole(bytes.NewReader(raw)), int64(len(raw)))
	require.NoError(t, err, "another preview is shown")
	assert.Equal(t, 64, made.Size.X)
}

// Of a baseline picture each scan has at least a bit for each block, and a picture of one component has one scan.
func TestScansOfBaseline(t *testing.T) {
	one := framestest.Plain(64, 64)
	header, err := jpegHeaderOf(bytes.NewReader(one))
	require.NoError(t, err)
	from := bytes.Index(one, []byte{0xff, 0xda})
	scan := one[from : len(one)-2]
	for scans, refused := range map[int]bool{1: false, header.components: false, header.components + 1: true} {
		content := append(append(bytes.Clone(one[:from]), bytes.Repeat(scan, scans)...), 0xff, 0xd9)
		_, err := decodeWhole(whole(bytes.NewReader(content)), section{0, int64(len(content))}, header)
		if refused {
			assert.ErrorContains(t, err, "scans")
		} else {
			assert.NoError(t, err)
		}
	}
}

func TestHasMoreScans(t *testing.T) {
	scan := []byte{0xff, 0xda, 0, 3, 9, 1, 2, 0xff, 0, 0xff, 0xd3, 4}
	for name, c := range map[string]struct {
		parts [][]byte
		most  int
		want  bool
	}{
		"none":                             {nil, 0, false},
		"one":                              {[][]byte{scan}, 0, true},
		"two":                              {[][]byte{scan, scan}, 1, true},
		"as many":                          {[][]byte{scan, scan}, 2, false},
		"only in a segment":                {[][]byte{{0xff, 0xe1, 0, 8, 0xff, 0xda, 0xff, 0xda, 0xff, 0xda}}, 0, false},
		"behind the end":                   {[][]byte{scan, {0xff, 0xd9}, scan}, 1, false},
		"fill bytes":                       {[][]byte{{0xff, 0xff}, scan}, 0, true},
		"cut in a segment":                 {[][]byte{{0xff, 0xe1, 0xff, 0xff, 1}}, 0, false},
		"cut in its size":                  {[][]byte{{0xff, 0xe1, 0xff}}, 0, false},
		"a segment shorter than its size":  {[][]byte{{0xff, 0xe1, 0, 0}, scan}, 0, true},
		"a marker in the picture's data":   {[][]byte{scan, {0xff, 0x01, 0xff, 0xd0}, scan}, 1, true},
		"a picture that begins once again": {[][]byte{{0xff, 0xd8}, scan}, 0, true},
	} {
		more, err := hasMoreScans(bytes.NewReader(bytes.Join(c.parts, nil)), c.most)
		require.NoError(t, err, name)
		assert.Equal(t, c.want, more, name)
	}
	_, err := hasMoreScans(io.MultiReader(bytes.NewReader(scan), broken{}), 1)
	assert.ErrorIs(t, err, errBroken)
}

var errBroken = errors.New("broken")

type broken struct{}

func (broken) Read([]byte) (int, error) { return 0, errBroken }

// counting counts what is read, and calls at with each read.
type counting struct {
	r            io.ReaderAt
	reads, bytes int
	at           func(reads int)
}

func (c *counting) ReadAt(p []byte, at int64) (int, error) {
	n, err := c.r.ReadAt(p, at)
	c.reads++
	c.bytes += n
	if c.at != nil {
		c.at(c.reads)
	}
	return n, err
}

// Whatever is being read or decoded, nothing more of it is when the context ends, at whichever place.
func TestReadingEndsWithItsContext(t *testing.T) {
	baseline := framestest.WithExif(framestest.Plain(2400, 1600), "2026:11:24 20:31:05", "25")
	for name, do := range map[string]struct {
		content []byte
		read    func(untilDone, int64) error
	}{
		"metadata": {baseline, func(r untilDone, size int64) error { _, err := readData(r, size); return err }},
		"reduced": {baseline, func(r untilDone, size int64) error {
			_, err := decoder{1, MaxDecoded}.decode(r, size)
			return err
		}},
		"whole": {baseline, func(r untilDone, size int64) error {
			_, err := decoder{math.MaxInt, MaxDecoded}.decode(r, size)
			return err
		}},
		"progressive": {framestest.Progressive(maxScans), func(r untilDone, size int64) error {
			_, err := decoder{math.MaxInt, MaxDecoded}.decode(r, size)
			return err
		}},
		"a preview": {framestest.Raw(baseline, baseline), func(r untilDone, size int64) error {
			_, err := decoder{math.MaxInt, MaxDecoded}.decode(r, size)
			return err
		}},
	} {
		size := int64(len(do.content))
		all := &counting{r: bytes.NewReader(do.content)}
		require.NoError(t, do.read(whole(all), size), name)
		require.Positive(t, all.reads, name)
		for last := 1; last < all.reads; last += 1 + all.reads/8 {
			ctx, end := context.WithCancel(t.Context())
			r := &counting{r: bytes.NewReader(do.content), at: func(reads int) {
				if reads == last {
					end()
				}
			}}
			_ = do.read(untilDone{ctx, r}, size) // that it does not count, Folder.open says
			assert.Equal(t, last, r.reads, "%s: it went on reading", name)
		}
	}
}

// A few scans at most are decoded after the end, however much of the file is in memory.
func TestPiecesEndWithTheirContext(t *testing.T) {
	ctx, end := context.WithCancelCause(t.Context())
	content := framestest.Progressive(maxScans)
	ahead := &counting{r: bytes.NewReader(content)}
	file := untilDone{ctx, ahead}
	in := pieces{file, bufio.NewReader(io.NewSectionReader(file, 0, int64(len(content))))}
	got, left := 0, 10
	reader := readFunc(func(p []byte) (int, error) {
		if left--; left == 0 {
			end(errBroken)
		}
		n, err := in.Read(p)
		got += n
		return n, err
	})
	_, err := jpeg.Decode(reader)
	require.ErrorIs(t, err, errBroken)
	assert.LessOrEqual(t, got, 9*pieceBytes)
}

type readFunc func([]byte) (int, error)

func (f readFunc) Read(p []byte) (int, error) { return f(p) }

// A frame whose reading was stopped says nothing: not even what was read of it by then.
func TestStoppedFrameSaysNothing(t *testing.T) {
	dir := t.TempDir()
	write(t, dir, "A.JPG", framestest.WithExif(framestest.Plain(640, 480), "2026:11:24 20:31:05", "25"))
	f := openFolder(t, dir)
	frame := listed(t, f)[0]
	ctx, end := context.WithCancel(t.Context())
	err := f.open(ctx, frame.Files[0], func(r untilDone, size int64) error {
		end()
		return nil // as if all had been read
	})
	require.ErrorIs(t, err, context.Canceled)
	_, err = f.Small(ctx, frame, 100)
	require.ErrorIs(t, err, context.Canceled)
	_, err = f.Read(ctx, frame)
	require.ErrorIs(t, err, context.Canceled)
}

// The decoder passes over some marks as if they were not there. Whoever takes one for a segment, which has a length,
// finds the picture's size in another place than the decoder does.
func TestMarksBeforeThePicture(t *testing.T) {
	for _, mark := range []byte{0x00, 0x01, 0xd0, 0xd7} {
		content := slices.Insert(framestest.Plain(16, 16), 2, 0xff, mark)
		_, err := decoder{math.MaxInt, MaxDecoded}.decode(whole(bytes.NewReader(content)), int64(len(content)))
		assert.ErrorContains(t, err, "a mark of its data is where none can be", "%02x", mark)
	}
}

// FuzzJPEGHeader: the size by which a picture is refused is the decoder's own.
func FuzzJPEGHeader(f *testing.F) {
	plain := framestest.Plain(16, 16)
	f.Add(plain)
	f.Add(framestest.Progressive(3))
	f.Add(slices.Insert(slices.Clone(plain), 2, 0xff, 0xd0))
	f.Add(slices.Insert(slices.Clone(plain), 2, 0xff, 0xff, 0xff))
	f.Add(slices.Insert(slices.Clone(plain), 2, 0xff, 0xfe, 0, 3, 0))
	f.Fuzz(func(t *testing.T, content []byte) {
		ours, err := jpegHeaderOf(bytes.NewReader(content))
		theirs, theirErr := jpeg.DecodeConfig(bytes.NewReader(content))
		if err == nil && theirErr == nil {
			require.Equal(t, []int{theirs.Width, theirs.Height}, []int{ours.width, ours.height})
		}
	})
}

// What a file says of itself takes bounded memory, however much of it there is.
func TestMetadataIsBounded(t *testing.T) {
	box := func(kind string, content ...byte) []byte {
		return append(append(binary.BigEndian.AppendUint32(nil, uint32(8+len(content))), kind...), content...)
	}
	heif := func(inner ...byte) []byte {
		meta := box("meta", append(make([]byte, 4), inner...)...)
		return append(box("ftyp", []byte("heic\x00\x00\x00\x00mif1heic")...), meta...)
	}
	list := func(n int, entry func(i int) []byte) []byte {
		made := binary.BigEndian.AppendUint32(nil, uint32(n))
		for i := range n {
			made = append(made, entry(i)...)
		}
		return made
	}
	association := append([]byte{0, 1, 255}, bytes.Repeat([]byte{1}, 255)...)
	subIFDs := list(5_000_000, func(int) []byte { return []byte{0, 0, 1, 0} })
	for name, content := range map[string][]byte{
		"associations": heif(append(box("pitm", 0, 0, 0, 0, 0, 1), box("iprp", box("ipma",
			append(make([]byte, 4), list(80_000, func(int) []byte { return association })...)...)...)...)...),
		"places of items": heif(box("iloc", append([]byte{2, 0, 0, 0, 0, 0}, list(2_000_000, func(i int) []byte {
			return append(binary.BigEndian.AppendUint32(nil, uint32(i)), 0, 0, 0, 0, 0, 0)
		})...)...)...),
		"places of pictures": append([]byte("MM\x00*\x00\x00\x00\x08\x00\x01\x01\x4a\x00\x04\x00\x4c\x4b\x40\x00\x00\x00\x1a"+
			"\x00\x00\x00\x00"), subIFDs...),
	} {
		t.Run(name, func(t *testing.T) {
			var before, after runtime.MemStats
			runtime.ReadMemStats(&before)
			_, err := readData(bytes.NewReader(content), int64(len(content)))
			runtime.ReadMemStats(&after)
			t.Logf("%d MB of file, %.1f MB taken and given back: %v", len(content)>>20,
				float64(after.TotalAlloc-before.TotalAlloc)/(1<<20), err)
			assert.Less(t, after.TotalAlloc-before.TotalAlloc, uint64(20<<20))
		})
	}
}
