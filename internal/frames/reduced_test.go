package frames

import (
	"bytes"
	"fmt"
	"image"
	"image/jpeg"
	"image/png"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/need"
)

// pattern is a picture with much in it, of odd sides: a multiple of none of the units.
func pattern(t *testing.T, width, height int) string {
	t.Helper()
	img := image.NewRGBA(image.Rect(0, 0, width, height))
	for y := range height {
		for x := range width {
			o := img.PixOffset(x, y)
			img.Pix[o], img.Pix[o+1] = byte(x*x/97+y), byte(200*(x/31%2)+y/9)
			img.Pix[o+2], img.Pix[o+3] = byte(x^y), 255
		}
	}
	file := filepath.Join(t.TempDir(), "a.png")
	var b bytes.Buffer
	require.NoError(t, png.Encode(&b, img))
	require.NoError(t, os.WriteFile(file, b.Bytes(), 0o600))
	return file
}

func run(t *testing.T, args ...string) {
	t.Helper()
	out, err := exec.Command(args[0], args[1:]...).CombinedOutput()
	require.NoError(t, err, "%v: %s", args, out)
}

// reducedAgainst compares a file decoded to an eighth with what libjpeg makes of it: the brightness, and the colours
// where they are stored as finely; of coarser ones libjpeg makes more than the means.
func reducedAgainst(t *testing.T, djpeg, file string) {
	t.Helper()
	content, err := os.ReadFile(file)
	require.NoError(t, err)
	ours, err := decodeReduced(bytes.NewReader(content), section{0, int64(len(content))})
	require.NoError(t, err, file)
	colours, isColour := ours.(*image.YCbCr)
	whole, err := jpeg.Decode(bytes.NewReader(content))
	require.NoError(t, err)
	theirs := filepath.Join(t.TempDir(), "small.ppm")
	args := []string{djpeg, "-scale", "1/8", "-outfile", theirs, file}
	if isColour && whole.(*image.YCbCr).SubsampleRatio != image.YCbCrSubsampleRatio444 {
		args = append(args[:1:1], append([]string{"-grayscale"}, args[1:]...)...)
		ours = &image.Gray{Pix: colours.Y, Stride: colours.YStride, Rect: colours.Rect}
	}
	run(t, args...)
	raw, err := os.ReadFile(theirs)
	require.NoError(t, err)
	var kind string
	var width, height, most int
	_, err = fmt.Sscan(string(raw[:20]), &kind, &width, &height, &most)
	require.NoError(t, err)
	channels := 3
	if kind == "P5" {
		channels = 1
	}
	raw = raw[len(raw)-width*height*channels:]
	size := ours.Bounds().Size()
	require.True(t, size.X == width || size.X == width-1, "%v, %d", size, width)
	require.True(t, size.Y == height || size.Y == height-1, "%v, %d", size, height)
	for y := range size.Y {
		for x := range size.X {
			r, g, b, _ := ours.At(x, y).RGBA()
			for i, level := range []uint32{r >> 8, g >> 8, b >> 8}[:channels] {
				require.InDelta(t, raw[(y*width+x)*channels+i], level, 1, "%s at %d, %d", file, x, y)
			}
		}
	}
}

// An eighth of the size is what libjpeg makes of the same file, to a level, for each way in which cameras write them.
func TestReducedAgainstLibjpeg(t *testing.T) {
	djpeg, convert := need.Tool(t, "djpeg"), need.Tool(t, "convert")
	jpegtran := need.Tool(t, "jpegtran")
	source, dir := pattern(t, 701, 493), t.TempDir()
	for i, args := range [][]string{{"-sampling-factor", "4:2:0"}, {"-sampling-factor", "4:2:2"},
		{"-sampling-factor", "4:4:4", "-quality", "98"}, {"-sampling-factor", "1x2", "-quality", "30"},
		{"-colorspace", "Gray"}, {"-sampling-factor", "4:1:1"}} {
		file := filepath.Join(dir, fmt.Sprintf("%d.jpg", i))
		run(t, append(append([]string{convert, source}, args...), file)...)
		reducedAgainst(t, djpeg, file)
		again := filepath.Join(dir, fmt.Sprintf("%d_restarts.jpg", i))
		run(t, jpegtran, "-restart", "3B", "-outfile", again, file)
		reducedAgainst(t, djpeg, again)
		run(t, jpegtran, "-optimize", "-outfile", again, file)
		reducedAgainst(t, djpeg, again)
	}
}

