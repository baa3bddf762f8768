package frames

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"image"
	"image/jpeg"
	"image/png"
	"io"
	"io/fs"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/frames/framestest"
	"stillwater/internal/need"
)

func write(t testing.TB, dir, name string, content []byte) string {
	t.Helper()
	p := filepath.Join(dir, filepath.FromSlash(name))
	require.NoError(t, os.MkdirAll(filepath.Dir(p), 0o777))
	require.NoError(t, os.WriteFile(p, content, 0o666))
	return p
}

func openFolder(t testing.TB, dir string) *Folder {
	t.Helper()
	f, err := Open(dir)
	require.NoError(t, err)
	t.Cleanup(func() { f.Close() })
	return f
}

func listed(t testing.TB, f *Folder) []Frame {
	t.Helper()
	list, problems, err := f.List(t.Context())
	require.NoError(t, err)
	require.Empty(t, problems)
	return list
}

func TestList(t *testing.T) {
	dir := t.TempDir()
	for _, name := range []string{"DCIM/100WATER/PICT0471.JPG", "DCIM/100WATER/PICT0471.nef", "PICT0472.jpeg", "notes.txt",
		".hidden0001.jpg", ".trash/PICT0001.jpg", "drop.jpg", "a\nb\u202e0007.jpg", "12345.jpg"} {
		write(t, dir, name, []byte("x"))
	}
	require.NoError(t, os.Symlink("/etc/hostname", filepath.Join(dir, "link0001.jpg")))
	list, problems, err := openFolder(t, dir).List(t.Context())
	require.NoError(t, err)
	assert.EqualError(t, errors.Join(problems...),
		"link0001.jpg: it is a link, not a regular file: put the camera's own file in its place")
	var got []string
	for _, f := range list {
		got = append(got, fmt.Sprintf("%q %d %d", f.Name, f.Number, len(f.Files)))
	}
	assert.Equal(t, []string{`"12345" 2345 1`, `"DCIM/100WATER/PICT0471" 471 2`, `"PICT0472" 472 1`,
		`"a\nb\u202e0007" 7 1`, `"drop" 0 1`}, got)
	assert.Equal(t, "DCIM/100WATER/PICT0471.JPG", list[1].Files[0].Name, "the JPEG comes first")

	_, err = Open(filepath.Join(dir, "none"))
	assert.ErrorContains(t, err, "name the camera's card")
	_, err = Open(filepath.Join(dir, "drop.jpg"))
	assert.Error(t, err)
}

func TestRead(t *testing.T) {
	dir := t.TempDir()
	before := framestest.WithExif(framestest.Plain(40, 30), "2026:11:24 20:31:05", "05")
	write(t, dir, "a.jpg", before)
	write(t, dir, "b.jpg", framestest.WithExif(framestest.Plain(40, 30), "2026:11:24 20:31:05", ""))
	write(t, dir, "c.jpg", framestest.Plain(40, 30))
	write(t, dir, "d.dng", framestest.Raw(framestest.Plain(16, 16), framestest.Plain(64, 48)))
	write(t, dir, "e.jpg", framestest.WithExif(framestest.Plain(40, 30), "0000:00:00 00:00:00", "12"))
	f := openFolder(t, dir)
	var got []Data
	for _, frame := range listed(t, f) {
		read, err := f.Read(t.Context(), frame)
		require.NoError(t, err, frame.Name)
		got = append(got, read.Data)
	}
	at := time.Date(2026, 11, 24, 20, 31, 5, 0, time.UTC)
	assert.Equal(t, Data{Taken: at.Add(50 * time.Millisecond), Step: 10 * time.Millisecond,
		Orientation: 6}, got[0])
	assert.Equal(t, Data{Taken: at, Step: time.Second, Orientation: 6}, got[1])
	assert.Zero(t, got[2].Taken)
	assert.Equal(t, time.Date(2026, 3, 4, 5, 6, 7, 0, time.UTC), got[3].Taken)
	assert.Zero(t, got[4].Taken, "a clock that was never set")

	list := listed(t, f)
	for i, width := range map[int]int{0: 40, 3: 64} {
		img, err := f.Picture(t.Context(), list[i])
		require.NoError(t, err)
		assert.Equal(t, width, img.Bounds().Dx())
	}
	after, err := os.ReadFile(filepath.Join(dir, "a.jpg"))
	require.NoError(t, err)
	assert.Equal(t, before, after, "an original is never changed")
}

