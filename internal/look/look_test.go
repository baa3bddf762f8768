package look_test

import (
	"fmt"
	"image"
	"image/color"
	"image/png"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/look"
	"stillwater/internal/need"
	"stillwater/internal/optics"
	"stillwater/internal/phys"
	"stillwater/internal/picture"
	"stillwater/internal/record"
	"stillwater/internal/scene"
	"stillwater/internal/shot"
	"stillwater/internal/tuning"
)

const width, height = 360, 240

// fieldOf is how many mm of the focus plane a rendered throw shows.
func fieldOf(l picture.Light) float64 {
	const most = 620 // package picture shows no more
	return min(most, float64(l.Lens.Field(l.Picture.Sensor))*1e3)
}

func rendered(t testing.TB, w scene.Water, l picture.Light, seed uint64) look.Image {
	t.Helper()
	return renderedAs(t, w, l, seed, picture.Preview)
}

func renderedAs(t testing.TB, w scene.Water, l picture.Light, seed uint64, quality picture.Quality) look.Image {
	t.Helper()
	img, err := picture.Render(t.Context(), w, l, picture.Options{Width: width, Height: height, Seed: seed,
		Quality: quality})
	require.NoError(t, err)
	return look.NewImage(img, width)
}

// throwLight is a lit wall without a gel.
func throwLight() picture.Light {
	l := picture.ThrowStudio()
	gels := picture.Gels()
	l.Gel = gels[len(gels)-1].Gel
	return l
}

// throwAt is a throw of a seed so much after it is in the focus spot; its sheet says where it is.
func throwAt(t testing.TB, seed uint64, late time.Duration) (w scene.Water, arrives bool) {
	t.Helper()
	set := shot.DefaultSet()
	set.Kind = shot.Throw
	set.Throw.Gate, set.Throw.ToFocus, set.Throw.SpeedLow = 0.1, 0.8, 3 // from where a hand throws faster
	flight, err := scene.New(seed).Release(set, 0)
	require.NoError(t, err)
	if !flight.Arrives {
		return w, false
	}
	return flight.WaterAt(flight.Best + late), true
}

// The liquid's place, and with it the delay's error, are those that the renderer was given, within what is said of
// them.
func TestMissAgainstTheRenderer(t *testing.T) {
	light := throwLight()
	empty := rendered(t, scene.Water{Liquid: "water"}, light, 1)
	measured, within, within2 := 0, 0, 0
	var worst, sum float64
	for seed := range uint64(7) {
		for _, late := range []time.Duration{-25 * time.Millisecond, 0, 15 * time.Millisecond} {
			w, arrives := throwAt(t, seed, late)
			if !arrives || w.Sheet == nil || math.Abs(float64(w.Sheet.At.X))*1e3 > fieldOf(light)/4 {
				continue
			}
			frame := rendered(t, w, light, seed)
			l := look.Find(&frame, &empty)
			require.True(t, l.Found, "seed %d, %v", seed, late)
			speed := w.Sheet.Velocity.X
			m, ok := look.MissOf(&frame, l, look.Target{Spot: look.Point{X: width / 2, Y: height / 2},
				PxPerMm: width / fieldOf(light), Way: look.Point{X: 1}, Speed: speed})
			require.True(t, ok)
			off := float64(m.Past-w.Sheet.At.X) / float64(m.SD)
			t.Logf("seed %d, %v: at %.0f mm, seen at %.0f ± %.0f mm, sheet %.0f mm long, cut %v, contrast %.1f", seed, late,
				float64(w.Sheet.At.X)*1e3, float64(m.Past)*1e3, float64(m.SD)*1e3, float64(w.Sheet.Length)*1e3, m.Cut, l.Contrast)
			if m.Cut {
				continue
			}
			measured++
			sum += off
			worst = max(worst, math.Abs(off))
			if math.Abs(off) <= 1 {
				within++
			}
			if math.Abs(off) <= 2 {
				within2++
			}
		}
	}
	t.Logf("of %d measured, %d within 1 SD, %d within 2; mean %.2f SD, worst %.2f", measured, within, within2,
		sum/float64(measured), worst)
	require.GreaterOrEqual(t, measured, 10)
	assert.GreaterOrEqual(t, float64(within2), 0.95*float64(measured))
}

