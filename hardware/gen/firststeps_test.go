package main

import (
	"encoding/xml"
	"fmt"
	"io"
	"maps"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/hardware/head"
	"stillwater/internal/svg"
)

// pictureText is a text of a picture: its words and where they stand.
type pictureText struct {
	X      float64 `xml:"x,attr"`
	Y      float64 `xml:"y,attr"`
	Anchor string  `xml:"text-anchor,attr"`
	Class  string  `xml:"class,attr"`
	Words  string  `xml:",chardata"`
}

// box is what the text covers at most: from left to right, from top to bottom.
func (t pictureText) box() (left, right, top, bottom float64) {
	size := map[bool]float64{true: 4.4, false: 3.2}[t.Class == "title"]
	wide := svg.Width(t.Words, size)
	if t.Class != "" {
		wide *= 1.15 // bold
	}
	left = t.X - wide*map[string]float64{"middle": 0.5, "end": 1}[t.Anchor]
	return left, left + wide, t.Y - 0.75*size, t.Y + 0.2*size
}

// pictureTexts reads a picture's texts and its height.
func pictureTexts(t *testing.T, picture string) (all []pictureText, high float64) {
	t.Helper()
	for x := xml.NewDecoder(strings.NewReader(picture)); ; {
		token, err := x.Token()
		if err == io.EOF {
			return all, high
		}
		require.NoError(t, err)
		start, is := token.(xml.StartElement)
		switch {
		case is && start.Name.Local == "svg":
			var wide float64
			_, err = fmt.Sscanf(attribute(start, "viewBox"), "0 0 %g %g", &wide, &high)
			require.NoError(t, err)
			require.Equal(t, fmt.Sprintf("%gmm", wide), attribute(start, "width"), "its unit is a millimetre")
		case is && start.Name.Local == "text":
			var one pictureText
			require.NoError(t, x.DecodeElement(&one, &start))
			all = append(all, one)
		}
	}
}

// edge is a line of a picture, or a side of a rectangle.
type edge struct{ x0, y0, x1, y1 float64 }

// crosses reports whether any of the line is inside a box.
func (e edge) crosses(left, right, top, bottom float64) bool {
	from, to := 0.0, 1.0 // the part of the line that is in the box
	for _, c := range [][4]float64{{e.x0, e.x1, left, right}, {e.y0, e.y1, top, bottom}} {
		at, way := c[0], c[1]-c[0]
		if way == 0 {
			if at <= c[2] || at >= c[3] {
				return false
			}
			continue
		}
		a, b := (c[2]-at)/way, (c[3]-at)/way
		from, to = max(from, min(a, b)), min(to, max(a, b))
	}
	return from < to
}

// pictureEdges reads the lines of a picture and the sides of its rectangles but the sheet's and those of no line.
func pictureEdges(t *testing.T, picture string) (all []edge) {
	t.Helper()
	for x := xml.NewDecoder(strings.NewReader(picture)); ; {
		token, err := x.Token()
		if err == io.EOF {
			return all
		}
		require.NoError(t, err)
		start, is := token.(xml.StartElement)
		if !is || attribute(start, "class") == "light" || attribute(start, "width") == "100%" {
			continue
		}
		value := func(name string) float64 { return number(t, attribute(start, name)) }
		switch start.Name.Local {
		case "line":
			all = append(all, edge{value("x1"), value("y1"), value("x2"), value("y2")})
		case "rect":
			x, y, r, b := value("x"), value("y"), value("x")+value("width"), value("y")+value("height")
			all = append(all, edge{x, y, r, y}, edge{x, b, r, b}, edge{x, y, x, b}, edge{r, y, r, b})
		}
	}
}

func attribute(e xml.StartElement, name string) string {
	for _, a := range e.Attr {
		if a.Name.Local == name {
			return a.Value
		}
	}
	return ""
}

