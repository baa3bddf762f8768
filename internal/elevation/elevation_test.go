package elevation

import (
	"encoding/xml"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/phys"
	"stillwater/internal/shot"
	"stillwater/internal/splash"
	"stillwater/internal/svg"
)

// set is the usual set of a kind, but with its throw past beams 80 cm before the focus spot, with changes: field,
// value, field, value.
func set(t *testing.T, kind shot.Kind, changes ...string) shot.Set {
	t.Helper()
	s := shot.DefaultSet()
	s.Throw.Gate, s.Throw.ToFocus, s.Throw.SpeedLow = 0.1, 0.8, 3
	s.Kind = kind
	for i := 0; i < len(changes); i += 2 {
		require.NoError(t, s.Put(changes[i], changes[i+1]))
	}
	return s
}

// shape is a path or a circle of a drawing.
type shape struct {
	class, field string // field: of its dimension, "" none
	points       []point
	radius       float64
}

// read takes a drawing apart, and fails on what is no XML.
func read(t *testing.T, svg string) (shapes []shape, texts []string) {
	t.Helper()
	decoder, field, depth := xml.NewDecoder(strings.NewReader(svg)), "", 0
	for {
		token, err := decoder.Token()
		if err == io.EOF {
			return shapes, texts
		}
		require.NoError(t, err, svg)
		switch e := token.(type) {
		case xml.StartElement:
			attrs := map[string]string{}
			for _, a := range e.Attr {
				attrs[a.Name.Local] = a.Value
			}
			switch e.Name.Local {
			case "g":
				field, depth = attrs["data-field"], depth+1
			case "path", "circle":
				shapes = append(shapes, readShape(t, field, attrs))
			}
		case xml.EndElement:
			if e.Name.Local == "g" {
				field = ""
			}
		case xml.CharData:
			texts = append(texts, string(e))
		}
	}
}

var coordinates = regexp.MustCompile(`[ML](-?[\d.]+) (-?[\d.]+)`)

func readShape(t *testing.T, field string, attrs map[string]string) shape {
	t.Helper()
	s := shape{class: attrs["class"], field: field}
	value := func(text string) float64 {
		x, err := strconv.ParseFloat(text, 64)
		require.NoError(t, err)
		return x
	}
	if attrs["cx"] != "" {
		s.points, s.radius = []point{{value(attrs["cx"]), value(attrs["cy"])}}, value(attrs["r"])
	} else if at, ok := strings.CutPrefix(attrs["transform"], "translate("); ok {
		x, y, _ := strings.Cut(strings.TrimSuffix(at, ")"), " ")
		s.points = []point{{value(x), value(y)}}
	} else {
		for _, m := range coordinates.FindAllStringSubmatch(attrs["d"], -1) {
			s.points = append(s.points, point{value(m[1]), value(m[2])})
		}
	}
	return s
}

// find is the first shape of a class in a dimension, or in none.
func find(t *testing.T, shapes []shape, field, class string) shape {
	t.Helper()
	for _, s := range shapes {
		if s.field == field && s.class == class {
			return s
		}
	}
	require.Fail(t, "no such shape", "%s of %q", class, field)
	return shape{}
}

// measured is the longest line of a dimension, in CSS pixels along each axis.
func measured(t *testing.T, shapes []shape, field string) (x, y float64) {
	t.Helper()
	for _, s := range shapes {
		if s.field == field && s.class == "thin" && len(s.points) == 2 {
			dx, dy := math.Abs(s.points[1].x-s.points[0].x), math.Abs(s.points[1].y-s.points[0].y)
			if slices.Contains([]string{"throw.to_focus", "sound.distance", "drop.nozzle"}, field) == (dx > dy) {
				x, y = max(x, dx), max(y, dy)
			}
		}
	}
	return x, y
}

// rounding is by how much a length between two coordinates of one decimal may be off, in CSS pixels.
const rounding = 0.1 + 1e-9

