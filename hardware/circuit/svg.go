package circuit

import (
	"fmt"
	"html"
	"strings"
)

// SVG draws a board's circuit: sections in frames, parts by their symbols with their legs' numbers, wires between near
// pins, and names where a net goes on elsewhere.
func (b *Board) SVG() string { return b.sheet().svg() }

const styles = `text{font-family:Arial,Helvetica,sans-serif;fill:#000}
.title{font-weight:bold}.goes-on{fill:#00418a}.ends{fill:#666}.leg,.rating{fill:#444}` +
	`.side{fill:#a03000;font-style:italic}
.symbol,.sign,.wire,.frame,.barrier{fill:none;stroke:#222;stroke-width:.25}.thick{stroke-width:.55}
.wire{stroke:#00602a}.frame{stroke:#999}
.barrier{stroke:#a03000;stroke-width:.4;stroke-dasharray:2.5 1.5}.dot{fill:#00602a}
`

func (s *sheet) svg() string {
	var out strings.Builder
	fmt.Fprintf(&out, `<svg xmlns="http://www.w3.org/2000/svg" width="%.0fmm" height="%.0fmm" viewBox="0 0 %.2f %.2f">`+
		"\n<style>%s</style>\n", s.wide, s.high, s.wide, s.high, styles)
	out.WriteString(`<rect width="100%" height="100%" fill="#fff"/>` + "\n")
	for _, k := range s.shapes {
		k.svg(&out)
	}
	for _, d := range s.dots {
		x, y := d.mm()
		fmt.Fprintf(&out, `<circle class="dot" cx="%.2f" cy="%.2f" r="0.55"/>`+"\n", x, y)
	}
	for _, l := range s.texts {
		fmt.Fprintf(&out, `<text class="%s" x="%.2f" y="%.2f" font-size="%.2f" text-anchor="%s">%s</text>`+"\n", l.style,
			l.x, l.y, l.size, l.anchor, html.EscapeString(l.text))
	}
	out.WriteString("</svg>\n")
	return out.String()
}

func (k shape) svg(out *strings.Builder) {
	class := string(k.style)
	if k.thick {
		class += " thick"
	}
	if k.radius > 0 {
		fmt.Fprintf(out, `<circle class="%s" cx="%.2f" cy="%.2f" r="%.2f"/>`+"\n", class, k.points[0][0], k.points[0][1],
			k.radius)
		return
	}
	var points []string
	for _, q := range k.points {
		points = append(points, fmt.Sprintf("%.2f,%.2f", q[0], q[1]))
	}
	name := "polyline"
	if k.closed {
		name = "polygon"
	}
	fmt.Fprintf(out, `<%s class="%s" points="%s"/>`+"\n", name, class, strings.Join(points, " "))
}
