package practice

import (
	"image"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/lighting"
	"stillwater/internal/optics"
	"stillwater/internal/phys"
	"stillwater/internal/picture"
	"stillwater/internal/scene"
	"stillwater/internal/shot"
)

// studio is the set of a throw whose key, background and room are all known, with changes "field value; field value".
func studio(t *testing.T, changes string) shot.Set {
	t.Helper()
	set := shot.DefaultSet()
	set.Kind = shot.Throw
	const usual = "flash.guide 20 m; flash.distance 1 m; background.seen 2%; camera.shutter 1 s; room.by meter; " +
		"room.ev -12; background.width 1.2 m; background.distance 1 m"
	for _, change := range strings.Split(usual+"; "+changes, ";") {
		if field, value, given := strings.Cut(strings.TrimSpace(change), " "); given {
			require.NoError(t, set.Put(field, value))
		}
	}
	require.NoError(t, set.Validate())
	return set
}

// ball is one ball in the focus spot.
func ball(liquid string, diameter phys.Length, v scene.Velocity) scene.Water {
	return scene.Water{Liquid: liquid, Balls: []scene.Ball{{Diameter: diameter, Velocity: v}}}
}

const wide, high = 96, 64

func pictureOf(t *testing.T, set shot.Set, w scene.Water) *image.RGBA {
	t.Helper()
	l := Light(set, true)
	l.Falloff = 0
	img, err := picture.Render(t.Context(), w, l, picture.Options{Width: wide, Height: high, Quality: picture.Slow,
		Threads: 2})
	require.NoError(t, err)
	return img
}

// seen is the part of white that a place shows, by optics' inverse of the sensor's curve, over some pixels around.
func seen(img *image.RGBA, x, y int) float64 {
	sum := 0.0
	for dy := -2; dy <= 2; dy++ {
		for dx := -2; dx <= 2; dx++ {
			sum += optics.Level(float64(img.RGBAAt(x+dx, y+dy).G)/255).Linear() / 25
		}
	}
	return sum
}

// Of each setting of exposure: move it, and the picture becomes brighter or darker as photographers know it does. The
// numbers are whole or half stops, and not worked out from the code.
func TestExposureMovesThePicture(t *testing.T) {
	key := func(img *image.RGBA) float64 { return seen(img, wide/2, high/2) } // of a white ball
	corner := func(img *image.RGBA) float64 { return seen(img, wide/2, 5) }   // of the background
	for _, c := range []struct {
		from, to string
		where    func(*image.RGBA) float64
		ratio    float64
		why      string
	}{
		{"", "flash.power 1/32", key, 0.5, "half the power"},
		{"", "flash.distance 2 m", key, 0.25, "twice as far: inverse square"},
		{"", "flash.units 2", key, 2, "two units"},
		{"", "flash.loss 1", key, 0.5, "an umbrella that takes a stop"},
		{"", "camera.iso 800", key, 2, "a stop of speed"},
		{"", "camera.aperture f/22", key, 0.5, "a stop of aperture"},
		{"flash.reading f/16", "flash.reading f/11", key, 0.5, "a meter that reads a stop less"},
		{"background.seen 50%", "background.seen 73.5%", corner, 0.5 / 0.214, "half of the way is 21.4 % of white"},
		{"background.seen unknown; background.reading f/5.6", "background.reading f/8", corner, 2, "the background, metered"},
		{"background.seen unknown; background.reading f/8", "background.reflects 0.45", corner, 0.5, "a darker cloth"},
		{"room.ev 0", "room.ev 2", corner, 4, "a room two stops brighter"},
		{"room.ev 0", "camera.shutter 4 s", corner, 4, "open for four times as long"},
		{"room.ev 2; camera.shutter 4 s", "camera.aperture f/32", corner, 0.25, "two stops of aperture"},
		{"room.by black-frame; room.frame_open 1 s; room.frame_seen 30%", "camera.shutter 2 s", corner, 2,
			"twice as long as the black frame"},
	} {
		if strings.Contains(c.from, "room") {
			c.from += "; background.seen 0.1%"
		}
		a := c.where(pictureOf(t, studio(t, c.from), ball("milk", 0.2, scene.Velocity{})))
		b := c.where(pictureOf(t, studio(t, c.from+"; "+c.to), ball("milk", 0.2, scene.Velocity{})))
		assert.InDelta(t, c.ratio, b/a, 0.06*c.ratio, "%s (%.3f, then %.3f)", c.why, a, b)
	}
}