// TestOneScale: lengths along both axes, and the scale bar, have one scale.
func TestOneScale(t *testing.T) {
	for _, c := range []struct {
		set    shot.Set
		across string // a length along x, and one along y
		wide   float64
		up     string
		high   float64
	}{
		{set(t, "drop", "drop.height", "3 cm", "drop.beam", "1.5 cm", "drop.nozzle", "4 mm", "drop.pool_depth", "1 cm"),
			"drop.nozzle", 4e-3, "drop.height", 0.03},
		{set(t, "drop", "drop.height", "3 cm", "drop.beam", "1.5 cm", "drop.nozzle", "4 mm", "drop.pool_depth", "1 cm"),
			"drop.nozzle", 4e-3, "drop.pool_depth", 0.01},
		{set(t, "drop"), "", 0, "drop.beam", 0.05},
		{set(t, "throw"), "throw.to_focus", 0.8, "throw.above_floor", 1},
		{set(t, "throw", "throw.angle", "60 deg", "throw.to_focus", "60 cm", "throw.above_floor", "50 cm"),
			"throw.to_focus", 0.6, "throw.above_floor", 0.5},
		{set(t, "sound", "sound.distance", "7.5 m"), "sound.distance", 7.5, "", 0},
	} {
		for _, width := range []float64{MinWidth, PhoneWidth, MaxWidth} {
			d := Draw(c.set, Options{Width: float64(width)})
			shapes, texts := read(t, d.SVG)
			if c.across != "" {
				x, _ := measured(t, shapes, c.across)
				assert.InDelta(t, c.wide*d.Scale, x, rounding, "%s at %v", c.across, width)
			}
			if c.up != "" {
				_, y := measured(t, shapes, c.up)
				assert.InDelta(t, c.high*d.Scale, y, rounding, "%s at %v", c.up, width)
			}
			bar := find(t, shapes, "", "scale").points
			said := phys.Length(0)
			for _, text := range texts {
				if l, err := phys.ParseLength(strings.ReplaceAll(text, "\u00a0", " ")); err == nil &&
					math.Abs(float64(l)*d.Scale-(bar[2].x-bar[1].x)) <= rounding {
					said = l
				}
			}
			assert.NotZero(t, said, "the scale bar of %v has another length than it says: %q", bar, texts)
		}
	}
}

// TestThrowPath holds the way of a heavy throw, which air hardly slows down, against the parabola, and its ends against
// the gate and the focus spot.
func TestThrowPath(t *testing.T) {
	for _, angle := range []float64{-50, 0, 20, 60} {
		s := set(t, "throw", "throw.mass", "20 cm", "throw.gate", "30 cm", "throw.angle", fmt.Sprint(angle, " deg"),
			"throw.above_floor", "2 m")
		d := Draw(s, Options{Width: 700})
		shapes, _ := read(t, d.SVG)
		var ways [][]point
		for _, sh := range shapes {
			if sh.class == "way" {
				ways = append(ways, sh.points)
			}
		}
		require.Len(t, ways, 2, "from gate to second beam, and on to the focus spot")
		second := ways[1][0]
		const v = 4.5
		sin, cos := math.Sincos(angle * math.Pi / 180)
		for _, p := range append(ways[0], ways[1]...) {
			x, y := (p.x-second.x)/d.Scale, (second.y-p.y)/d.Scale
			want := x*sin/cos - phys.Gravity*x*x/(2*v*v*cos*cos)
			assert.InDelta(t, want, y, 2*rounding/d.Scale+0.004, "%v°, %.2f m from the second beam", angle, x)
		}
		end := ways[1][len(ways[1])-1]
		assert.InDelta(t, 0.8*d.Scale, end.x-second.x, rounding)
		assert.InDelta(t, 0, distance(end, find(t, shapes, "", "focus").points[0]), rounding, "ends at the focus spot")
		assert.InDelta(t, 0, distance(end, find(t, shapes, "", "moment").points[0]), 2*rounding, "and so does the moment")
		assert.InDelta(t, 0.3*d.Scale, distance(ways[0][0], second), 2*rounding, "begins at the first beam")
	}
}

// fallTimes bound the time of a fall from rest: without air, and with a drag that lets it fall no faster than a drop of
// 3 mm does by R. Gunn and G. D. Kinzer, J. Meteorology 6 (1949) 243-248: 8.06 m/s. That of 4.5 mm is slowed down less.
func fallTimes(h float64) (least, most float64) {
	const terminal = 8.06
	most = terminal / phys.Gravity * math.Acosh(math.Exp(h*phys.Gravity/(terminal*terminal)))
	return math.Sqrt(2 * h / phys.Gravity), most
}

var momentWords = regexp.MustCompile(`The moment: ([\d.]+).ms after the beam`)