// A longer flash smears more, along the motion, and about as far as the renderer has the liquid move meanwhile. Water
// in flight is drawn out along its motion anyway: sharp, it looks as if smeared over up to ten pixels.
func TestSmearAgainstTheRenderer(t *testing.T) {
	light := throwLight()
	empty := rendered(t, scene.Water{Liquid: "water"}, light, 1)
	w, arrives := throwAt(t, 1, 0)
	require.True(t, arrives)
	for flash, want := range map[time.Duration][2]float64{20 * time.Microsecond: {0, 10}, 4 * time.Millisecond: {14, 27}} {
		half := phys.Time(flash.Seconds())
		light.Pulse = optics.LightPulse{Half: half, Tenth: half * optics.TenthOverHalf}
		frame := renderedAs(t, w, light, 1, picture.Slow)
		l := look.Find(&frame, &empty)
		require.True(t, l.Found)
		b, ok := look.BlurOf(&frame, l, true)
		require.True(t, ok)
		t.Logf("%v: smear %.1f px, by the renderer %.1f; half alike at %.1f along, %.1f across", flash, b.Smear,
			2*float64(w.Sheet.Velocity.X)*flash.Seconds()*1e3*width/fieldOf(light), b.Along, b.Across)
		assert.True(t, b.Smear >= want[0] && b.Smear <= want[1], "%v: %.1f px", flash, b.Smear)
		turned, _ := look.BlurOf(&frame, l, false)
		assert.Zero(t, turned.Smear, "nothing is smeared across the motion")
	}
	_, ok := look.BlurOf(&empty, look.Liquid{}, true)
	assert.False(t, ok)
}

func TestNothingThere(t *testing.T) {
	light := throwLight()
	empty := rendered(t, scene.Water{Liquid: "water"}, light, 1)
	light.Key, light.Background = light.Key+0.3, light.Background+0.3 // a flash varies
	again := rendered(t, scene.Water{Liquid: "water"}, light, 2)
	assert.False(t, look.Find(&again, &empty).Found)
	small := look.Image{Width: 2, Height: 2, Light: make([]float32, 4), Clipped: make([]float32, 4)}
	assert.False(t, look.Find(&small, &empty).Found, "another size")
}

// A frame of one level has that median, and one without light is black.
func TestTonesOfFlatFrames(t *testing.T) {
	flat := func(level uint8) look.Image {
		img := image.NewRGBA(image.Rect(0, 0, 40, 30))
		for i := range img.Pix {
			img.Pix[i] = level
		}
		return look.NewImage(img, 40)
	}
	lit, dark := flat(204), flat(0)
	tones := look.TonesOf(&dark)
	assert.True(t, tones.Black)
	tones = look.TonesOf(&lit)
	assert.False(t, tones.Black)
	assert.InDelta(t, 0.8, float64(tones.Median), 0.003)
}

// Another program measures the same means and the same burnt share.
func TestTonesAgainstImageMagick(t *testing.T) {
	tool := need.Tool(t, "convert")
	img := image.NewRGBA(image.Rect(0, 0, 64, 48))
	for y := range 48 {
		for x := range 64 {
			img.SetRGBA(x, y, color.RGBA{uint8(4 * x), uint8(5 * y), uint8(x + 2*y), 255})
		}
	}
	for x := range 64 {
		for y := range 12 {
			img.SetRGBA(x, y, color.RGBA{255, 255, 255, 255})
		}
	}
	file := filepath.Join(t.TempDir(), "a.png")
	f, err := os.Create(file)
	require.NoError(t, err)
	require.NoError(t, png.Encode(f, img))
	require.NoError(t, f.Close())
	out, err := exec.Command(tool, file, "-colorspace", "RGB", "-grayscale", "Rec709Luminance", "-format", "%[fx:mean]",
		"info:").CombinedOutput()
	require.NoError(t, err, string(out))
	theirs, err := strconv.ParseFloat(strings.TrimSpace(string(out)), 64)
	require.NoError(t, err, string(out))
	i := look.NewImage(img, 16)
	ours := 0.0
	for _, l := range i.Light {
		ours += float64(l) / float64(len(i.Light))
	}
	assert.InDelta(t, theirs, ours, 0.002)
	tones := look.TonesOf(&i)
	assert.InDelta(t, 0.25, tones.Clipped, 0.02, "the upper quarter is white; some of the last columns nearly")
}

