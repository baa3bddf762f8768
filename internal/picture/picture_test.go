package picture

import (
	"context"
	"fmt"
	"image"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/phys"
	"stillwater/internal/scene"
)

const millimetre phys.Length = 1e-3

func at(x, y, z phys.Length) scene.Point {
	return scene.Point{X: x * millimetre, Y: y * millimetre, Z: z * millimetre}
}

// waters are scenes of each kind.
func waters() map[string]scene.Water {
	rings := &scene.Rings{Front: 12 * millimetre, Wavelength: 3 * millimetre, Height: 0.15 * millimetre}
	crater := &scene.Crater{Radius: 9 * millimetre, Depth: 7 * millimetre, Widening: 0.5}
	column := &scene.Column{Height: 17 * millimetre, Foot: 1.8 * millimetre, Rising: 0.3, Lean: 0.02}
	free := *column
	free.Neck = 1.3
	return map[string]scene.Water{
		"drop": {Liquid: "water", Pool: true, Balls: []scene.Ball{{At: at(0, 9, 0), Velocity: scene.Velocity{Y: -2.6},
			Diameter: 4.4 * millimetre, Stretch: -0.08}}},
		"crown": {Liquid: "water", Detail: 5, Pool: true, Crater: crater, Rings: rings,
			Crown: &scene.Crown{Radius: 9.3 * millimetre, Height: 7 * millimetre, Widening: 0.4, Lean: 0.03, Age: 1}},
		"crater": {Liquid: "water", Detail: 7, Pool: true, Crater: crater, Rings: rings},
		"column": {Liquid: "dyed-water", Detail: 8, Pool: true, Column: &free, Rings: rings},
		"dome": {Liquid: "water", Detail: 9, Pool: true, Column: column, Rings: rings,
			Dome: &scene.Dome{Height: 18 * millimetre, Radius: 12 * millimetre, Widening: 1, Droop: 3.5 * millimetre}},
		"sheet": {Liquid: "water", Detail: 3, Sheet: &scene.Sheet{At: at(0, 10, 0), Velocity: scene.Velocity{X: 3.8, Y: 0.8},
			Length: 430 * millimetre, Width: 250 * millimetre, Breakup: 0.45}},
	}
}

// ballOf is one ball in the room of a throw.
func ballOf(liquid string, diameter phys.Length, from scene.Point, v scene.Velocity) scene.Water {
	return scene.Water{Liquid: liquid, Balls: []scene.Ball{{At: from, Velocity: v, Diameter: diameter * millimetre}}}
}

// small renders a little picture without grain to speak of.
func small(t *testing.T, w scene.Water, l Light, q Quality) *image.RGBA {
	t.Helper()
	l.ISO = 25
	img, err := Render(context.Background(), w, l, Options{Width: 96, Height: 64, Quality: q, Threads: 2})
	require.NoError(t, err)
	return img
}

// linear is a pixel's green as a share of the sensor's range: the inverse of sRGB's transfer function.
func linear(img *image.RGBA, x, y int) float64 {
	v := float64(img.RGBAAt(x, y).G) / 255
	if v <= 0.04045 {
		return v / 12.92
	}
	return math.Pow((v+0.055)/1.055, 2.4)
}

func TestSnell(t *testing.T) {
	for _, degrees := range []float64{0, 10, 30, 60, 85} {
		sin, cos := math.Sincos(degrees * math.Pi / 180)
		d, ok := refract(vec{sin, -cos, 0}, vec{0, 1, 0}, 1/1.333)
		require.True(t, ok)
		assert.InDelta(t, sin/1.333, d.x, 1e-12)
		assert.InDelta(t, 1, d.len(), 1e-12)
	}
}

// Total reflection of water begins at asin(1/n), 48.6 degrees.
func TestTheCriticalAngle(t *testing.T) {
	critical := math.Asin(1/1.333) * 180 / math.Pi
	assert.InDelta(t, 48.6, critical, 0.05)
	for _, off := range []float64{-0.01, 0.01} {
		sin, cos := math.Sincos((critical + off) * math.Pi / 180)
		_, through := refract(vec{sin, cos, 0}, vec{0, -1, 0}, 1.333)
		assert.Equal(t, off < 0, through)
		assert.Equal(t, off > 0, fresnel(cos, 1.333) == 1)
	}
}

