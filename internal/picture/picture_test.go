package picture

import (
	"context"
	"fmt"
	"image"
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/optics"
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

// studioOf is the studio that suits a scene.
func studioOf(w scene.Water) Light {
	if w.Pool {
		return Studio()
	}
	return ThrowStudio()
}

// ballOf is one ball in the room of a throw.
func ballOf(liquid string, diameter phys.Length, from scene.Point, v scene.Velocity) scene.Water {
	return scene.Water{Liquid: liquid, Balls: []scene.Ball{{At: from, Velocity: v, Diameter: diameter * millimetre}}}
}

// small renders a little picture without grain to speak of.
func small(t *testing.T, w scene.Water, l Light, q Quality) *image.RGBA {
	t.Helper()
	l.Speed = 25
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
		s := newStage(w, studioOf(w))
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

// plain is a grey background without anything before it, in a room that is dark.
func plain() Light {
	l := ThrowStudio()
	l.Falloff, l.Black, l.Room = 0, 0, optics.Stops(math.Inf(-1))
	return l
}

// The background's grey follows the exposure: each stop halves the light. A grey card that gives back 18 % is 118 of
// 255 in sRGB; half, a quarter and an eighth of white are 188, 137 and 99 (by hand, from the standard's curve).
func TestTheBackgroundIsAsGreyAsItIsExposed(t *testing.T) {
	for stops, level := range map[optics.Stops]float64{-1: 188, -2: 137, -3: 99, -2.474: 118, -1.474: 162, -4.474: 60} {
		l := plain()
		l.Background = stops
		img := small(t, scene.Water{Liquid: "water"}, l, Usual)
		sum := 0.0
		for x := 28; x < 68; x++ {
			sum += float64(img.RGBAAt(x, 32).G) / 40
		}
		assert.InDelta(t, level, sum, 1.5, "%v", stops)
	}
}

// Overexposed, the background is white and no more than white.
func TestTheSensorClips(t *testing.T) {
	l := plain()
	l.Background = 5
	assert.Equal(t, uint8(255), small(t, scene.Water{}, l, Usual).RGBAAt(48, 32).G)
}

// milkBall is a white ball before a dark background.
func milkBall(t *testing.T, from scene.Point, v scene.Velocity, half phys.Time) *image.RGBA {
	l := plain()
	l.Background, l.Pulse = -12, optics.LightPulse{Half: half, Tenth: half * optics.TenthOverHalf}
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
		half  phys.Time
	}{{4, 15e-3}, {4, 25e-3}, {2, 30e-3}} {
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
		length := float64(c.speed) * float64(c.half) * 1e3
		from := -220 + 45.0
		assert.InDelta(t, 0.5, column(from+length)/column(from), 0.05, "%+v", c)
	}
}

// A flash that is cut off early lights evenly, and then not at all.
func TestBlurOfAFlashThatIsCutOff(t *testing.T) {
	l := plain()
	l.Background, l.Pulse = -12, optics.LightPulse{Half: 50e-3, Tenth: 50e-3}
	img := small(t, ballOf("milk", 40, at(-220, 0, 0), scene.Velocity{X: 4}), l, Slow)
	row := func(mm float64) (sum float64) {
		for y := 26; y < 38; y++ {
			sum += linear(img, int(48+mm/620*96), y)
		}
		return sum
	}
	assert.InDelta(t, 1, row(-60)/row(-180), 0.15)
	assert.Less(t, row(-220+200+25), 0.02*row(-180), "after 4 m/s x 50 ms")
}

// A weak flash beside a short one, lit for 50 ms, draws the trail that it would draw alone, as much fainter as its part
// of the light is.
func TestAWeakLongFlashLeavesAGhost(t *testing.T) {
	long := optics.LightPulse{Half: 50e-3, Tenth: 50e-3}
	trail := func(p optics.LightPulse, ghosts ...optics.UnitLit) (sum float64) {
		l := plain()
		l.Background, l.Pulse, l.Ghosts = -20, p, ghosts
		img, err := Render(t.Context(), ballOf("milk", 40, at(-220, 0, 0), scene.Velocity{X: 4}), l, Options{
			Width: 384, Height: 256, Quality: Slow, Threads: 2})
		require.NoError(t, err)
		for x := 192 - 116; x < 384; x++ { // beyond where it was at first
			for y := 104; y < 152; y++ {
				sum += linear(img, x, y)
			}
		}
		return sum
	}
	short, alone := optics.LightPulse{Half: 1e-6, Tenth: 1e-6}, trail(long)
	for _, part := range []float64{0.05, 0.1} {
		left := trail(short, optics.UnitLit{Unit: 1, Pulse: long, Share: part}) - trail(short)
		assert.InDelta(t, part, left/alone, 0.1*part)
	}
}

// moments are the middle and the spread across of what is bright in a picture, in pixels.
func moments(img *image.RGBA) (middle, variance float64) {
	sum := 0.0
	for y := range img.Rect.Dy() {
		for x := range img.Rect.Dx() {
			v := linear(img, x, y)
			if v < 0.005 { // the background and its grain
				continue
			}
			sum, middle, variance = sum+v, middle+v*float64(x), variance+v*float64(x*x)
		}
	}
	middle /= sum
	return middle, variance/sum - middle*middle
}

// A point out of focus is a disc, as large as the thin lens's closed form says (optics.Lens.DefocusCircle): its
// variance across is a sixteenth of its diameter's square.
func TestOutOfFocusIsSoft(t *testing.T) {
	const width = 288
	spot := func(n optics.FNumber, off phys.Length) (variance float64, l Light) {
		l = plain()
		l.Background, l.Pulse, l.Off = -12, optics.LightPulse{}, off
		l.Lens = optics.Lens{Focal: 0.2, Aperture: n, Focus: 1.7}
		img, err := Render(context.Background(), ballOf("milk", 20, at(0, 0, 0), scene.Velocity{}), l, Options{
			Width: width, Height: width * 2 / 3, Quality: Slow})
		require.NoError(t, err)
		_, variance = moments(img)
		return variance, l
	}
	for _, c := range []struct {
		n   optics.FNumber
		off phys.Length
	}{{2, 0.3}, {2, -0.3}, {4, 0.5}} {
		sharp, _ := spot(64, c.off)
		soft, l := spot(c.n, c.off)
		place := l.Lens.Focus + c.off
		scale := l.Lens.Magnification() * float64(l.Lens.Focus/place) // of the spot's image
		perPixel := float64(l.Picture.Sensor) / width / scale
		want := float64(l.Lens.DefocusCircle(place)) / scale / perPixel
		assert.InDelta(t, 1, math.Sqrt(16*(soft-sharp))/want, 0.1, "%+v: %.1f pixels", c, want)
	}
	sharp, _ := spot(64, 0)
	wide, _ := spot(2, 0)
	assert.InDelta(t, sharp, wide, 0.3, "in focus the opening does not matter")
}

// All of a column is in the picture, with water below it, as long as it is in the camera's frame: that is 72 mm high.
func TestTallColumnsAreInThePicture(t *testing.T) {
	for _, height := range []phys.Length{17, 29, 40, 55} {
		w := waters()["column"]
		column := *w.Column
		column.Height, w.Column = height*millimetre, &column
		s := newStage(w, Studio())
		top := 2. / 3 // of half of the width
		for _, y := range []float64{float64(height), -5} {
			_, at, _ := s.camera.project(vec{0, y, 0})
			assert.Less(t, math.Abs(at), top, "%v mm of a column of %v mm", y, height)
		}
	}
}

// Seen from an angle the way is shorter, by its cosine.
func TestTheCameraTurns(t *testing.T) {
	l := plain()
	l.Background, l.Pulse = -12, optics.LightPulse{}
	place := func(degrees float64) float64 {
		l.Turn = phys.Angle(degrees * math.Pi / 180)
		middle, _ := moments(small(t, ballOf("milk", 40, at(150, 0, 0), scene.Velocity{}), l, Slow))
		return middle + 0.5 - 48
	}
	straight := place(0)
	assert.InDelta(t, 150.0/620*96, straight, 0.6, "its lit side counts more")
	near, far := place(40), place(-40) // the ball comes nearer, or goes farther away, by its sine
	assert.InDelta(t, math.Cos(40*math.Pi/180), 2/(1/near+1/far)/straight, 0.02)
	assert.InDelta(t, math.Sin(40*math.Pi/180)*150/1700, math.Abs(near-far)/(near+far), 0.01)
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
	with := ThrowStudio()
	with.Falloff = 0
	without, white := with, with
	without.Black = 0
	white.Bright, white.Black = math.Pi/2, 0
	burnt := white
	burnt.Background = 2
	a, b, c, d := contrast(t, with), contrast(t, without), contrast(t, white), contrast(t, burnt)
	t.Logf("contrast at the edge: black panels %.3f, without %.3f, white room %.3f, two stops over %.3f", a, b, c, d)
	assert.Greater(t, a, 1.02*b)
	assert.Greater(t, b, 1.5*c)
	assert.Greater(t, c, 2*d)
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

// Room light adds a veil, as much as its exposure says: nine tenths of white where a wall is.
func TestRoomLightShowsWhenTheMarginIsThin(t *testing.T) {
	w := waters()["sheet"]
	l := ThrowStudio()
	l.Background, l.Black = -9, 0
	dark := func(room optics.Stops) float64 {
		l.Room = room
		return linear(small(t, w, l, Usual), 6, 6)
	}
	none := dark(optics.Stops(math.Inf(-1)))
	assert.InDelta(t, none, dark(-12), 0.002)
	for stops, share := range map[optics.Stops]float64{-1: 0.5, -2: 0.25, -4: 0.0625} {
		assert.InDelta(t, 0.9*share, dark(stops)-none, 0.1*share, "%v", stops)
	}
}

// Grain is stronger where the sensor is more sensitive, and the same for the same seed.
func TestGrain(t *testing.T) {
	spread := func(iso float64, seed uint64) (sd float64, img *image.RGBA) {
		l := plain()
		l.Speed = optics.ISO(iso)
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
			img, err := Render(context.Background(), waters()[name], studioOf(waters()[name]), Options{Width: 96, Height: 64,
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

// againstSlow is the peak signal to noise, in decibels, of a picture against one with 24 rays in every pixel.
func againstSlow(t testing.TB, w scene.Water, l Light, o Options) float64 {
	l.Speed = 25
	usual, err := Render(context.Background(), w, l, o)
	require.NoError(t, err)
	o.Quality = Slow
	slow, err := Render(context.Background(), w, l, o)
	require.NoError(t, err)
	return 20 * math.Log10(255/apart(usual, slow))
}

// A picture is as near to the slow one as a good JPEG is: from 30 dB on few people see a difference (common practice,
// no source). At a fifth of the usual size edges are denser, and so is the noise.
func TestAPictureIsLikeTheSlowOne(t *testing.T) {
	o := Options{Width: 96, Height: 64, Threads: 2}
	for name, w := range waters() {
		db := againstSlow(t, w, studioOf(w), o)
		t.Logf("%s: %.1f dB", name, db)
		assert.Greater(t, db, 30.0, name)
	}
	smeared, soft := ThrowStudio(), Studio()
	smeared.Pulse = optics.LightPulse{Half: 4e-3, Tenth: 4e-3 * optics.TenthOverHalf}
	soft.Lens.Aperture = 2
	slow, wide := againstSlow(t, waters()["sheet"], smeared, o), againstSlow(t, waters()["crown"], soft, o)
	t.Logf("a slow flash: %.1f dB, a wide lens: %.1f dB", slow, wide)
	assert.Greater(t, min(slow, wide), 30.0)
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
