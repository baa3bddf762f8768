package head

import (
	"fmt"
	"strings"
)

// drawing collects an SVG in millimetres.
type drawing struct{ strings.Builder }

func (d *drawing) f(format string, args ...any) { fmt.Fprintf(&d.Builder, format+"\n", args...) }

func (d *drawing) rect(class string, x, y, wide, high float64) {
	d.f(`<rect class="%s" x="%.2f" y="%.2f" width="%.2f" height="%.2f"/>`, class, x, y, wide, high)
}

func (d *drawing) line(class string, x0, y0, x1, y1 float64) {
	d.f(`<line class="%s" x1="%.2f" y1="%.2f" x2="%.2f" y2="%.2f"/>`, class, x0, y0, x1, y1)
}

func (d *drawing) words(x, y float64, anchor, text string) {
	d.f(`<text x="%.2f" y="%.2f" text-anchor="%s">%s</text>`, x, y, anchor, text)
}

// across dimensions a length along x, on a line at y, from edges at another y.
func (d *drawing) across(x0, x1, edge, y float64, text string) {
	d.line("thin", x0, edge, x0, y+1)
	d.line("thin", x1, edge, x1, y+1)
	d.line("dim", x0, y, x1, y)
	d.words((x0+x1)/2, y-0.8, "middle", text)
}

// down dimensions a length along y, on a line at x, from edges at another x.
func (d *drawing) down(y0, y1, edge, x float64, text string) {
	d.line("thin", edge, y0, x+1, y0)
	d.line("thin", edge, y1, x+1, y1)
	d.line("dim", x, y0, x, y1)
	d.words(x+1.5, (y0+y1)/2+1, "start", text)
}

const styles = `text{font:3px Arial,Helvetica,sans-serif;fill:#000}.title{font-size:4.5px;font-weight:bold}
.tube{fill:#444;stroke:#000;stroke-width:.2}.part{fill:#fff;stroke:#000;stroke-width:.3}.beam{fill:#f2c6bd}
.window{fill:#cde;fill-opacity:.6;stroke:#00418a;stroke-width:.2}
.drop{fill:#9cc4e4;stroke:#00418a;stroke-width:.3}.thin,.dim{stroke:#555;stroke-width:.15}
.dim{marker-start:url(#end);marker-end:url(#end)}.axis{stroke:#a03000;stroke-width:.2;stroke-dasharray:4 1 1 1}`

// SVG draws a pair in section, at true size on A4 paper, and the slit from the front at five times its size.
func (p Pair) SVG() string {
	const left, axis = 25.0, 45.0
	d := &drawing{}
	wide, high := 2*left+2*p.Length+p.Apart+20, 165.0
	d.f(`<svg xmlns="http://www.w3.org/2000/svg" width="%gmm" height="%gmm" viewBox="0 0 %g %g"><style>%s</style>`, wide,
		high, wide, high, styles)
	d.f(`<defs><marker id="end" orient="auto-start-reverse" markerWidth="10" markerHeight="10" refX="8" refY="3" ` +
		`markerUnits="userSpaceOnUse" viewBox="0 0 32 24">` +
		`<path d="M0 1 L8 3 L0 5 z" fill="#555"/></marker></defs>`)
	d.rect("part", 0, 0, wide, high)
	d.f(`<text class="title" x="8" y="9">A light beam's heads, in section from the side, true size in mm</text>`)
	d.words(8, 15, "start",
		"Drawn and computed, not built. Black inside; a clear window behind each slit keeps splashes out.")
	one, other := left+p.Length, left+p.Length+p.Apart
	end := other + p.Length
	d.rect("beam", left, axis-p.Slit/2, end-left, p.Slit)
	d.tube(p, left, one, axis)
	d.tube(p, end, other, axis)
	d.f(`<path class="part" d="M%.2f %.2f h3 a%.2f %.2f 0 0 1 0 %.2f h-3 z"/>`, left-3, axis-p.Lens/2, p.Lens/2,
		p.Lens/2, p.Lens)
	d.rect("part", end, axis-p.Diode/2, 1.5, p.Diode)
	d.window(p, one-2*plate, axis)
	d.window(p, other+plate, axis)
	d.line("thin", one-1.5*plate, axis-8, one-1.5*plate, axis-p.Bore/2-p.Wall)
	d.words(one-1.5*plate, axis-9, "middle", "clear window")
	middle := (one + other) / 2
	d.line("axis", middle, axis-18, middle, axis+14)
	d.f(`<circle class="drop" cx="%.2f" cy="%.2f" r="1.5"/>`, middle, axis-5)
	d.words(middle+3, axis-4, "start", "a drop of 3 mm falls")
	d.words(left-6, axis-8, "middle", "emitter")
	d.words(end+6, axis-8, "middle", "receiver")
	outer := p.Bore/2 + p.Wall
	d.across(left, one, axis+outer, axis+12, fmt.Sprintf("tube %g", p.Length))
	d.across(other, end, axis+outer, axis+12, fmt.Sprintf("tube %g", p.Length))
	d.across(one, other, axis+outer, axis+24, fmt.Sprintf("slit to slit %g", p.Apart))
	d.down(axis-p.Bore/2, axis+p.Bore/2, end, end+14, fmt.Sprintf("bore %g", p.Bore))
	d.front(p, 45, axis+54)
	d.turns(p, 8, axis+88)
	d.f("</svg>")
	return d.String()
}