// Each kind of raw file that README names has its date read, and its larger preview shown.
func TestRawKinds(t *testing.T) {
	dir := t.TempDir()
	kinds := []string{"arw", "cr2", "dng", "nef", "pef"}
	for _, kind := range kinds {
		write(t, dir, kind+"0471."+kind, framestest.Raw(framestest.Plain(16, 16), framestest.Plain(64, 48)))
	}
	f := openFolder(t, dir)
	list := listed(t, f)
	require.Len(t, list, len(kinds))
	for i, frame := range list {
		read, err := f.Read(t.Context(), frame)
		require.NoError(t, err)
		assert.Equal(t, time.Date(2026, 3, 4, 5, 6, 7, 0, time.UTC), read.Taken, kinds[i])
		img, err := f.Picture(t.Context(), frame)
		require.NoError(t, err)
		assert.Equal(t, image.Pt(64, 48), img.Bounds().Size(), kinds[i])
	}
}

// What another program writes is read as it wrote it.
func TestReadAgainstExifTool(t *testing.T) {
	tool := need.Tool(t, "exiftool")
	dir := t.TempDir()
	file := write(t, dir, "w0042.jpg", framestest.Plain(48, 32))
	out, err := exec.Command(tool, "-overwrite_original", "-DateTimeOriginal=2026:02:28 23:59:58",
		"-SubSecTimeOriginal=07", "-ExposureTime=1/200", "-FNumber=11", "-ISO=200", "-FocalLength=100",
		"-Orientation#=8", file).CombinedOutput()
	require.NoError(t, err, string(out))
	f := openFolder(t, dir)
	got, err := f.Read(t.Context(), listed(t, f)[0])
	require.NoError(t, err)
	assert.Equal(t, Data{Taken: time.Date(2026, 2, 28, 23, 59, 58, 70e6, time.UTC), Step: 10 * time.Millisecond,
		Exposure: 5 * time.Millisecond, FNumber: 11, ISO: 200, FocalMm: 100, Orientation: 8}, got.Data)
}

// One bad file is an error with its name and a reason; the others are read.
func TestHostileFiles(t *testing.T) {
	dir := t.TempDir()
	good := framestest.WithExif(framestest.Plain(40, 30), "2026:11:24 20:31:05", "")
	bomb := framestest.Plain(40, 30)
	sof := bytes.Index(bomb, []byte{0xff, 0xc0})
	copy(bomb[sof+5:], []byte{0xff, 0xff, 0xff, 0xff})
	var other bytes.Buffer
	require.NoError(t, png.Encode(&other, image.NewGray(image.Rect(0, 0, 4, 4))))
	circle := framestest.Raw(framestest.Plain(16, 16), framestest.Plain(16, 16))
	copy(circle[8:], framestest.Directory(8, 8, framestest.Field{Tag: tagSubIFDs, Kind: 4, Count: 2,
		Data: []byte{8, 0, 0, 0, 8, 0, 0, 0}}))
	bad := map[string]struct {
		content     []byte
		data, shown string // what the errors say; "" none
	}{
		"empty.jpg":     {nil, "it is empty", "it is empty"},
		"tiny.jpg":      {[]byte("\xff"), "not a readable JPEG", "not a readable JPEG"},
		"cut.jpg":       {good[:len(good)-40], "", "it ends before its picture does"},
		"cut-early.jpg": {good[:30], "cannot be read", "it ends before its picture begins"},
		"bomb.jpg":      {bomb, "", "65535 x 65535 pixels"},
		"other.jpg":     {other.Bytes(), "not a readable JPEG", "not a readable JPEG"},
		"text.nef":      {[]byte("hello, this is text"), "not a readable JPEG", "not a readable JPEG"},
		"circle.dng":    {circle, "", "no preview"},
		"film.heic":     {[]byte("\x00\x00\x00\x18ftypheic\x00\x00\x00\x00"), "", "has no JPEG preview"},
	}
	for name, b := range bad {
		write(t, dir, name, b.content)
	}
	write(t, dir, "good\n\u202e.jpg", good)
	f := openFolder(t, dir)
	read := 0
	for _, frame := range listed(t, f) {
		_, dataErr := f.Read(t.Context(), frame)
		_, shownErr := f.Picture(t.Context(), frame)
		b, isBad := bad[frame.Files[0].Name]
		if !isBad {
			require.NoError(t, errors.Join(dataErr, shownErr))
			read++
			continue
		}
		for err, want := range map[error]string{dataErr: b.data, shownErr: b.shown} {
			if want == "" {
				assert.NoError(t, err)
				continue
			}
			assert.ErrorContains(t, err, want, frame.Name)
			assert.ErrorContains(t, err, frame.Files[0].Name, "the file is named")
		}
	}
	assert.Equal(t, 1, read)
}

