// Package drawing draws a set's light, focus and framing as SVG: the frame, the depth that is sharp and the plan of the
// lights from above, and how short the light has to be. Each has the same in words. They are drawn in the colour of the
// text around them, so that page and file share them.
package drawing

import (
	"fmt"
	"math"
	"strings"

	"stillwater/internal/lighting"
	"stillwater/internal/phys"
	"stillwater/internal/svg"
)

// Name is the name of a drawing.
type Name string

const (
	Frame    Name = "frame"    // the field of view, with the liquid and where it may be
	Depth    Name = "depth"    // what is sharp, from above, and where the liquid may be
	Plan     Name = "plan"     // camera, light, background and black from above
	Duration Name = "duration" // how short the light has to be, by speed
)

// Names lists the drawings.
func Names() []Name { return []Name{Frame, Depth, Plan, Duration} }

// Listed is their names in words.
func Listed() string { return fmt.Sprintf("%s, %s, %s or %s", Frame, Depth, Plan, Duration) }

// Drawing is a drawing as SVG, and the same in words for whoever does not see it.
type Drawing struct {
	Name  Name
	Title string
	Words string // the same in sentences
	SVG   string
}

// Draw draws one. forPage: it is to be part of a page, else it is a file on white paper. An unknown name gives the
// frame.
func Draw(name Name, r lighting.Report, forPage bool) Drawing {
	s := &sheet{}
	d := Drawing{Name: name}
	switch name {
	case Depth:
		d.Title = "What is sharp, from above"
		s.depth(r)
	case Plan:
		d.Title = "Lights and black panels, from above"
		s.plan(r)
	case Duration:
		d.Title = "How short the light has to be"
		s.duration(r)
	default:
		d.Name, d.Title = Frame, "The frame at the focus spot"
		s.frame(r)
	}
	d.Words = strings.Join(s.words, " ")
	d.SVG = s.svg(d, forPage)
	return d
}

// Measures in CSS pixels: a phone is about width wide, with letters that are read in the dark.
const (
	width  = 360.0
	margin = 10.0
	letter = 14.0
	line   = 19.0
)

// sheet is what is drawn on.
type sheet struct {
	strings.Builder
	bottom float64
	words  []string
}

// Ways to draw a line.
const (
	thin   = `stroke-width="1"`
	bold   = `stroke-width="2.5"`
	dashed = `stroke-width="1.5" stroke-dasharray="6 4"`
	dotted = `stroke-width="1" stroke-dasharray="2 4"`
)

type point struct{ x, y float64 }

func (s *sheet) lines(how string, points ...point) {
	to := "M"
	s.WriteString(`<path fill="none" stroke="currentColor" ` + how + ` d="`)
	for _, p := range points {
		s.WriteString(to + svg.Number(p.x) + " " + svg.Number(p.y))
		s.bottom = max(s.bottom, p.y)
		to = "L"
	}
	s.WriteString(`"/>`)
}

func (s *sheet) rect(how string, x, y, wide, high float64) {
	s.bottom = max(s.bottom, y+high)
	fmt.Fprintf(s, `<rect fill="none" stroke="currentColor" %s x="%s" y="%s" width="%s" height="%s"/>`, how, svg.Number(x),
		svg.Number(y), svg.Number(wide), svg.Number(high))
}

// shade fills a rectangle faintly.
func (s *sheet) shade(x, y, wide, high float64) {
	s.bottom = max(s.bottom, y+high)
	fmt.Fprintf(s, `<rect fill="currentColor" fill-opacity=".18" x="%s" y="%s" width="%s" height="%s"/>`, svg.Number(x),
		svg.Number(y), svg.Number(max(wide, 0)), svg.Number(max(high, 0)))
}

func (s *sheet) ellipse(how string, at point, rx, ry float64) {
	s.bottom = max(s.bottom, at.y+ry)
	fmt.Fprintf(s, `<ellipse fill="none" stroke="currentColor" %s cx="%s" cy="%s" rx="%s" ry="%s"/>`, how,
		svg.Number(at.x), svg.Number(at.y), svg.Number(max(rx, 1)), svg.Number(max(ry, 1)))
}

// dot is a filled circle.
func (s *sheet) dot(at point, radius float64) {
	fmt.Fprintf(s, `<circle fill="currentColor" cx="%s" cy="%s" r="%s"/>`, svg.Number(at.x), svg.Number(at.y),
		svg.Number(radius))
}

type anchor string

const (
	start  anchor = "start"
	middle anchor = "middle"
	end    anchor = "end"
)

// label writes words, kept within the sheet.
func (s *sheet) label(at point, a anchor, text string) {
	text = svg.KeepUnits(text)
	long := svg.Width(text, letter)
	left := at.x
	switch a {
	case middle:
		left -= long / 2
	case end:
		left -= long
	}
	left = max(min(left, width-margin-long), margin)
	s.bottom = max(s.bottom, at.y+5)
	fmt.Fprintf(s, `<text fill="currentColor" font-size="%s" x="%s" y="%s">%s</text>`, svg.Number(letter),
		svg.Number(left), svg.Number(at.y), svg.Escape(text))
}

// note says a sentence, in the words and below what is drawn.
func (s *sheet) note(format string, args ...any) {
	text := svg.KeepUnits(fmt.Sprintf(format, args...))
	s.words = append(s.words, text)
	for _, part := range svg.Wrap(text, letter, width-2*margin) {
		s.label(point{margin, s.bottom + line}, start, part)
	}
	s.bottom += 4
}

func (s *sheet) svg(d Drawing, forPage bool) string {
	high := s.bottom + margin
	open := fmt.Sprintf(`<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %s %s"`, svg.Number(width), svg.Number(high))
	if forPage {
		return fmt.Sprintf(`%s class="studio" role="img" aria-label="%s">%s</svg>`, open, svg.Escape(d.Title+". "+d.Words),
			s.String())
	}
	return fmt.Sprintf(`%s width="%s" height="%s" color="#222" font-family="system-ui, sans-serif" role="img" `+
		`aria-labelledby="title words"><title id="title">%s</title><desc id="words">%s</desc>`+
		`<rect fill="#fff" width="100%%" height="100%%"/>%s</svg>`,
		open, svg.Number(width), svg.Number(high), svg.Escape(d.Title), svg.Escape(d.Words), s.String())
}

// inLength writes a length to two digits.
func inLength(l phys.Length) string {
	if math.IsInf(float64(l), 0) {
		return "any distance"
	}
	return phys.Round(l, 2).String()
}

// withinSD is how many standard deviations to either side hold 9 of 10, and withinPlane is so for a place in a plane,
// with the same in each direction: exp(-x²/2) = 1/10.
const withinSD, withinPlane = 1.645, 2.146