// Of clipping: the background follows its meter stop by stop until it is white, and from there on nothing moves. The
// lens stands 3 % farther from the sensor than for what is far away.
func TestWhiteIsTheMost(t *testing.T) {
	const lens = 1 / (1.03 * 1.03)
	for reading, want := range map[string]float64{"f/8": 0.25 * lens, "f/11": 0.5 * lens, "f/22": 1, "f/45": 1} {
		set := studio(t, "background.seen unknown; background.reflects 1; background.reading "+reading)
		assert.InDelta(t, want, seen(pictureOf(t, set, scene.Water{}), wide/2, 5), 0.05*want, reading)
	}
}

// Of a ghost: a weak flash that is lit for 50 ms moves some of the light of what flies along its way, as much of it as
// its part of all the light: guide number squared, by distance squared.
func TestAWeakFlashMovesItsShare(t *testing.T) {
	const first = "flash.guide 20 m; flash.power 1; flash.measured t0.1; flash.figures 1/1 1/8000 s; flash.others "
	alone, _ := trail(t, first+"none")
	whole, _ := trail(t, "flash.guide 20 m; flash.power 1; flash.measured t0.1; flash.figures 1/1 1/20 s")
	for others, share := range map[string]float64{"5 m, 1/1, 1 m, 1/20 s": 1. / 17, "4 m, 1/1, 1 m, 1/20 s": 1. / 26} {
		middle, _ := trail(t, first+others)
		assert.InDelta(t, share, (middle-alone)/(whole-alone), 0.35*share, others)
	}
}

// What the black frame showed is what practice shows: 30 % of the histogram, of nine tenths of white.
func TestTheBlackFrameIsSeenAgain(t *testing.T) {
	set := studio(t, "background.seen 0.1%; room.by black-frame; room.frame_open 1 s; room.frame_seen 30%")
	assert.InDelta(t, 0.9*optics.Level(0.3).Linear(), seen(pictureOf(t, set, scene.Water{}), 48, 8), 0.003)
}

// clear is how far a clear ball's pixels are from the background around it, as a share of it.
func clear(t *testing.T, changes string) float64 {
	img := pictureOf(t, studio(t, changes), ball("water", 0.24, scene.Velocity{}))
	bright, sum, n := seen(img, 48, 5), 0.0, 0.0
	for y := 14; y < 50; y++ {
		for x := 29; x < 67; x++ {
			if r := math.Hypot(float64(x)-47.5, float64(y)-31.5); r < 18 {
				v := optics.Level(float64(img.RGBAAt(x, y).G)/255).Linear()/bright - 1
				sum, n = sum+v*v, n+1
			}
		}
	}
	return math.Sqrt(sum / n)
}

// The picture of a throw is as wide as the frame: what a ruler showed, or what lens and distance come to. Where nobody
// has framed it, it is cut to what there is to see.
func TestTheFrameOfAThrowIsFollowed(t *testing.T) {
	for changes, width := range map[string]float64{
		"":                        0.62,
		"camera.aperture f/11":    0.62,
		"camera.field_seen 1.5 m": 1.5,
		"camera.field_seen 30 cm": 0.3,
		"camera.focal 50 mm; camera.distance 2 m":                      36. / 50 * (2 - 0.05), // of a thin lens
		"camera.focal 50 mm; camera.distance 2 m; camera.sensor 24 mm": 24. / 50 * (2 - 0.05),
	} {
		set := studio(t, "background.seen 0.1%; background.width 15 m; "+changes)
		assert.InDelta(t, width, float64(FieldWidth(set)), 1e-3, changes)
		w := scene.Water{Liquid: "milk", Balls: []scene.Ball{{At: scene.Point{X: 0.1}, Diameter: 0.06}}}
		middle, _ := lit(pictureOf(t, set, w))
		assert.InDelta(t, 0.1, middle*width/wide, 0.1*width/wide+0.008, changes) // its lit side counts more
	}
}

