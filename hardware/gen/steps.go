package main

import (
	"fmt"
	"html"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"stillwater/hardware/circuit"
	"stillwater/hardware/layout"
)

// step is one step of the guide in which parts go in: whose sections, by board.
type step struct {
	number   int
	board    string
	sections []string
}

// steps are the guide's steps in order.
var steps = []step{
	{2, "outputs", []string{"power", "cutoff", "controller"}},
	{3, "outputs", []string{"kill"}},
	{4, "outputs", []string{"guard", "guard2", "rails"}},
	{5, "outputs", []string{"camera", "flash", "panel"}},
	{6, "outputs", []string{"valves"}},
	{7, "outputs", []string{"sync"}},
	{8, "sensors", []string{"controller", "beams"}},
	{9, "sensors", []string{"microphone"}},
	{10, "modulated", []string{"controller", "emitters", "reference", "receivers"}},
}

// stepPictures draws each step's board from the parts' side: what goes in now with its names, what is there already in
// grey.
func stepPictures(d *circuit.Design) (files, error) {
	out := files{}
	var earlier []step
	for _, s := range steps {
		b := d.Board(s.board)
		var before []string
		for _, e := range earlier {
			if e.board == s.board {
				before = append(before, e.sections...)
			}
		}
		now, err := partsOf(b, s.sections)
		if err != nil {
			return nil, err
		}
		there, err := partsOf(b, before)
		if err != nil {
			return nil, err
		}
		out[fmt.Sprintf("step-%d.svg", s.number)] = stepPicture(b, s.number, now, there)
		earlier = append(earlier, s)
	}
	return out, nil
}

// partsOf draws the parts of some sections on their board.
func partsOf(b *circuit.Board, sections []string) (string, error) {
	some := *b
	some.Parts = slices.DeleteFunc(slices.Clone(b.Parts), func(p *circuit.Part) bool {
		return !slices.Contains(sections, p.Section)
	})
	plan, err := layout.Place(&some)
	if err != nil {
		return "", fmt.Errorf("board %s: %w", b.Name, err)
	}
	return plan.PartsSide(), nil
}

// Lines of a plan that a step's picture leaves out: holes, the ruler and the words about the sheet, and for what is
// there already all words.
var (
	holeLine  = regexp.MustCompile(`(?m)^<(circle class="hole"|polyline class="edge"|text class="(title|grey)").*\n`)
	rulerLine = regexp.MustCompile(`(?m)^<text class="" [^>]*>Measure this.*\n`)
	textLine  = regexp.MustCompile(`(?m)^<text .*\n`)
	style     = regexp.MustCompile(`(?s)<style>.*?</style>`)
	sheet     = regexp.MustCompile(`<rect width="100%".*?/>\n`)
)

// solidRect is the board or a part's body, seen from above.
var solidRect = regexp.MustCompile(
	`<rect class="(edge|body)" x="([\d.]+)" y="([\d.]+)" width="([\d.]+)" height="([\d.]+)"/>`)

// sides draws the lower and the right side of each body and of the board, as one sees them a little from there: blocks
// instead of outlines. They go below everything else, so that they hide no word.
func sides(picture string) string {
	deep := map[string]float64{"edge": 1.6, "body": 0.8} // millimetres, chosen; the board's is its thickness
	var out strings.Builder
	for _, m := range solidRect.FindAllStringSubmatch(picture, -1) {
		var at [4]float64
		for i := range at {
			at[i], _ = strconv.ParseFloat(m[2+i], 64) // digits, by the pattern
		}
		x, y, r, b, d := at[0], at[1], at[0]+at[2], at[1]+at[3], deep[m[1]]
		fmt.Fprintf(&out, `<path d="M%.2f %.2f L%.2f %.2f L%.2f %.2f L%.2f %.2f L%.2f %.2f L%.2f %.2f z" `+
			`style="fill:#d0d0d0;stroke:#999;stroke-width:.1"/>`+"\n", x, b, r, b, r, y, r+d, y+d, r+d, b+d, x+d, b+d)
	}
	return out.String()
}

// stepLegend says how a part's way round is drawn.
var stepLegend = [2]string{
	"Square leg: pin 1, of diodes and lamps K (cathode), of electrolytic capacitors and cells +. Circle: a chip's notch.",
	"Thick side: a diode's ring, a transistor's flat face, a FET's metal tab. Resistors, fuses, ceramic and film: any.",
}

// stepPicture puts the two drawings of a board together and cuts them to it.
func stepPicture(b *circuit.Board, number int, now, there string) string {
	inside := func(svg string) string {
		_, svg, _ = strings.Cut(svg, "</style>")
		svg, _, _ = strings.Cut(svg, "</svg>")
		return rulerLine.ReplaceAllString(holeLine.ReplaceAllString(sheet.ReplaceAllString(svg, ""), ""), "")
	}
	const around, wide, top = 34.0, 297.0, 54.0
	left, width, height := (wide-b.Width)/2-around, b.Width+2*around, b.Height+2*around
	return fmt.Sprintf(`<svg xmlns="http://www.w3.org/2000/svg" width="%gmm" height="%gmm" viewBox="%g %g %g %g">
%s
<rect x="%g" y="%g" width="%g" height="%g" style="fill:#fff;stroke:none"/>
<text x="%g" y="%g" font-size="4" style="font-weight:bold">Step %d: %s</text>
<text x="%g" y="%g" font-size="2.6">%s</text>
<text x="%g" y="%g" font-size="2.6">%s</text>
<g opacity="0.25">%s%s</g>
<g>%s%s</g>
</svg>
`, width, height, left, top-around, width, height, style.FindString(now), left, top-around, width, height, wide/2,
		top-around+5, number, "black goes in now, grey is there already. Parts' side, not built.",
		wide/2, top-around+10, html.EscapeString(stepLegend[0]),
		wide/2, top-around+14, html.EscapeString(stepLegend[1]),
		sides(there), textLine.ReplaceAllString(inside(there), ""), sides(now), inside(now))
}
