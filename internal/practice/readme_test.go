package practice

import (
	"bytes"
	"flag"
	"fmt"
	"image"
	"image/jpeg"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/picture"
	"stillwater/internal/shot"
)

var update = flag.Bool("update", false, "make the pictures of README.md anew")

// The pictures of README.md, as its command lines have them.
var readmePictures = []struct {
	file, frame string
	seed        uint64
	late        time.Duration
	gel         string
	changes     string // of the set
}{
	{"drop.jpg", "drop", 3, time.Millisecond, "blue", ""},
	{"crown.jpg", "crown-highest", 12, 2 * time.Millisecond, "clear",
		"drop.liquid=dyed-water background.black_width=60cm"},
	{"milk.jpg", "crown-highest", 5, 0, "amber", "drop.liquid=milk"},
	{"sheet.jpg", "sheet-widest", 2, 0, "teal", "kind=drops"},
	{"column.jpg", "column-highest", 8, 3 * time.Millisecond, "violet", ""},
	{"throw.jpg", "throw", 1, 2 * time.Millisecond, "clear", "kind=throw background.black_width=3m"},
}

// The pictures in README.md are what the command lines there give: rendered smaller, they are alike.
func TestReadmePictures(t *testing.T) {
	readme, err := os.ReadFile("../../README.md")
	require.NoError(t, err)
	for _, p := range readmePictures {
		path := filepath.Join("../../testdata/readme", p.file)
		frame := readmeFrame(t, p.frame, p.seed, p.late, p.gel, p.changes)
		if *update {
			img := rendered(t, frame, 720, p.seed)
			var out bytes.Buffer
			require.NoError(t, jpeg.Encode(&out, img, &jpeg.Options{Quality: 86}))
			require.NoError(t, os.WriteFile(path, out.Bytes(), 0o644))
		}
		file, err := os.Open(path)
		require.NoError(t, err)
		kept, err := jpeg.Decode(file)
		file.Close()
		require.NoError(t, err)
		assert.Less(t, apart(rendered(t, frame, 180, p.seed), kept), 12.0, p.file)
		for _, change := range append(strings.Fields(p.changes), fmt.Sprintf("--seed %d", p.seed)) {
			assert.Contains(t, string(readme), change, p.file)
		}
	}
}

func readmeFrame(t *testing.T, name string, seed uint64, late time.Duration, gel, changes string) Picture {
	t.Helper()
	set := shot.DefaultSet()
	for _, change := range strings.Fields(changes) {
		field, value, _ := strings.Cut(change, "=")
		require.NoError(t, set.Put(field, value))
	}
	frames, err := Frames(set, seed, late)
	require.NoError(t, err)
	for _, f := range frames {
		if f.Name == name {
			light, err := GelNamed(gel)
			require.NoError(t, err)
			f.Light.Gel = *light
			return f
		}
	}
	require.FailNow(t, "no such frame", name)
	return Picture{}
}

func rendered(t *testing.T, f Picture, width int, seed uint64) *image.RGBA {
	t.Helper()
	img, err := picture.Render(t.Context(), f.Water, f.Light, picture.Options{Width: width, Height: width * 2 / 3,
		Threads: 2, Seed: seed})
	require.NoError(t, err)
	return img
}

// apart is the root mean square of the levels between a small picture and a larger one, averaged to its size.
func apart(small *image.RGBA, large image.Image) float64 {
	times := large.Bounds().Dx() / small.Bounds().Dx()
	sum, n := 0.0, 0.0
	for y := range small.Bounds().Dy() {
		for x := range small.Bounds().Dx() {
			mean := 0.0
			for j := range times {
				for i := range times {
					_, g, _, _ := large.At(x*times+i, y*times+j).RGBA()
					mean += float64(g>>8) / float64(times*times)
				}
			}
			d := mean - float64(small.RGBAAt(x, y).G)
			sum, n = sum+d*d, n+1
		}
	}
	return math.Sqrt(sum / n)
}