// TestDropMoment holds the moment of contact against free fall, and the mark of one that a trim has made earlier
// against how far the drop has fallen by then.
func TestDropMoment(t *testing.T) {
	for _, h := range []float64{0.1, 0.4, 1} {
		s := set(t, "drop", "drop.phase", "contact", "drop.beam", "2 cm", "drop.height", fmt.Sprint(h, " m"))
		// From 3 mm its lowest point falls as if released 7.4 mm below the tip: package splash has the check.
		const release = 7.4e-3
		least, most := fallTimes(h - release)
		leastToBeam, mostToBeam := fallTimes(0.02 - release)
		for _, trim := range []phys.Time{0, -0.03} {
			s.Trim.Drop = trim
			d := Draw(s, Options{Width: 400})
			m := momentWords.FindStringSubmatch(strings.Join(d.Text, " "))
			require.NotNil(t, m, d.Text)
			said, err := strconv.ParseFloat(m[1], 64)
			require.NoError(t, err)
			assert.GreaterOrEqual(t, said, 1e3*(least-mostToBeam+float64(trim))-0.05)
			assert.LessOrEqual(t, said, 1e3*(most-leastToBeam+float64(trim))+0.05)

			shapes, _ := read(t, d.SVG)
			at := find(t, shapes, "", "moment").points[0]
			fallen := (at.y - tipY) / d.Scale
			// The drop gets from there to the water in as long as the trim has taken away.
			v := math.Sqrt(2 * phys.Gravity * (h - release))
			left := -float64(trim)*v - phys.Gravity*float64(trim*trim)/2
			assert.InDelta(t, h-left, fallen, rounding/d.Scale+left*(most/least-1)*2, "fall of %v m with a trim of %v", h, trim)
			assert.Equal(t, trim < 0, strings.Contains(strings.Join(d.Text, " "), "still in the air"))
		}
	}
}

// TestSoundThatComesTooLate marks the distance, and shows how far the sound has come.
func TestSoundThatComesTooLate(t *testing.T) {
	d := Draw(set(t, "sound", "sound.after", "2 ms"), Options{})
	shapes, texts := read(t, d.SVG)
	front := find(t, shapes, "", "way").points[0]
	// 343.2 m/s at 20 °C: O. Cramer, J. Acoust. Soc. Am. 93 (1993) 2510, dry air, as rounded in handbooks.
	assert.InDelta(t, 343.2*2e-3, (front.x-find(t, shapes, "", "focus").points[0].x)/d.Scale, 0.003)
	assert.Contains(t, d.SVG, `class="dim wrong" data-field="sound.distance"`)
	assert.Contains(t, texts, wrongWords)
}

// TestWhatCannotWork: the distance to blame is marked by words and lines, and what can be known is drawn.
func TestWhatCannotWork(t *testing.T) {
	for _, c := range []struct {
		set   shot.Set
		field string
		words string
	}{
		{set(t, "drop", "drop.beam", "45 cm"), "drop.beam", "at or below the surface"},
		{set(t, "drop", "drop.beam", "2 mm"), "drop.beam", "would break a beam"},
		{set(t, "throw", "throw.speed_low", "1 m/s"), "throw.speed_low", "short of the focus spot"},
		{set(t, "throw", "throw.speed_low", "1 m/s", "throw.speed_high", "1.5 m/s", "throw.to_focus", "3 m"),
			"throw.speed_low", "short of the focus spot"},
		{set(t, "throw", "throw.speed_low", "6 m/s"), "throw.speed_low", "too close"},
	} {
		d := Draw(c.set, Options{})
		_, texts := read(t, d.SVG)
		assert.Regexp(t, `class="dim( apart)? wrong" data-field="`+c.field+`"`, d.SVG)
		assert.Contains(t, texts, wrongWords)
		assert.Contains(t, strings.ReplaceAll(strings.Join(d.Text, " "), "\u00a0", " "), c.words)
		assert.Contains(t, style, ".wrong path{stroke-width:2;stroke-dasharray")
	}
	works := Draw(set(t, "drop"), Options{})
	assert.NotContains(t, works.SVG, wrongWords)
	given := Draw(set(t, "drop"), Options{Problem: Problem{"drop.height", "the camera is too slow; raise the nozzle"}})
	assert.Regexp(t, `wrong" data-field="drop.height"`, given.SVG)
	assert.Contains(t, given.SVG, "This set cannot work: The camera is too slow; raise the nozzle.")
}