// Photographs of a Debian package are decoded, whole and reduced, to the same means.
func TestPhotographs(t *testing.T) {
	djpeg := need.Tool(t, "djpeg")
	files, err := filepath.Glob("/usr/share/backgrounds/mate/nature/*.jpg")
	require.NoError(t, err)
	if len(files) < 3 {
		need.Missing(t, "photographs (Debian package mate-backgrounds)")
	}
	reduced := 0
	for _, file := range files[:3] {
		folder := openFolder(t, filepath.Dir(file))
		frame := Frame{Files: []File{{Name: filepath.Base(file)}}}
		small, err := folder.Small(t.Context(), frame, 100)
		require.NoError(t, err)
		whole, err := folder.Picture(t.Context(), frame)
		require.NoError(t, err)
		assert.Equal(t, whole.Bounds().Size(), small.Size)
		if small.Per == 1 {
			continue
		}
		reduced++
		reducedAgainst(t, djpeg, file)
		theirs, ours := meanOf(whole), meanOf(small)
		assert.InDelta(t, theirs, ours, 1.5, file)
	}
	assert.NotZero(t, reduced)
}

// meanOf is a picture's mean level.
func meanOf(img image.Image) float64 {
	sum, b := 0.0, img.Bounds()
	for y := b.Min.Y; y < b.Max.Y; y++ {
		for x := b.Min.X; x < b.Max.X; x++ {
			r, g, bl, _ := img.At(x, y).RGBA()
			sum += float64(r+g+bl) / 3 / 257
		}
	}
	return sum / float64(b.Dx()*b.Dy())
}

// What is cut off or damaged is refused; what is of another kind is left to the decoder of whole pictures.
func TestNotReduced(t *testing.T) {
	convert := need.Tool(t, "convert")
	source, file := pattern(t, 320, 200), filepath.Join(t.TempDir(), "a.jpg")
	reduce := func(content []byte) error {
		_, err := decodeReduced(bytes.NewReader(content), section{0, int64(len(content))})
		return err
	}
	for _, args := range [][]string{{"-interlace", "Plane"}, {"-colorspace", "CMYK"}} {
		run(t, append(append([]string{convert, source}, args...), file)...)
		content, err := os.ReadFile(file)
		require.NoError(t, err)
		assert.ErrorIs(t, reduce(content), errNotReduced)
		made, err := decoder{1, MaxDecoded}.decode(whole(bytes.NewReader(content)), int64(len(content)))
		require.NoError(t, err)
		assert.Equal(t, 1, made.Per)
	}
	run(t, convert, source, file)
	content, err := os.ReadFile(file)
	require.NoError(t, err)
	require.NoError(t, reduce(content))
	for _, cut := range []int{3, 30, 700, len(content) / 2, len(content) - 20} {
		assert.ErrorIs(t, reduce(content[:cut]), io.ErrUnexpectedEOF, cut)
	}
	_, err = decoder{1, MaxDecoded}.decode(whole(bytes.NewReader(content[:len(content)/2])), int64(len(content)/2))
	assert.ErrorContains(t, err, "it ends before its picture does")
}

// What is decoded to an eighth has an eighth of the size that its header says and, if it takes the picture at all, that
// the decoder of whole pictures finds; and no more bytes than its blocks have means.
func FuzzReduced(f *testing.F) {
	f.Fuzz(func(t *testing.T, content []byte) {
		all := section{0, int64(len(content))}
		header, err := jpegHeaderOf(bytes.NewReader(content))
		if err != nil || header.check() != nil {
			return // it is not decoded at all
		}
		made, err := decodeReduced(bytes.NewReader(content), all)
		if err != nil {
			return
		}
		assert.Equal(t, image.Pt(header.width/shrink, header.height/shrink), made.Bounds().Size())
		if config, err := jpeg.DecodeConfig(bytes.NewReader(content)); err == nil {
			assert.Equal(t, image.Pt(config.Width/shrink, config.Height/shrink), made.Bounds().Size())
		}
		switch img := made.(type) {
		case *image.Gray:
			assert.GreaterOrEqual(t, len(img.Pix), img.Rect.Dx()*img.Rect.Dy())
		case *image.YCbCr:
			assert.Len(t, img.Y, img.Rect.Dx()*img.Rect.Dy())
		default:
			assert.Fail(t, "what is it?", "%T", made)
		}
	})
}
