package drawing

import (
	"encoding/xml"
	"errors"
	"io"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/lighting"
	"stillwater/internal/shot"
)

func report(t *testing.T, kind shot.Kind, puts ...string) lighting.Report {
	t.Helper()
	set := shot.DefaultSet()
	set.Kind = kind
	set = lighting.Practice(set)
	for i := 0; i < len(puts); i += 2 {
		require.NoError(t, set.Put(puts[i], puts[i+1]))
	}
	r, err := lighting.Judge(set)
	require.NoError(t, err)
	return r
}

// Each drawing of many sets is well-formed, within its sheet, and says the same in words.
func TestDrawings(t *testing.T) {
	for _, kind := range shot.Kinds() {
		for _, puts := range [][]string{
			{}, {"camera.print", "2 cm"}, {"camera.sensor_height", "20 cm"}, {"background.width", "5 cm"},
			{"background.black_width", "80 cm"}, {"camera.aperture", "f/1.4"}, {"camera.distance", "20 m"},
			{"flash.figures", "none"}, {"background.distance", "20 m"}, {"drop.liquid", "milk"}, {"flash.distance", "8 m"},
			{"flash.figures", "1/1 1/8000 s"}, {"background.rim", "0.5"}, {"camera.turn", "45°"},
		} {
			r := report(t, kind, puts...)
			for _, name := range Names() {
				for _, forPage := range []bool{true, false} {
					d := Draw(name, r, forPage)
					checkSheet(t, d.SVG)
					assert.NotEmpty(t, d.Title)
					assert.Contains(t, d.SVG, d.Title)
					assert.Greater(t, len(d.Words), 30)
					assert.NotContains(t, d.SVG+d.Words, "NaN")
					assert.NotContains(t, d.SVG+d.Words, "Inf")
					if forPage {
						assert.NotContains(t, d.SVG, "<style", "the page's policy allows none")
						assert.Contains(t, d.SVG, `role="img" aria-label="`+d.Title)
					}
				}
			}
		}
	}
}

var pathNumbers = regexp.MustCompile(`[ML](-?[0-9.]+) (-?[0-9.]+)`)

// checkSheet reads the SVG and holds what it draws to the sheet.
func checkSheet(t *testing.T, svg string) {
	t.Helper()
	decoder := xml.NewDecoder(strings.NewReader(svg))
	high := 0.0
	within := func(x, y string) {
		h, errX := strconv.ParseFloat(x, 64)
		v, errY := strconv.ParseFloat(y, 64)
		require.NoError(t, errors.Join(errX, errY))
		require.True(t, h >= -1 && h <= width+1 && v >= -1 && v <= high+1, "%s, %s is off a sheet of %v: %s", x, y, high, svg)
	}
	for {
		token, err := decoder.Token()
		if errors.Is(err, io.EOF) {
			return
		}
		require.NoError(t, err)
		e, is := token.(xml.StartElement)
		if !is {
			continue
		}
		has := map[string]string{}
		for _, a := range e.Attr {
			has[a.Name.Local] = a.Value
		}
		switch e.Name.Local {
		case "svg":
			high, err = strconv.ParseFloat(strings.Fields(has["viewBox"])[3], 64)
			require.NoError(t, err)
		case "text":
			within(has["x"], has["y"])
		case "circle", "ellipse":
			within(has["cx"], has["cy"])
		case "path":
			if has["transform"] == "" {
				for _, m := range pathNumbers.FindAllStringSubmatch(has["d"], -1) {
					within(m[1], m[2])
				}
			}
		}
	}
}

// attribute is a number of the n-th element of a kind.
func attribute(t *testing.T, svg, element, name string, n int) float64 {
	t.Helper()
	all := regexp.MustCompile(`<`+element+`[^>]* `+name+`="(-?[0-9.]+)"`).FindAllStringSubmatch(svg, -1)
	require.Greater(t, len(all), n)
	x, err := strconv.ParseFloat(all[n][1], 64)
	require.NoError(t, err)
	return x
}

// The frame is to scale: the liquid's share of its width is the drawn one.
func TestFrameToScale(t *testing.T) {
	r := report(t, shot.Drop)
	svg := Draw(Frame, r, true).SVG
	drawn := 2 * attribute(t, svg, "ellipse", "rx", 0) / attribute(t, svg, "rect", "width", 0)
	assert.InDelta(t, float64(r.Subject.Size/r.Wide), drawn, 0.002)
}

