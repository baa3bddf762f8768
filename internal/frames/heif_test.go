package frames

import (
	"bytes"
	"encoding/binary"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/frames/framestest"
	"stillwater/internal/need"
)

func asBox(kind string, content ...[]byte) []byte {
	all := bytes.Join(content, nil)
	return append(append(binary.BigEndian.AppendUint32(nil, uint32(8+len(all))), kind...), all...)
}

// asHEIF is a HEIF file with the items that are given, as the standard has it: in the file, or in an idat box.
func asHEIF(inData bool, kinds []string, items ...[]byte) []byte {
	top := asBox("ftyp", []byte("heic\x00\x00\x00\x00mif1"))
	info := binary.BigEndian.AppendUint16([]byte{0, 0, 0, 0}, uint16(len(kinds)))
	for i, kind := range kinds {
		entry := binary.BigEndian.AppendUint16([]byte{2, 0, 0, 0}, uint16(i+1))
		info = append(info, asBox("infe", append(append(entry, 0, 0), kind+"\x00"...))...)
	}
	method, from := byte(0), 0
	data := asBox("idat", bytes.Join(items, nil))
	places := func() []byte {
		b := binary.BigEndian.AppendUint16([]byte{1, 0, 0, 0, 0x44, 0}, uint16(len(items)))
		at := from
		for i, item := range items {
			b = binary.BigEndian.AppendUint16(b, uint16(i+1))
			b = append(b, 0, method, 0, 0, 0, 1) // construction, data reference, one extent
			b = binary.BigEndian.AppendUint32(binary.BigEndian.AppendUint32(b, uint32(at)), uint32(len(item)))
			at += len(item)
		}
		return b
	}
	if inData {
		method = 1
		return append(top, asBox("meta", []byte{0, 0, 0, 0}, asBox("iinf", info), asBox("iloc", places()), data)...)
	}
	meta := asBox("meta", []byte{0, 0, 0, 0}, asBox("iinf", info), asBox("iloc", places()))
	from = len(top) + len(meta) + 8
	meta = asBox("meta", []byte{0, 0, 0, 0}, asBox("iinf", info), asBox("iloc", places()))
	return bytes.Join([][]byte{top, meta, asBox("mdat", items...)}, nil)
}

// The largest JPEG picture in a HEIF file is shown: an item of its own, or that of its EXIF data.
func TestHEIFPreview(t *testing.T) {
	small, none := framestest.Plain(96, 64), []byte("not decoded")
	exif := append(make([]byte, 4), framestest.Raw(framestest.Plain(16, 12), framestest.Plain(64, 48))...)
	for name, c := range map[string]struct {
		file          []byte
		width, height int
	}{
		"an item":          {asHEIF(false, []string{"hvc1", "jpeg"}, none, small), 96, 64},
		"an item in idat":  {asHEIF(true, []string{"hvc1", "jpeg"}, none, small), 96, 64},
		"the larger":       {asHEIF(false, []string{"jpeg", "jpeg"}, small, framestest.Plain(300, 200)), 300, 200},
		"in the EXIF data": {asHEIF(false, []string{"Exif"}, exif), 64, 48},
	} {
		dir := t.TempDir()
		write(t, dir, "PICT0001.HIF", c.file)
		folder := openFolder(t, dir)
		img, err := folder.Picture(t.Context(), listed(t, folder)[0])
		if assert.NoError(t, err, name) {
			assert.Equal(t, []int{c.width, c.height}, []int{img.Bounds().Dx(), img.Bounds().Dy()}, name)
		}
	}
	dir := t.TempDir()
	write(t, dir, "PICT0001.HIF", asHEIF(false, []string{"hvc1"}, []byte("not decoded")))
	folder := openFolder(t, dir)
	_, err := folder.Picture(t.Context(), listed(t, folder)[0])
	assert.ErrorContains(t, err, "PICT0001.HIF: it has no JPEG preview, and its own picture is not decoded: have")
}

// A file that another program made, with data that a third one put there: its preview is the one that was put there,
// and its time has its hundredths.
func TestHEIFOfAnotherProgram(t *testing.T) {
	encoder, tool := need.Tool(t, "heif-enc"), need.Tool(t, "exiftool")
	dir := t.TempDir()
	small := write(t, t.TempDir(), "small.jpg", framestest.Plain(160, 120))
	source := write(t, t.TempDir(), "source.jpg", framestest.Plain(320, 240))
	out, err := exec.Command(tool, "-overwrite_original", "-DateTimeOriginal=2026:11:30 20:30:01",
		"-SubSecTimeOriginal=07", "-ThumbnailImage<="+small, source).CombinedOutput()
	require.NoError(t, err, "%s", out)
	file := filepath.Join(dir, "PICT0001.HEIC")
	out, err = exec.Command(encoder, "-o", file, source).CombinedOutput()
	require.NoError(t, err, "%s", out)
	folder := openFolder(t, dir)
	frame, err := folder.Read(t.Context(), listed(t, folder)[0])
	require.NoError(t, err)
	assert.Equal(t, time.Date(2026, 11, 30, 20, 30, 1, 70e6, time.UTC), frame.Taken)
	content, err := os.ReadFile(file)
	require.NoError(t, err)
	list := heifPreviews(bytes.NewReader(content), int64(len(content)))
	require.Len(t, list, 1)
	want, err := exec.Command(tool, "-b", "-ThumbnailImage", file).Output()
	require.NoError(t, err)
	assert.Equal(t, want, content[list[0].at:list[0].at+list[0].bytes])
	img, err := folder.Picture(t.Context(), frame)
	require.NoError(t, err)
	assert.Equal(t, 160, img.Bounds().Dx())
}

// FuzzHEIF: whatever a file says, what is found lies within it.
func FuzzHEIF(f *testing.F) {
	f.Add(asHEIF(false, []string{"hvc1", "jpeg"}, []byte("not decoded"), framestest.Plain(8, 8)))
	f.Add(asHEIF(true, []string{"Exif"}, append(make([]byte, 4), framestest.Raw(framestest.Plain(8, 8),
		framestest.Plain(16, 8))...)))
	f.Fuzz(func(t *testing.T, content []byte) {
		size := int64(len(content))
		for _, s := range heifPreviews(&limited{r: bytes.NewReader(content), size: size, left: maxMetadata}, size) {
			require.True(t, s.at > 0 && s.bytes > 0 && s.at+s.bytes <= size, "%v", s)
		}
	})
}