// TestBreaksAndEnlargements: what is not to scale is underlined and said, and what is to scale is not.
func TestBreaksAndEnlargements(t *testing.T) {
	apart := func(s shot.Set, field string) bool {
		svg := Draw(s, Options{}).SVG
		m := regexp.MustCompile(`class="(dim[a-z ]*)" data-field="` + regexp.QuoteMeta(field) + `"`).FindStringSubmatch(svg)
		require.NotNil(t, m, field)
		return strings.Contains(m[1], "apart")
	}
	usual, thrown := set(t, "drop"), set(t, "throw")
	for _, field := range []string{"drop.height", "drop.beam", "drop.pool_depth"} {
		assert.False(t, apart(usual, field), field)
	}
	for _, field := range []string{"throw.to_focus", "throw.above_floor"} {
		assert.False(t, apart(thrown, field), field)
	}
	assert.True(t, apart(usual, "drop.nozzle"), "3 mm beside 40 cm")
	near := shot.DefaultSet()
	near.Kind = shot.Throw
	for _, field := range []string{"throw.to_focus", "throw.gate"} {
		assert.False(t, apart(near, field), "%s of the usual throw", field)
	}
	assert.True(t, apart(set(t, "drop", "drop.beam", "6 mm", "drop.height", "2 m"), "drop.beam"))
	assert.True(t, apart(set(t, "drop", "drop.pool_depth", "1 m", "drop.height", "5 cm"), "drop.pool_depth"))
	assert.True(t, apart(set(t, "throw", "throw.gate", "5 mm"), "throw.gate"))
	assert.True(t, apart(set(t, "throw", "throw.gate", "1 m", "throw.to_focus", "10 cm"), "throw.gate"))
	assert.True(t, apart(set(t, "throw", "throw.above_floor", "5 m", "throw.to_focus", "10 cm"), "throw.above_floor"))
	assert.Contains(t, Draw(usual, Options{}).SVG, "Underlined: not to scale.")
	assert.NotContains(t, Draw(set(t, "sound"), Options{}).SVG, "not to scale")
}

// TestForPage: each distance can be reached and pressed, and has a name; the file has a style of its own instead.
func TestForPage(t *testing.T) {
	page, file := Draw(set(t, "drop"), Options{ForPage: true}), Draw(set(t, "drop"), Options{})
	assert.Contains(t, page.SVG, `data-field="drop.height" role="button" tabindex="0" `+
		`aria-label="40`+"\u00a0"+`cm height of fall: change"`)
	assert.NotContains(t, page.SVG, "<style")
	assert.NotContains(t, page.SVG, "style=")
	assert.Contains(t, file.SVG, "<style>")
	assert.NotContains(t, file.SVG, "tabindex")
	still := Draw(set(t, "drop"), Options{ForPage: true, ReadOnly: true})
	assert.Contains(t, still.SVG, `role="img" aria-label="Side elevation of the set: `+svg.Escape(still.Text[0]))
	assert.NotContains(t, still.SVG, "button")
	assert.NotContains(t, still.SVG, " id=")
	for _, kind := range shot.Kinds() {
		d := Draw(set(t, kind), Options{ForPage: true})
		assert.Less(t, len(d.SVG), 8<<10, "%s: a phone gets it with each change", kind)
		targets := regexp.MustCompile(`class="hit" x="[^"]*" y="[^"]*" width="([\d.]+)" height="([\d.]+)"`).
			FindAllStringSubmatch(d.SVG, -1)
		assert.Len(t, targets, map[shot.Kind]int{"drop": 5, "throw": 7, "sound": 3, "drops": 5}[kind])
		for _, m := range targets {
			for _, side := range m[1:] {
				// A page of 390 CSS pixels has 358 for a drawing of 360.
				size, err := strconv.ParseFloat(side, 64)
				require.NoError(t, err)
				assert.GreaterOrEqual(t, size*358/360, 44.0)
			}
		}
	}
}

