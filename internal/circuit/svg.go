package circuit

import (
	"fmt"
	"html"
	"math"
	"strings"
)

// SVG draws a board's circuit: sections in frames, parts by their symbols, the net's name at each pin. Pins with the
// same name are joined.
func (b *Board) SVG() string {
	wide, high := 60, 60
	for _, s := range b.Sections {
		wide, high = max(wide, s.X+s.W+8), max(high, s.Y+s.H+24)
	}
	for _, n := range b.Notes {
		high = max(high, n.Y+6)
	}
	var out strings.Builder
	fmt.Fprintf(&out, `<svg xmlns="http://www.w3.org/2000/svg" width="%.0fmm" height="%.0fmm" `+
		`viewBox="0 0 %.2f %.2f">`+"\n", float64(wide)*unit, float64(high)*unit, float64(wide)*unit, float64(high)*unit)
	out.WriteString(`<rect width="100%" height="100%" fill="#fff"/>` + "\n" +
		`<g fill="none" stroke="#222" stroke-width="0.2" font-family="sans-serif">` + "\n")
	text(&out, 8*unit, 8*unit, 4, "start", b.Title)
	for _, s := range b.Sections {
		fmt.Fprintf(&out, `<rect x="%.2f" y="%.2f" width="%.2f" height="%.2f" stroke="#aaa"/>`+"\n", float64(s.X)*unit,
			float64(s.Y)*unit, float64(s.W)*unit, float64(s.H)*unit)
		text(&out, float64(s.X+2)*unit, float64(s.Y)*unit-0.8, 2.2, "start", s.Title)
	}
	for _, p := range b.Parts {
		p.svg(&out)
	}
	for _, n := range b.Notes {
		text(&out, float64(n.X)*unit, float64(n.Y)*unit, 2.4, "start", n.Text)
	}
	out.WriteString("</g>\n</svg>\n")
	return out.String()
}

func text(out *strings.Builder, x, y, size float64, anchor, words string) {
	fmt.Fprintf(out, `<text x="%.2f" y="%.2f" font-size="%.1f" text-anchor="%s" fill="#000" stroke="none">%s</text>`+"\n",
		x, y, size, anchor, html.EscapeString(words))
}

// turned is a point of the symbol in the drawing, in millimetres from the part's centre.
func (p *Part) turned(x, y float64) (float64, float64) {
	if p.Mirror {
		x = -x
	}
	switch p.Turn {
	case 90:
		return y, -x
	case 180:
		return -x, -y
	case 270:
		return -y, x
	}
	return x, y
}

func (p *Part) svg(out *strings.Builder) {
	cx, cy := float64(p.X)*unit, float64(p.Y)*unit
	for _, s := range p.Type.Kind.symbol(p.Value) {
		if s.radius > 0 {
			x, y := p.turned(s.points[0][0], s.points[0][1])
			fmt.Fprintf(out, `<circle cx="%.2f" cy="%.2f" r="%.2f"/>`+"\n", cx+x, cy+y, s.radius)
			continue
		}
		var points []string
		for _, q := range s.points {
			x, y := p.turned(q[0], q[1])
			points = append(points, fmt.Sprintf("%.2f,%.2f", cx+x, cy+y))
		}
		name, more := "polyline", ""
		if s.closed {
			name = "polygon"
		}
		if s.thick {
			more = ` stroke-width="0.5"`
		}
		fmt.Fprintf(out, `<%s points="%s"%s/>`+"\n", name, strings.Join(points, " "), more)
	}
	most := 0.0
	for _, pin := range p.Type.Kind.Pins(p.Value) {
		p.label(out, pin)
		_, y := p.turned(float64(pin.X)*unit, float64(pin.Y)*unit)
		most = max(most, math.Abs(y))
	}
	name, pins := strings.TrimSpace(p.Ref+" "+p.Value), len(p.Type.Kind.Pins(p.Value))
	switch {
	case p.Type.Kind == Terminal:
		text(out, cx, cy-most-2.2, 1.5, "middle", name)
	case pins <= 3 && most > 2:
		text(out, cx+3.2, cy+0.6, 1.5, "start", name)
	case pins <= 3:
		text(out, cx, cy-2.2, 1.5, "middle", name)
	default:
		text(out, cx, cy-most-3.6, 1.5, "middle", name)
	}
}

// label writes the net's name at a pin, away from the part.
func (p *Part) label(out *strings.Builder, pin Pin) {
	x, y := p.turned(float64(pin.X)*unit, float64(pin.Y)*unit)
	dx, dy := p.turned(float64(pin.DX), float64(pin.DY))
	x, y = float64(p.X)*unit+x, float64(p.Y)*unit+y
	anchor := "middle"
	switch {
	case dx > 0.5:
		anchor = "start"
	case dx < -0.5:
		anchor = "end"
	}
	down := 0.4
	if dy > 0.5 {
		down = 1.2
	}
	if dy < -0.5 {
		down = 0
	}
	if pin.DX != 0 && len(p.Type.Kind.Pins(p.Value)) == 8 {
		inside := map[string]string{"start": "end", "end": "start"}[anchor]
		text(out, x-dx*3, y+down, 1.1, inside, pin.Number+" "+pin.Name)
	}
	if p.Pins[pin.Number] != Open {
		text(out, x+dx*0.5, y+dy*0.5+down, 1.1, anchor, p.Pins[pin.Number])
	}
}