func TestScale(t *testing.T) {
	px, err := look.ScaleOf(look.Point{X: 100, Y: 10}, look.Point{X: 400, Y: 410}, 0.25)
	require.NoError(t, err)
	assert.InDelta(t, 2, px, 1e-9)
	for _, apart := range []phys.Length{0, -1} {
		_, err = look.ScaleOf(look.Point{}, look.Point{X: 100}, apart)
		assert.Error(t, err)
	}
	_, err = look.ScaleOf(look.Point{}, look.Point{X: 5}, 0.1)
	assert.ErrorContains(t, err, "further apart")
}

func TestSuggest(t *testing.T) {
	found := &look.Liquid{Found: true, Contrast: 2}
	miss := func(by, sd time.Duration) *look.Miss {
		return &look.Miss{Past: phys.Length(by.Seconds() * 4), SD: phys.Length(sd.Seconds() * 4),
			Delay: tuning.Measured{By: by, SD: sd}}
	}
	cutOff := func(by time.Duration) *look.Miss {
		m := miss(by, 3*time.Millisecond)
		m.Cut = true
		return m
	}
	const ms = time.Millisecond
	for name, c := range map[string]struct {
		seen    look.Seen
		verdict record.Verdict
		says    string
	}{
		"black":   {look.Seen{Tones: look.Tones{Black: true}}, "", "check that the flash fires"},
		"nothing": {look.Seen{Liquid: &look.Liquid{}}, record.Nothing, "nothing differs"},
		"good":    {look.Seen{Liquid: found, Miss: miss(2*ms, ms)}, record.Good, "8 mm past"},
		"late": {look.Seen{Liquid: found, Miss: miss(20*ms, 3*ms)}, record.Late,
			"by this frame alone the delay is 20.0 ms too long"},
		"early": {look.Seen{Liquid: found, Miss: miss(-20*ms, 3*ms)}, record.Early,
			"by this frame alone the delay is 20.0 ms too short"},
		"cut off": {look.Seen{Liquid: found, Miss: cutOff(20 * ms)}, record.Late, "its middle may be elsewhere] []"},
		"unsure":  {look.Seen{Liquid: found, Miss: miss(7*ms, 3*ms)}, "", "28 mm past"},
		"burnt":   {look.Seen{Tones: look.Tones{Clipped: 0.31, Median: 1}}, "", "light the background 1.0 stops less"},
		"faint":   {look.Seen{Liquid: &look.Liquid{Found: true, Contrast: 0.3}}, "", "black panels"},
		"blurred": {look.Seen{Blur: &look.Blur{Smear: 16}}, "", "lower the flash's power"},
	} {
		g := look.Suggest(c.seen, 5*ms)
		assert.Equal(t, c.verdict, g.Verdict, name)
		assert.Contains(t, fmt.Sprint(g.Reasons, g.Next), c.says, name)
	}
}

func ExampleSuggest() {
	g := look.Suggest(look.Seen{Tones: look.Tones{Clipped: 0.31, Median: 0.97}}, 5*time.Millisecond)
	fmt.Println(g.Reasons[0])
	fmt.Println(g.Next[0])
	// Output:
	// 31 % of the frame is burnt out
	// light the background 1.0 stops less
}

// BenchmarkLook measures a frame against the empty one, of 1024 pixels along a side.
func BenchmarkLook(b *testing.B) {
	img := image.NewYCbCr(image.Rect(0, 0, 6000, 4000), image.YCbCrSubsampleRatio420)
	for i := range img.Y {
		img.Y[i] = byte(i % 251)
	}
	for b.Loop() {
		i := look.NewImage(img, 1024)
		look.Find(&i, &i)
	}
}