// TestTexts: what was typed cannot become markup, and no number can lose its unit at a line's end.
func TestTexts(t *testing.T) {
	s := set(t, "drop")
	s.Drop.Liquid = `<script>&"'`
	d := Draw(s, Options{Problem: Problem{Words: `<b onclick="x">& 4 cm`}})
	read(t, d.SVG)
	assert.NotContains(t, d.SVG, "<b")
	assert.NotContains(t, d.SVG, "<script")
	assert.Contains(t, d.SVG, "4\u00a0cm")
}

// TestWrap: lines are as wide as they may be at most, and nothing is lost.
func TestWrap(t *testing.T) {
	for _, words := range []string{"", "one", "a few short words", strings.Repeat("w", 300) + " and more",
		"x " + strings.Repeat("long ", 100)} {
		lines := svg.Wrap(words, noteSize, 120)
		for _, line := range lines {
			assert.LessOrEqual(t, svg.Width(line, noteSize), 120.0)
		}
		assert.Equal(t, strings.ReplaceAll(words, " ", ""), strings.ReplaceAll(strings.Join(lines, ""), " ", ""))
	}
	assert.Equal(t, []string{"two", "words"}, svg.Wrap("two words", noteSize, 45))
}

// random is a set whose fields are each valid, anywhere in their ranges by their logarithms, mostly.
func random(t *testing.T, rng *rand.Rand) shot.Set {
	t.Helper()
	s := shot.DefaultSet()
	put := func(field, value string) { require.NoError(t, s.Put(field, value), field) }
	between := func(low, high float64) float64 {
		if rng.IntN(8) == 0 {
			return []float64{low, high}[rng.IntN(2)]
		}
		x := low * math.Pow(high/low, rng.Float64())
		if rng.IntN(2) == 0 {
			x, _ = strconv.ParseFloat(strconv.FormatFloat(x, 'g', 2, 64), 64)
		}
		return clamp(x, low, high)
	}
	inMm := func(low, high float64) string { return strconv.FormatFloat(between(low, high), 'g', -1, 64) + " mm" }
	s.Kind = shot.Kinds()[rng.IntN(4)]
	put("drop.height", inMm(10, 5000))
	put("drop.beam", inMm(1, 5000))
	put("drop.nozzle", inMm(0.1, 10))
	if rng.IntN(2) == 0 {
		put("drop.diameter", inMm(0.1, 10))
	}
	put("drop.phase", string(splash.Phases()[rng.IntN(6)]))
	put("drop.pool_depth", inMm(1, 1000))
	put("drops.height", inMm(10, 5000))
	put("drops.beam", inMm(1, 5000))
	put("drops.tip", inMm(0.1, 10))
	put("drops.pool_depth", inMm(1, 1000))
	put("drops.meet", inMm(1, 100))
	put("drops.first.open", strconv.FormatFloat(between(1, 100), 'g', -1, 64)+" ms")
	put("drops.from", []string{"beam", "valve"}[rng.IntN(2)])
	put("throw.gate", inMm(5, 1000))
	put("throw.to_focus", inMm(10, 5000))
	put("throw.angle", fmt.Sprintf("%.4f deg", rng.Float64()*140-70))
	low, high := between(0.1, 20), between(0.1, 20)
	s.Throw.SpeedLow, s.Throw.SpeedHigh = phys.Speed(min(low, high)), phys.Speed(max(low, high))
	put("throw.mass", inMm(2, 200))
	put("throw.above_floor", inMm(1, 5000))
	put("sound.distance", inMm(10, 100_000))
	put("sound.temperature", fmt.Sprintf("%.2f C", rng.Float64()*70-20))
	put("sound.after", strconv.FormatFloat(between(0.01, 10_000), 'g', -1, 64)+" ms")
	if rng.IntN(2) == 0 {
		trim := phys.Time(rng.NormFloat64() * 0.1)
		s.Trim = shot.TrimSet{Drop: trim, Throw: trim, Sound: trim}
	}
	return s
}

func overlap(a, b box) bool {
	return a.x < b.x+b.wide-1e-6 && b.x < a.x+a.wide-1e-6 && a.y < b.y+b.high-1e-6 && b.y < a.y+a.high-1e-6
}

// checkSheet: no words overlap others, and all is inside.
func checkSheet(t *testing.T, s shot.Set, d Drawing) {
	t.Helper()
	for i, a := range d.boxes {
		for _, b := range d.boxes[:i] {
			require.False(t, overlap(a, b), "words overlap: %+v and %+v at %v for %+v", a, b, d.Width, s)
		}
	}
	for _, b := range append(d.boxes, d.drawn) {
		require.True(t, b.x >= 0 && b.y >= 0 && b.x+b.wide <= d.Width && b.y+b.high <= d.Height,
			"%+v is outside %v by %v for %+v", b, d.Width, d.Height, s)
	}
}