// What is gone, or is being written, when it is read says so.
func TestFolderChangesMeanwhile(t *testing.T) {
	dir := t.TempDir()
	content := framestest.WithExif(framestest.Plain(40, 30), "2026:11:24 20:31:05", "")
	gone, growing := write(t, dir, "a.jpg", content), write(t, dir, "b.jpg", content)
	turned := write(t, dir, "c.jpg", content)
	f := openFolder(t, dir)
	list := listed(t, f)
	require.NoError(t, os.Remove(gone))
	require.NoError(t, os.Remove(turned))
	require.NoError(t, os.Mkdir(turned, 0o777))
	_, err := f.Read(t.Context(), list[0])
	assert.ErrorIs(t, err, fs.ErrNotExist)
	_, err = f.Picture(t.Context(), list[2])
	assert.ErrorContains(t, err, "c.jpg: it is a folder, not a regular file")
	err = f.open(t.Context(), list[1].Files[0], func(untilDone, int64) error {
		return os.WriteFile(growing, append(content, 0), 0o666)
	})
	assert.ErrorIs(t, err, ErrChanging)
	ctx, stop := context.WithCancel(t.Context())
	stop()
	_, _, err = f.List(ctx)
	assert.ErrorIs(t, err, context.Canceled)
}

// A parser that is led in circles comes to an end.
func TestBudget(t *testing.T) {
	l := &limited{r: bytes.NewReader(make([]byte, 100)), size: 100, left: 1000}
	buffer := make([]byte, 64)
	var err error
	for n := 0; err == nil; n++ {
		require.Less(t, n, 100)
		_, err = l.ReadAt(buffer, 0)
	}
	assert.ErrorIs(t, err, errTooMuch)
}

// Real cameras' kinds of file, made by another program: progressive, with a comment, grey, turned.
func TestPicturesOfAnotherProgram(t *testing.T) {
	tool := need.Tool(t, "convert")
	dir := t.TempDir()
	for i, args := range [][]string{{"-interlace", "Plane"}, {"-colorspace", "Gray"}, {"-sampling-factor", "4:2:0"},
		{"-sampling-factor", "4:4:4", "-comment", "water"}} {
		file := filepath.Join(dir, fmt.Sprintf("p%04d.jpg", i))
		out, err := exec.Command(tool, append(append([]string{"-size", "96x64", "gradient:white-black"}, args...), file)...).
			CombinedOutput()
		require.NoError(t, err, string(out))
	}
	f := openFolder(t, dir)
	for _, frame := range listed(t, f) {
		img, err := f.Picture(t.Context(), frame)
		require.NoError(t, err, frame.Name)
		assert.Equal(t, image.Pt(96, 64), img.Bounds().Size())
		_, err = f.Read(t.Context(), frame)
		require.NoError(t, err)
	}
}