// Fresnel: ((n-1)/(n+1))² straight on; at Brewster's angle only light polarised across is left, cos²(2B) of it.
func TestFresnel(t *testing.T) {
	assert.InDelta(t, math.Pow(0.333/2.333, 2), fresnel(1, 1/1.333), 1e-12)
	brewster := math.Atan(1.333)
	assert.InDelta(t, math.Pow(math.Cos(2*brewster), 2)/2, fresnel(math.Cos(brewster), 1/1.333), 1e-12)
	assert.InDelta(t, 1, fresnel(0, 1/1.333), 1e-12)
}

// A ball lens focuses near its axis at n/(2(n-1)) radii from its centre: both ways of meeting a ball, and two liquids.
func TestABallIsALens(t *testing.T) {
	const radius = 2.0
	ball := newDrop(vec{}, vec{0, 1, 0}, radius, 0, 0, vec{})
	marched := &body{parts: newGrid([]part{ball}, 0), epsilon: 1e-6, least: 0.01}
	solved := newSpray([]part{ball}, 0)
	for _, n := range []float64{1.333, 1.398} {
		for _, height := range []float64{0.01, 0.04} {
			o, d := vec{0, height, 10}, vec{0, 0, -1}
			t1, k := marched.fromAir(o, d, 0, false)
			require.Equal(t, skin, k)
			i, t2 := solved.meet(o, d, 0, 1e9)
			require.Equal(t, 0, i)
			require.InDelta(t, t2, t1, 1e-5)
			p := o.mad(d, t1)
			inner, _ := refract(d, marched.normal(p, 0), 1/n)
			_, far := ball.crossed(p, inner, 0)
			at, k := marched.fromWithin(p.mad(marched.normal(p, 0), -3e-6), inner, 0)
			require.Equal(t, skin, k)
			require.InDelta(t, far, at, 1e-4)
			p = p.mad(inner, far)
			out, ok := refract(inner, ball.outward(p, 0).mul(-1), n)
			require.True(t, ok)
			focus := -(p.z - p.y/out.y*out.z)
			assert.InDelta(t, radius*n/(2*(n-1)), focus, 0.01*radius)
		}
	}
}

// In surroundings of one brightness all liquid disappears: no light is lost and none made.
func TestAWhiteFurnaceIsUniform(t *testing.T) {
	scenes := waters()
	milk := scenes["crown"]
	milk.Liquid = "milk"
	scenes["milk"] = milk
	for name, w := range scenes {
		s := newStage(w, Studio())
		s.room.furnace = true
		if s.body != nil {
			s.body.epsilon, s.body.least = 0.01, 0.2
		}
		tr := &tracer{stage: s}
		for y := -0.64; y < 0.65; y += 0.04 {
			for x := -0.98; x < 1; x += 0.04 {
				o, d := s.camera.ray(x, y, 0, 0)
				c := tr.air(o, d, 0, 1, false, -1)
				if math.Abs(c.x-1)+math.Abs(c.y-1)+math.Abs(c.z-1) > 1e-9 {
					t.Fatalf("%s at %.2f %.2f: %v", name, x, y, c)
				}
			}
		}
	}
}

// plain is a grey background without anything before it.
func plain() Light {
	l := Studio()
	l.Gel, l.Falloff, l.BlackPanels, l.AmbientMargin = Gels()[4].Gel, 0, false, 20
	return l
}

// The background's grey follows the exposure: middle grey is 118 of 255 in sRGB, each stop doubles the light.
func TestTheBackgroundIsAsGreyAsItIsExposed(t *testing.T) {
	for _, c := range []struct{ background, exposure, level float64 }{
		{0, 0, 118}, {1, 0, 162}, {0, 1, 162}, {-2, 0, 60}, {2, -2, 118}, {-1, -1, 60}, {1.5, 0, 188},
	} {
		l := plain()
		l.Background, l.Exposure = c.background, c.exposure
		img := small(t, scene.Water{Liquid: "water"}, l, Usual)
		sum := 0.0
		for x := 28; x < 68; x++ {
			sum += float64(img.RGBAAt(x, 32).G) / 40
		}
		assert.InDelta(t, c.level, sum, 1.5, "%+v", c)
	}
}