// TestNothingOverlaps draws thousands of sets, most of which cannot work, at many widths.
func TestNothingOverlaps(t *testing.T) {
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	works := 0
	for range 3000 {
		s := random(t, rng)
		d := Draw(s, Options{Width: MinWidth + rng.Float64()*(MaxWidth-MinWidth), ForPage: rng.IntN(2) == 0})
		checkSheet(t, s, d)
		assert.Positive(t, d.Scale)
		assert.NotContains(t, d.SVG, `middle">?<`, "a value is not shown for its length: %+v", s)
		if strings.Contains(d.SVG, `class="moment"`) {
			works++
		}
	}
	assert.Greater(t, works, 300, "sets that work")
}

// TestThrowThatRisesBetweenTheBeams: thrown steeply upward, it passes the second beam on its way down.
func TestThrowThatRisesBetweenTheBeams(t *testing.T) {
	s := shot.DefaultSet()
	s.Kind = shot.Throw
	s.Throw.Gate, s.Throw.ToFocus, s.Throw.Angle = 0.045, 0.01, -45.8912*math.Pi/180
	s.Throw.SpeedLow, s.Throw.SpeedHigh, s.Throw.Mass, s.Throw.AboveFloor = 0.28, 0.99, 0.06, 0.026
	for width := MinWidth; width <= MaxWidth; width += 20 {
		checkSheet(t, s, Draw(s, Options{Width: float64(width)}))
	}
}

// FuzzDraw: whatever a set has, the drawing is one, and in order.
func FuzzDraw(f *testing.F) {
	f.Add("throw", 0.1, 0.8, 0.35, 3.0, 6.0, 1.0, 0.4)
	f.Add("drop", math.NaN(), math.Inf(1), -1.0, 0.0, 1e308, -1e308, 5e-324)
	f.Add("\x1b\xff<&", 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
	f.Add("sound", 0.0, math.Inf(-1), 1.5, 1.0, 1.0, 1.0, 1.0)
	f.Add("throw", -92.9, 0.8, 0.35, 3.0, -0.2111111111111111, 1.0, 0.4)
	f.Fuzz(func(t *testing.T, kind string, a, b, c, d, e, g, h float64) {
		kind = kind[:min(len(kind), 500)]
		s := shot.DefaultSet()
		s.Kind, s.Drop.Liquid, s.Drop.Phase = shot.Kind(kind), kind, splash.Phase(kind)
		s.Drop.Height, s.Drop.Beam, s.Drop.Nozzle = phys.Length(a), phys.Length(b), phys.Length(c)
		s.Drop.Diameter, s.Drop.PoolDepth = phys.Length(d), phys.Length(e)
		s.Throw = shot.ThrowSet{Gate: phys.Length(a), ToFocus: phys.Length(b), Angle: phys.Angle(c), SpeedLow: phys.Speed(d),
			SpeedHigh: phys.Speed(e), Mass: phys.Length(g), AboveFloor: phys.Length(h)}
		s.Sound = shot.SoundSet{Distance: phys.Length(a), Temperature: phys.Temperature(b), After: phys.Time(c)}
		s.Trim.Throw = phys.Time(g)
		drawing := Draw(s, Options{Width: h, Interval: phys.Time(g), Problem: Problem{kind, kind}})
		for _, number := range []string{"NaN", "Inf"} {
			shapes := regexp.MustCompile(`<text.*`).ReplaceAllString(drawing.SVG[strings.Index(drawing.SVG, "</desc>"):], "")
			if strings.Contains(shapes, number) {
				t.Fatalf("%s in %s", number, shapes)
			}
		}
		checkSheet(t, s, drawing)
		read(t, drawing.SVG)
	})
}

func BenchmarkDraw(b *testing.B) {
	for _, kind := range shot.Kinds() {
		s := shot.DefaultSet()
		s.Kind = kind
		b.Run(string(kind), func(b *testing.B) {
			for b.Loop() {
				Draw(s, Options{ForPage: true})
			}
		})
	}
}