// Before a background that is too white, and all around, clear water vanishes; before a light grey one with black
// beside it, it is drawn by its edges.
func TestClearWaterVanishesInWhite(t *testing.T) {
	grey := clear(t, "background.seen 80%; background.black_width 3 m")
	none := clear(t, "background.seen 80%")
	white := clear(t, "background.seen 80%; background.width 15 m")
	burnt := clear(t, "background.seen unknown; background.reading f/45; background.width 15 m")
	t.Logf("light grey with black %.2f, without black %.2f, white all around %.3f, and three stops over %.4f", grey, none,
		white, burnt)
	assert.Greater(t, grey, none)
	assert.Greater(t, none, 5*white)
	assert.Less(t, burnt, 0.3*white)
}

// The dark rim of a ball is as wide as Snell's law has it for the background's angle (optics.DarkRim, a closed form for
// a small ball; the picture traces its rays).
func TestTheDarkRimFollowsTheBackground(t *testing.T) {
	const width, diameter = 720, 0.06
	const radius = diameter / 2 / 0.62 * width // pixels
	for _, bright := range []phys.Length{1.2, 0.6} {
		set := studio(t, "background.seen 80%; background.black_width 9 m; background.width "+bright.String())
		l := Light(set, true)
		l.Falloff = 0
		img, err := picture.Render(t.Context(), ball("water", diameter, scene.Velocity{}), l, picture.Options{Width: width,
			Height: width * 2 / 3, Threads: 2})
		require.NoError(t, err)
		dark := 0.0 // along the middle row to the left
		for x := range width / 2 {
			if r := width/2 - float64(x) - 0.5; r < radius && r > radius/3 {
				level := optics.Level(float64(img.RGBAAt(x, width/3).G) / 255).Linear()
				dark += min(max(1-level/optics.Level(0.8).Linear(), 0), 1)
			}
		}
		want := optics.DarkRim(1.333, optics.HalfAngle(bright, 1))
		assert.InDelta(t, want, dark/radius, 0.05, "%v wide", bright)
	}
}

// trail is where the light of a ball is that flies to the right at 8 m/s.
func trail(t *testing.T, changes string) (middle, variance float64) {
	return lit(pictureOf(t, studio(t, "background.seen 0.1%; camera.iso 50; flash.reading f/16; "+changes),
		ball("milk", 0.06, scene.Velocity{X: 8})))
}

// lit is where the light in a picture is, in pixels from its middle to the right, and its variance across.
func lit(img *image.RGBA) (middle, variance float64) {
	sum := 0.0
	for y := range high {
		for x := range wide {
			if v := optics.Level(float64(img.RGBAAt(x, y).G) / 255).Linear(); v > 0.0025 {
				sum, middle, variance = sum+v, middle+v*float64(x), variance+v*float64(x*x)
			}
		}
	}
	middle /= sum
	return middle - wide/2 + 0.5, variance/sum - middle*middle
}

// A flash that decays moves the light of what flies by speed times its time constant, t0.5/ln 2 (of which 0.925 is
// within the four constants that are followed); one that is cut off, by half of its time.
func TestTheFlashSmearsWhatMoves(t *testing.T) {
	const perPixel = 620.0 / wide
	whole := "flash.control throttled; flash.power 1; flash.duration "
	start, _ := trail(t, whole+"1 us")
	for duration, half := range map[string]float64{"3 ms": 3, "1.5 ms": 1.5} {
		middle, _ := trail(t, whole+duration)
		want := 8 * 0.925 * half / math.Ln2
		assert.InDelta(t, want, (middle-start)*perPixel, 0.1*want, duration)
	}
	cut, _ := trail(t, "flash.control cut-off; flash.power 1/16; flash.figures 1/16 1/100 s")
	assert.InDelta(t, 8*10/2, (cut-start)*perPixel, 4, "10 ms, even")
}

// Of sharpness: a lens opened by two stops makes twice the blur before the plane in focus; and what is off its place
// along a way that the camera does not see squarely leaves that plane.
func TestTheLensBlurs(t *testing.T) {
	variance := func(at scene.Point, changes string) float64 {
		w := scene.Water{Liquid: "milk", Balls: []scene.Ball{{At: at, Diameter: 0.01}}}
		_, v := lit(pictureOf(t, studio(t, "background.seen 0.1%; camera.focal 20 cm; camera.distance 1 m; "+changes), w))
		return v
	}
	near := scene.Point{Z: 0.06}
	sharp := variance(near, "camera.aperture f/45; flash.reading f/45")
	four := variance(near, "camera.aperture f/4; flash.reading f/4") - sharp
	two := variance(near, "camera.aperture f/2; flash.reading f/2") - sharp
	assert.InDelta(t, 2, math.Sqrt(two/four), 0.3, "two stops")
	late := scene.Point{X: 0.05}
	const turn = "camera.turn 60 deg; "
	turned := variance(late, turn+"camera.aperture f/2; flash.reading f/2") -
		variance(late, turn+"camera.aperture f/45; flash.reading f/45")
	blur := 100 * 50 * math.Sin(math.Pi/3) / 1000 / (144. / wide) // opening x way off the plane / its distance
	assert.InDelta(t, 1, math.Sqrt(16*turned)/blur, 0.25, "%.1f pixels", blur)
}

