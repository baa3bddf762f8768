package look_test

import (
	"image"
	"image/color"
	"image/png"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/look"
	"stillwater/internal/need"
)

// inLevels is a grey of a file for a linear light from 0 to 1 (IEC 61966-2-1, sRGB).
func inLevels(light float64) color.Gray {
	if light <= 0.0031308 {
		return color.Gray{Y: uint8(math.Round(255 * 12.92 * light))}
	}
	return color.Gray{Y: uint8(math.Round(255 * (1.055*math.Pow(light, 1/2.4) - 0.055)))}
}

// Clear liquid is seen by its edges alone. Another program draws them, as a ring on an even ground, and says how many
// stops lie between the two in linear light: so many are seen, to the tenth that is shown.
func TestContrastAgainstImageMagick(t *testing.T) {
	tool := need.Tool(t, "convert")
	run := func(args ...string) string {
		out, err := exec.Command(tool, args...).CombinedOutput()
		require.NoError(t, err, string(out))
		return string(out)
	}
	read := func(file string) look.Image {
		f, err := os.Open(file)
		require.NoError(t, err)
		defer f.Close()
		img, err := png.Decode(f)
		require.NoError(t, err)
		return look.NewImage(img, width)
	}
	for name, c := range map[string]struct{ ground, ring string }{
		"a dark rim, bright ground":   {"gray(74%)", "gray(28%)"},
		"a rim half as light":         {"gray(74%)", "gray(54%)"},
		"one that hardly shows":       {"gray(74%)", "gray(65%)"},
		"a bright rim, a dark ground": {"gray(35%)", "gray(91%)"},
	} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			ground, drawn := filepath.Join(dir, "ground.png"), filepath.Join(dir, "ring.png")
			run("-size", "360x240", "xc:"+c.ground, ground)
			run("-size", "360x240", "xc:"+c.ground, "-fill", "none", "-stroke", c.ring, "-strokewidth", "5", "-draw",
				"circle 180,120 180,60", drawn)
			both := strings.Fields(run(drawn, "-colorspace", "RGB", "-format", "%[fx:maxima] %[fx:minima]", "info:"))
			require.Len(t, both, 2)
			high, err := strconv.ParseFloat(both[0], 64)
			require.NoError(t, err)
			low, err := strconv.ParseFloat(both[1], 64)
			require.NoError(t, err)
			empty, frame := read(ground), read(drawn)
			liquid := look.Find(&frame, &empty)
			require.True(t, liquid.Found)
			t.Logf("%.2f stops drawn, %.2f seen", math.Log2(high/low), liquid.Contrast)
			assert.InDelta(t, math.Log2(high/low), liquid.Contrast, 0.1)
		})
	}
}

// An edge out of focus has less contrast within a few pixels: of one that falls by so much a pixel, four steps of it.
// Noise and a flash that is brighter by some do not change what is seen.
func TestContrastOfASoftEdge(t *testing.T) {
	const seed, ground, noise = 5, 0.5, 0.01 // noise: a standard deviation, as a share of the light
	for _, perPixel := range []float64{0.1, 0.25, 0.5} {
		for _, flash := range []float64{1, 1.15} {
			chance := rand.New(rand.NewPCG(seed, 0))
			made := func(flash, deep float64) look.Image {
				img := image.NewGray(image.Rect(0, 0, width, height))
				for y := range height {
					for x := range width {
						// the liquid is a trough of light, deepest in the middle
						stops := 0.0
						if y > height/4 && y < height*3/4 {
							stops = max(0, 2-math.Abs(float64(x)-width/2)*perPixel) * deep
						}
						light := ground * flash * math.Exp2(-stops) * (1 + noise*chance.NormFloat64())
						img.SetGray(x, y, inLevels(light))
					}
				}
				return look.NewImage(img, width)
			}
			empty, frame := made(1, 0), made(flash, 1)
			liquid := look.Find(&frame, &empty)
			require.True(t, liquid.Found)
			t.Logf("seed %d, %.2f stops a pixel, flash %.2f: %.2f stops", seed, perPixel, flash, liquid.Contrast)
			assert.InDelta(t, 4*perPixel, liquid.Contrast, 0.1, "%v stops a pixel, flash %v", perPixel, flash)
		}
	}
}