// What is sharp is as deep, against the liquid, as it is.
func TestDepthToScale(t *testing.T) {
	r := report(t, shot.Drop)
	svg := Draw(Depth, r, true).SVG
	drawn := attribute(t, svg, "rect", "width", 0) / (2 * attribute(t, svg, "ellipse", "rx", 0))
	assert.InEpsilon(t, float64((r.Far-r.Near)/r.Subject.Size), drawn, 0.01)
}

// A shorter light moves the point down, and a slower one does not; unknown, there is none.
func TestPointFollowsTheSet(t *testing.T) {
	at := func(puts ...string) (x, y float64) {
		svg := Draw(Duration, report(t, shot.Throw, puts...), true).SVG
		return attribute(t, svg, "circle", "cx", 0), attribute(t, svg, "circle", "cy", 0)
	}
	x, y := at()
	sameX, lower := at("flash.figures", "1/16 1/20000 s")
	assert.Equal(t, x, sameX)
	assert.InDelta(t, 230./3, lower-y, 0.2, "ten times shorter, of three decades on 230 px")
	faster, sameY := at("throw.speed_low", "12 m/s", "throw.speed_high", "19 m/s")
	assert.Greater(t, faster, x)
	assert.Equal(t, y, sameY)
	assert.NotContains(t, Draw(Duration, report(t, shot.Throw, "flash.figures", "none"), true).SVG, "<circle")
}

// Words and drawing name the distances of the plan.
func TestPlanNamesItsDistances(t *testing.T) {
	d := Draw(Plan, report(t, shot.Drop, "background.distance", "70 cm", "flash.distance", "45 cm",
		"background.black_width", "30 cm"), false)
	for _, says := range []string{"70\u00a0cm", "45\u00a0cm", "43 to 68\u00a0degrees", "30\u00a0cm each side"} {
		assert.Contains(t, d.Words, says)
	}
}

// Each flash of several stands in the plan, at its own distance.
func TestPlanHasEachFlash(t *testing.T) {
	others := "20 m, 1/16, 70 cm; 20 m, 1/16, 90 cm; 20 m, 1/16, 1 m; 20 m, 1/16, 2 m; 20 m, 1/16, 30 cm"
	d := Draw(Plan, report(t, shot.Drop, "flash.others", others), true)
	checkSheet(t, d.SVG)
	assert.Equal(t, 6, strings.Count(d.SVG, "<circle"))
	for _, says := range []string{"flash 1 at 50\u00a0cm", "flash 2 at 70\u00a0cm",
		"flash 4 at 1\u00a0m", "flash 6 at 30\u00a0cm"} {
		assert.Contains(t, d.Words, says)
	}
}

// No label in the plan is on another, or on a flash, wherever flashes and camera stand.
func TestPlanLabelsAreApart(t *testing.T) {
	text := regexp.MustCompile(`<text[^>]* x="([0-9.]+)" y="([0-9.]+)">([^<]*)</text>`)
	lamp := regexp.MustCompile(`<circle[^>]* cx="([0-9.]+)" cy="([0-9.]+)"`)
	number := func(text string) float64 {
		x, err := strconv.ParseFloat(text, 64)
		require.NoError(t, err)
		return x
	}
	for _, kind := range []shot.Kind{shot.Drop, shot.Throw} {
		for _, others := range []string{"none", "20 m, 1/16, 60 cm", "20 m, 1/16, 60 cm; 20 m, 1/16, 1 m",
			"20 m, 1/16, 70 cm; 20 m, 1/16, 90 cm; 20 m, 1/16, 1 m; 20 m, 1/16, 2 m; 20 m, 1/16, 30 cm"} {
			plan := Draw(Plan, report(t, kind, "flash.others", others), true).SVG
			var boxes []box
			for _, found := range lamp.FindAllStringSubmatch(plan, -1) {
				boxes = append(boxes, around(point{number(found[1]), number(found[2])}, 11, 11))
			}
			for _, found := range text.FindAllStringSubmatch(plan, -1) {
				label := boxOf(point{number(found[1]), number(found[2])}, found[3])
				assert.False(t, label.meets(boxes), "%s of a %s with %s", found[3], kind, others)
				boxes = append(boxes, label)
			}
		}
	}
}