// A set of common practice gives a picture in which nothing is wrong: the background light grey, the room not seen.
func TestCommonPracticeLooksRight(t *testing.T) {
	set := lighting.Practice(studio(t, ""))
	img := pictureOf(t, set, scene.Water{})
	assert.InDelta(t, float64(optics.BackgroundAim), float64(img.RGBAAt(48, 20).G)/255, 0.01)
	l := Light(set, true)
	assert.LessOrEqual(t, float64(l.Room-l.Key), -float64(optics.MinMargin))
}

// Shut, it is black whatever the light.
func TestWithoutAnExposureItIsBlack(t *testing.T) {
	img := caught(t, scene.Pictured{Set: studio(t, "room.ev 5"), Water: ball("milk", 0.1, scene.Velocity{})})
	for k, v := range img.Pix {
		require.True(t, k%4 == 3 || v < 12, "pixel %d: %d", k/4, v)
	}
}

// caught is what the simulated camera pictured.
func caught(t *testing.T, p scene.Pictured) *image.RGBA {
	t.Helper()
	l := LightOf(p)
	l.Falloff = 0
	img, err := picture.Render(t.Context(), p.Water, l, picture.Options{Width: wide, Height: high, Threads: 2})
	require.NoError(t, err)
	return img
}

// A flash that fails while the shutter is open leaves what the room's light draws: what the black frame showed, twice
// of it in twice the time; and nothing in a dark room.
func TestWithoutAFlashTheRoomIsSeen(t *testing.T) {
	const room = "background.seen 80%; room.by black-frame; room.frame_open 1 s; room.frame_seen 30%; "
	corner := func(changes string) float64 {
		return seen(caught(t, scene.Pictured{Set: studio(t, room+changes), Opened: true}), 48, 8)
	}
	once := 0.9 * optics.Level(0.3).Linear()
	assert.InDelta(t, once, corner(""), 0.003)
	assert.InDelta(t, 2*once, corner("camera.shutter 2 s"), 0.006)
	assert.Less(t, corner("room.by meter; room.ev -12"), 0.002)
}

// A door that was open for a second lets in 20 lx: by the meter's equation N²/t = E S/C, with C = 250 lx s and the
// lens's extension of 3 %, that is 0.118 of white at f/16 and ISO 400, of which a wall gives back nine tenths.
func TestADoorVeilsThePicture(t *testing.T) {
	corner := func(door time.Duration, changes string) float64 {
		return seen(caught(t, scene.Pictured{Set: studio(t, "background.seen 0.1%; "+changes), Opened: true, Exposed: true,
			Charge: 1, Door: door}), 48, 8)
	}
	assert.Less(t, corner(0, ""), 0.002)
	assert.InDelta(t, 0.9*0.118, corner(time.Second, ""), 0.004)
	assert.InDelta(t, 4*0.9*0.118, corner(4*time.Second, ""), 0.015)
	assert.InDelta(t, 0.9*0.118/2, corner(time.Second, "camera.aperture f/22"), 0.003)
}

// A flash that had charged half of its light gives half of it, to the liquid and to the background.
func TestAHalfChargedFlashIsAStopLess(t *testing.T) {
	of := func(charge float64, x, y int) float64 {
		set := studio(t, "background.seen 70%")
		return seen(caught(t, scene.Pictured{Set: set, Water: ball("milk", 0.2, scene.Velocity{}), Opened: true,
			Exposed: true, Charge: charge}), x, y)
	}
	for _, at := range [][2]int{{wide / 2, high / 2}, {wide / 2, 5}} {
		assert.InDelta(t, 0.5, of(0.5, at[0], at[1])/of(1, at[0], at[1]), 0.03, "%v", at)
	}
}