// The pictures of the first build's steps say of each lead, leg and pin what the guide's table of holes says, which is
// made from where they stand, and the guide shows each at its step.
func TestFirstBuildsPictures(t *testing.T) {
	pictures, err := firstPictures(design(t))
	require.NoError(t, err)
	guide := read(t, "FIRST.md")
	steps := map[string]string{}
	for _, m := range regexp.MustCompile(`(?m)^(\d)\. (?:.*\n)(?:(?: {2,}.*)?\n)*`).FindAllStringSubmatch(guide, -1) {
		steps[m[1]] = m[0]
	}
	said := ""
	for name, picture := range pictures {
		number := strings.TrimSuffix(strings.TrimPrefix(name, "first-step-"), ".svg")
		assert.Contains(t, steps[number], "](generated/"+name+")")
		said += picture
	}
	leads := regexp.MustCompile(`(?m)^\| lead ([A-Z]) \| ([^|]*) \|`).FindAllStringSubmatch(guide, -1)
	require.Len(t, leads, 2*16)
	for _, m := range leads {
		net := m[2][strings.LastIndexAny(m[2], " (")+1:]
		assert.Contains(t, said, "lead "+m[1]+", "+strings.TrimSuffix(net, ")"), m[0])
	}
	for _, want := range []string{"1 3.3 V: lead B, VIO, step 4", "2 5 V: lead A, V5_IN, step 3",
		"6 GND: lead C, GND, step 3", "13 GPIO27: lead D, BEAM, step 7", "18 GPIO24: lead F, FLASH1, step 7",
		"17 3.3 V: lead F, only to try it, steps 6 and 8",
		"29 GPIO5: lead E, KILL, step 7"} {
		assert.Contains(t, pictures["first-step-3.svg"], ">"+want+"<")
	}
	for _, number := range []string{"6", "8"} {
		assert.Regexp(t, `pin 17`, steps[number], "where lead F gets its 3.3 V by hand")
	}
	assert.Regexp(t, `5 V is pin 2 of its header, GND pin 6`, strings.Join(strings.Fields(steps["3"]), " "))
	assert.Regexp(t, `3.3 V, pin 1 of the header`, strings.Join(strings.Fields(steps["4"]), " "))
	assert.Regexp(t, `(?s)BEAM, KILL and FLASH1 to the controller`, steps["7"])
	for _, want := range []string{"Q902: C BEAM, B LIGHT, E GND", "Q903: C FLASH1_K, B FLASH1_B, E GND", "1 A: FLASH1_A",
		"2 K: FLASH1_K", "3 E: FL1_COM", "4 C: FL1_C", "ring: K FL1_C", "wiper: VIO"} {
		assert.Contains(t, pictures["first-step-2.svg"], want)
	}
	other := design(t)
	other.Board("first").Part("Q902").Pins["1"], other.Board("first").Part("SW901").Pins["4"] = "SET", "VIO"
	changed, err := firstPictures(other)
	require.NoError(t, err)
	assert.Contains(t, changed["first-step-2.svg"], "Q902: C SET")
	assert.Contains(t, changed["first-step-4.svg"], "lead J, VIO")
}

// Every word of the pictures is on its sheet, on no other word and on no line, in a wide font.
func TestSketchesCanBeRead(t *testing.T) {
	pictures, err := firstPictures(design(t))
	require.NoError(t, err)
	steps, err := sketchedSteps(design(t))
	require.NoError(t, err)
	maps.Copy(pictures, steps)
	for name, picture := range pictures {
		texts, high := pictureTexts(t, picture)
		edges := pictureEdges(t, picture)
		require.NotEmpty(t, edges, name)
		for i, one := range texts {
			left, right, top, bottom := one.box()
			inside := left >= 1 && right <= sketchWide-1 && top >= 1 && bottom <= high-1
			assert.True(t, inside, "%s: %q: %.1f to %.1f, %.1f to %.1f", name, one.Words, left, right, top, bottom)
			for _, edge := range edges {
				assert.Falsef(t, edge.crosses(left, right, top, bottom), "%s: %q lies on a line from %.1f, %.1f", name, one.Words,
					edge.x0, edge.y0)
			}
			for _, other := range texts[:i] {
				l, r, u, d := other.box()
				assert.Falsef(t, l < right && left < r && u < bottom && top < d, "%s: %q and %q", name, one.Words, other.Words)
			}
		}
	}
}

// So it is with the drawing of the full hardware's heads.
func TestHeadsCanBeRead(t *testing.T) {
	picture := head.Usual().SVG()
	texts, _ := pictureTexts(t, picture)
	edges := pictureEdges(t, picture)
	for i, one := range texts {
		left, right, top, bottom := one.box()
		for _, edge := range edges {
			assert.Falsef(t, edge.crosses(left, right, top, bottom), "%q lies on a line from %.1f, %.1f", one.Words, edge.x0,
				edge.y0)
		}
		for _, other := range texts[:i] {
			l, r, u, d := other.box()
			assert.Falsef(t, l < right && left < r && u < bottom && top < d, "%q and %q", one.Words, other.Words)
		}
	}
}

// The beam is drawn at true size: lenses, slit and distance are those that the table of the light is worked out with.
func TestFirstBuildsBeamIsToScale(t *testing.T) {
	pictures, err := firstPictures(design(t))
	require.NoError(t, err)
	b := head.First()
	picture := pictures["first-step-5.svg"]
	assert.Regexp(t, fmt.Sprintf(`<rect class="light" [^>]*width="%.2f" height="%.2f"/>`, b.Apart, head.TapeSlit), picture)
	assert.Contains(t, picture, fmt.Sprintf("%g mm from lens to lens", b.Apart))
	assert.Contains(t, read(t, "FIRST.md"), fmt.Sprintf("slit %g mm high", head.TapeSlit))
	assert.Contains(t, read(t, "FIRST.md"), fmt.Sprintf("%g cm from lens to lens", b.Apart/10))
}