// What a picture takes to decode whole is known from its header, for each kind that another program makes; what takes
// too much is refused, also as it is the one preview of a raw file.
func TestDecodingIsBounded(t *testing.T) {
	magick, dir := need.Tool(t, "convert"), t.TempDir()
	for name, args := range map[string][]string{
		"grey":             {"-colorspace", "Gray"},
		"a quarter":        {"-sampling-factor", "4:2:0"},
		"each its own":     {"-sampling-factor", "4:4:4"},
		"progressive":      {"-sampling-factor", "4:4:4", "-interlace", "JPEG"},
		"RGB":              {"-sampling-factor", "4:4:4"}, // see below
		"CMYK":             {"-colorspace", "CMYK"},
		"progressive CMYK": {"-colorspace", "CMYK", "-interlace", "JPEG"},
	} {
		path := filepath.Join(dir, "a.jpg")
		args = append(append([]string{"-size", "1024x1024", "gradient:red-blue"}, args...), path)
		out, err := exec.CommandContext(t.Context(), magick, args...).CombinedOutput()
		require.NoError(t, err, "%s", out)
		content, err := os.ReadFile(path)
		require.NoError(t, err)
		if name == "RGB" { // no JFIF segment, and Adobe's, which says that the colours are not transformed
			rest := content[4+int(content[4])<<8+int(content[5]):]
			content = append([]byte("\xff\xd8\xff\xee\x00\x0eAdobe\x00\x64\x00\x00\x00\x00\x00"), rest...)
		}
		r, size := bytes.NewReader(content), int64(len(content))
		header, err := jpegHeaderOf(r)
		require.NoError(t, err, name)
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		_, err = jpeg.Decode(r)
		runtime.ReadMemStats(&after)
		require.NoError(t, err, name)
		took := int64(after.TotalAlloc - before.TotalAlloc)
		t.Logf("%s: %.2f bytes a pixel", name, float64(took)/(1<<20))
		assert.NoError(t, header.checkWhole(took+took/10), name)
		assert.Error(t, header.checkWhole(took-took/10), name)
		_, err = decoder{math.MaxInt, took / 2}.decode(whole(r), size)
		assert.ErrorContains(t, err, "MB to decode", name)
		raw := framestest.Raw(content, content)
		_, err = decoder{math.MaxInt, took / 2}.decode(whole(bytes.NewReader(raw)), int64(len(raw)))
		assert.ErrorContains(t, err, "MB to decode", name)
	}
}

func FuzzFile(f *testing.F) {
	picture := framestest.Plain(16, 16)
	f.Add(picture)
	f.Add(framestest.WithExif(picture, "2026:11:24 20:31:05", "5"))
	f.Add(framestest.Raw(picture, picture))
	f.Add([]byte("\x00\x00\x00\x18ftypheic\x00\x00\x00\x00meta"))
	f.Fuzz(func(t *testing.T, content []byte) {
		r, size := bytes.NewReader(content), int64(len(content))
		d, err := readData(r, size)
		if err == nil {
			assert.False(t, d.Orientation < 0 || d.Orientation > 8 || d.Exposure < 0 || !(d.FNumber >= 0) || !(d.ISO >= 0))
			assert.Equal(t, d.Taken.IsZero(), d.Step == 0)
		}
		if header, err := jpegHeaderOf(r); err == nil && header.check() != nil {
			return
		}
		for _, s := range previewsIn(r, 0, size) {
			require.True(t, s.at > 0 && s.bytes > 0 && s.at+s.bytes <= size)
			if h, err := jpegHeaderOf(io.NewSectionReader(r, s.at, s.bytes)); err == nil && h.width*h.height > 1<<20 {
				return
			}
		}
		for _, longest := range []int{1, math.MaxInt} {
			if img, err := (decoder{longest, MaxDecoded}).decode(whole(r), size); err == nil {
				require.False(t, img.Bounds().Empty())
				require.Equal(t, img.Size.Div(img.Per), img.Bounds().Size())
			}
		}
	})
}

// BenchmarkPicture decodes a picture of 24 megapixels, the usual sampling.
func BenchmarkPicture(b *testing.B) {
	img := image.NewYCbCr(image.Rect(0, 0, 6000, 4000), image.YCbCrSubsampleRatio420)
	for i := range img.Y {
		img.Y[i] = byte(i%6000/24) ^ byte(i*i>>18&7)
	}
	var made bytes.Buffer
	require.NoError(b, jpeg.Encode(&made, img, nil))
	for name, longest := range map[string]int{"Whole": math.MaxInt, "Reduced": 480} {
		b.Run(name, func(b *testing.B) {
			b.ReportMetric(float64(made.Len())/1e6, "MB/file")
			for b.Loop() {
				_, err := decoder{longest, MaxDecoded}.decode(whole(bytes.NewReader(made.Bytes())), int64(made.Len()))
				require.NoError(b, err)
			}
		})
	}
}