// Overexposed, the background is white and no more than white.
func TestTheSensorClips(t *testing.T) {
	l := plain()
	l.Background = 8
	assert.Equal(t, uint8(255), small(t, scene.Water{}, l, Usual).RGBAAt(48, 32).G)
}

// milkBall is a white ball before a dark background.
func milkBall(t *testing.T, from scene.Point, v scene.Velocity, flash time.Duration) *image.RGBA {
	l := plain()
	l.Background, l.Flash = -9, flash
	return small(t, ballOf("milk", 40, from, v), l, Slow)
}

func TestTheLiquidIsWhereItIs(t *testing.T) {
	const perPixel = 620.0 / 96
	for _, place := range [][2]float64{{0, 0}, {120, 40}, {-200, -90}} {
		img := milkBall(t, at(phys.Length(place[0]), phys.Length(place[1]), 0), scene.Velocity{}, 0)
		var sum, mx, my float64
		for y := range 64 {
			for x := range 96 {
				if linear(img, x, y) > 0.02 {
					sum++
					mx += float64(x) + 0.5 - 48
					my += 32 - float64(y) - 0.5
				}
			}
		}
		assert.InDelta(t, place[0], mx/sum*perPixel, 4)
		assert.InDelta(t, place[1], my/sum*perPixel, 4)
		assert.InDelta(t, 20, math.Sqrt(sum/math.Pi)*perPixel, perPixel/2, "radius of the ball, mm")
	}
}

// After the time in which the flash falls to half of its peak, the trail of a ball is half as bright: it is as long as
// its speed times that time.
func TestBlurIsSpeedTimesDuration(t *testing.T) {
	for _, c := range []struct {
		speed phys.Speed
		half  time.Duration
	}{{4, 15 * time.Millisecond}, {4, 25 * time.Millisecond}, {2, 30 * time.Millisecond}} {
		img := milkBall(t, at(-220, 0, 0), scene.Velocity{X: c.speed}, c.half)
		column := func(mm float64) (sum float64) {
			x := int(48 + mm/620*96)
			for dx := -1; dx <= 1; dx++ {
				for y := 26; y < 38; y++ {
					sum += linear(img, x+dx, y)
				}
			}
			return sum
		}
		length := float64(c.speed) * c.half.Seconds() * 1e3
		from := -220 + 45.0
		assert.InDelta(t, 0.5, column(from+length)/column(from), 0.05, "%+v", c)
	}
}

// contrast is how far a clear ball's pixels stray from the background around it, as a share of that.
func contrast(t *testing.T, l Light) float64 {
	img := small(t, ballOf("water", 240, at(0, 0, 0), scene.Velocity{}), l, Usual)
	background := linear(img, 48, 8)
	sum, n := 0.0, 0.0
	for y := 14; y < 50; y++ {
		for x := 29; x < 67; x++ {
			r := math.Hypot(float64(x)-47.5, float64(y)-31.5)
			if r > 14 && r < 18.5 { // the ball's radius is 18.6 pixels
				v := linear(img, x, y)/background - 1
				sum, n = sum+v*v, n+1
			}
		}
	}
	return math.Sqrt(sum / n)
}

// That is what black panels at the sides are for, and why clear water gets lost in a white room.
func TestBlackPanelsDrawTheEdges(t *testing.T) {
	with, without := Studio(), Studio()
	with.Gel, without.Gel = Gels()[4].Gel, Gels()[4].Gel
	without.BlackPanels = false
	white := without
	white.White, white.Falloff = true, 0
	a, b, c := contrast(t, with), contrast(t, without), contrast(t, white)
	t.Logf("contrast at the edge: black panels %.3f, without %.3f, white room %.3f", a, b, c)
	assert.Greater(t, a, 1.02*b)
	assert.Greater(t, b, 1.2*c)
}

func TestShutIsBlack(t *testing.T) {
	l := Studio()
	l.Shut = true
	img := small(t, waters()["crown"], l, Usual)
	for k, v := range img.Pix {
		if k%4 != 3 {
			require.Less(t, v, uint8(6))
		}
	}
}