// plate is how thick a slit's plate is, and the window behind it.
const plate = 1.0

// window draws the clear sheet behind a slit.
func (d *drawing) window(p Pair, x, axis float64) {
	d.rect("window", x, axis-p.Bore/2, plate, p.Bore)
}

// tube draws a tube from its part to its mouth, with the slit's plate.
func (d *drawing) tube(p Pair, from, mouth, axis float64) {
	x := min(from, mouth)
	for _, side := range []float64{-p.Bore/2 - p.Wall, p.Bore / 2} {
		d.rect("tube", x, axis+side, p.Length, p.Wall)
	}
	x = mouth
	if mouth > from {
		x -= plate
	}
	tall := p.Bore/2 + p.Wall - p.Slit/2
	d.rect("tube", x, axis-p.Slit/2-tall, plate, tall)
	d.rect("tube", x, axis+p.Slit/2, plate, tall)
}

// front draws the slit's plate at five times its size.
func (d *drawing) front(p Pair, x, y float64) {
	const times = 5.0
	r := (p.Bore/2 + p.Wall) * times
	d.f(`<circle class="tube" cx="%.2f" cy="%.2f" r="%.2f"/>`, x, y, r)
	d.rect("part", x-p.Wide/2*times, y-p.Slit/2*times, p.Wide*times, p.Slit*times)
	d.down(y-p.Slit/2*times, y+p.Slit/2*times, x+p.Wide/2*times, x+r+3, fmt.Sprintf("slit %g (1 to 2)", p.Slit))
	d.across(x-p.Wide/2*times, x+p.Wide/2*times, y, y+r+4, fmt.Sprintf("%g across", p.Wide))
	d.words(x, y-r-2, "middle", "the mouth from the front, five times its size")
}

// turns lists what each dimension changes.
func (d *drawing) turns(p Pair, x, y float64) {
	along, across := p.Accepts()
	for i, text := range []string{
		"Slit: narrow tells the place on the drop, wide gives light and range; the same on both heads,",
		"for half-way between them the beam is as high as the mean of the two.",
		fmt.Sprintf("Tube: keeps room light and flashes out; the receiver sees %.1f degrees along the fall, %.1f across.",
			along, across),
		"Longer sees less and costs light; the mouth looks away from every flash.",
		"Distance: light falls with its square. Space beside the drop keeps splashes off the windows.",
		fmt.Sprintf("Emitter's angle, here %g degrees to half of its light: narrow gives range, wide is easy to align.",
			p.HalfAngle),
	} {
		d.words(x, y+5*float64(i), "start", text)
	}
}