// Room light adds a veil and what moved while the shutter was open; nine stops down it cannot be seen.
func TestRoomLightShowsWhenTheMarginIsThin(t *testing.T) {
	w := waters()["sheet"]
	l := Studio()
	l.Background = -6
	dark := func(margin float64) float64 {
		l.AmbientMargin = margin
		return linear(small(t, w, l, Usual), 6, 6)
	}
	none := dark(20)
	assert.InDelta(t, none, dark(11), 0.002)
	thin, thinner := dark(4)-none, dark(2)-none
	assert.Greater(t, thin, 0.005)
	assert.InDelta(t, 4, thinner/thin, 1, "two stops are four times the light")
}

// Grain is stronger where the sensor is more sensitive, and the same for the same seed.
func TestGrain(t *testing.T) {
	spread := func(iso float64, seed uint64) (sd float64, img *image.RGBA) {
		l := plain()
		l.ISO = iso
		img, err := Render(context.Background(), scene.Water{}, l, Options{Width: 96, Height: 64, Seed: seed})
		require.NoError(t, err)
		var sum, sum2, n float64
		for y := 20; y < 44; y++ {
			for x := 30; x < 66; x++ {
				v := linear(img, x, y)
				sum, sum2, n = sum+v, sum2+v*v, n+1
			}
		}
		return math.Sqrt(sum2/n - sum*sum/n/n), img
	}
	low, _ := spread(400, 1)
	high, a := spread(6400, 1)
	assert.InDelta(t, 4, high/low, 1, "16 times the gain is 4 times the shot noise")
	_, b := spread(6400, 1)
	_, c := spread(6400, 2)
	assert.Equal(t, a.Pix, b.Pix)
	assert.NotEqual(t, a.Pix, c.Pix)
}

func TestThreadsChangeNothing(t *testing.T) {
	for _, name := range []string{"dome", "sheet"} {
		var first []byte
		for _, threads := range []int{1, 2, 5} {
			img, err := Render(context.Background(), waters()[name], Studio(), Options{Width: 96, Height: 64,
				Threads: threads, Seed: 4})
			require.NoError(t, err)
			if first == nil {
				first = img.Pix
			}
			assert.Equal(t, first, img.Pix, "%s, %d threads", name, threads)
		}
	}
}

// distance between two pictures: root mean square of their levels.
func apart(a, b *image.RGBA) float64 {
	sum := 0.0
	for k := range a.Pix {
		d := float64(a.Pix[k]) - float64(b.Pix[k])
		sum += d * d
	}
	return math.Sqrt(sum / float64(len(a.Pix)) * 4 / 3)
}

// A preview is nearer to the picture that it announces than a flat pool is.
func TestAPreviewIsLikeThePicture(t *testing.T) {
	render := func(w scene.Water, q Quality) *image.RGBA {
		img, err := Render(context.Background(), w, Studio(), Options{Width: 240, Height: 160, Quality: q, Threads: 2})
		require.NoError(t, err)
		return img
	}
	good := render(waters()["crown"], Usual)
	assert.Less(t, apart(good, render(waters()["crown"], Preview)), 0.6*apart(good,
		render(scene.Water{Pool: true}, Usual)))
}

func TestSizesThatAreRefused(t *testing.T) {
	for _, o := range []Options{{Width: 4, Height: 100}, {Width: 5000, Height: 4000}} {
		_, err := Render(context.Background(), scene.Water{}, Studio(), o)
		assert.ErrorContains(t, err, "use at least")
	}
}

func TestRenderingStopsWithItsContext(t *testing.T) {
	ctx, stop := context.WithCancel(context.Background())
	stop()
	_, err := Render(ctx, waters()["crown"], Studio(), Options{Width: 96, Height: 64})
	assert.ErrorIs(t, err, context.Canceled)
}

func ExampleRender() {
	img, err := Render(context.Background(), scene.Water{Liquid: "water", Pool: true}, Studio(),
		Options{Width: 48, Height: 32})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(img.Bounds())
	// Output: (0,0)-(48,32)
}
