package circuit

import (
	"cmp"
	"crypto/sha1"
	"fmt"
	"maps"
	"slices"
	"strings"
)

// KiCad is a board's schematic for KiCad 9. It embeds its symbols; its wires and names are those of the drawing.
func (b *Board) KiCad() string {
	var out strings.Builder
	root, drawn := UUID(b.Name), b.sheet()
	fmt.Fprintf(&out, "(kicad_sch (version 20250114) (generator \"stillwater\") (generator_version \"9.0\") (uuid %q) "+
		"(paper %q)\n(title_block (title %q))\n(lib_symbols\n", root, drawn.kicadPaper(), b.Title)
	writeSymbols(&out, Library+":", b)
	out.WriteString(")\n")
	for i, n := range b.Notes {
		kicadText(&out, b.Name, i, n.Text, float64(n.X)*unit, float64(n.Y)*unit)
	}
	for i, s := range b.Sections {
		kicadText(&out, b.Name, 100+i, s.Title, float64(s.X+2)*unit, float64(s.Y-1)*unit)
	}
	for _, p := range b.Parts {
		drawn.kicadPart(&out, p, root)
	}
	drawn.kicadWires(&out)
	out.WriteString("(sheet_instances (path \"/\" (page \"1\")))\n)\n")
	return out.String()
}

// kicadPaper is the smallest paper that has the drawing, with room for KiCad's frame and title below it.
func (s *sheet) kicadPaper() string {
	const frame, title = 12, 40
	if s.wide+frame <= 420 && s.high+title <= 297 {
		return "A3"
	}
	return "A2"
}

// Library names the symbols and the footprints of all boards to KiCad.
const Library = "stillwater"

// writeSymbols writes the symbols of some boards' parts, each once.
func writeSymbols(out *strings.Builder, prefix string, boards ...*Board) {
	symbols := map[string]*Part{}
	for _, b := range boards {
		for _, p := range b.Parts {
			symbols[p.symbolName()] = p
		}
	}
	for _, name := range slices.Sorted(maps.Keys(symbols)) {
		out.WriteString(symbols[name].kicadSymbol(prefix, name))
	}
}

// KiCadSymbols is the library of the symbols of all boards.
func (d *Design) KiCadSymbols() string {
	var out strings.Builder
	out.WriteString("(kicad_symbol_lib (version 20241209) (generator \"stillwater\") (generator_version \"9.0\")\n")
	writeSymbols(&out, "", d.Boards...)
	out.WriteString(")\n")
	return out.String()
}

// KiCadLibraryTables are the tables by which KiCad finds the libraries beside a project: of symbols, of footprints.
func KiCadLibraryTables() (symbols, footprints string) {
	table := func(kind, file string) string {
		return fmt.Sprintf("(%s (version 7)\n(lib (name %q) (type \"KiCad\") (uri \"${KIPRJMOD}/%s\") (options \"\") "+
			"(descr \"made by go run ./hardware/gen\"))\n)\n", kind, Library, file)
	}
	return table("sym_lib_table", Library+".kicad_sym"), table("fp_lib_table", Library+".pretty")
}

// UUID derives a UUID from a name.
func UUID(of string) string {
	h := fmt.Sprintf("%x", sha1.Sum([]byte("stillwater "+of)))
	return h[:8] + "-" + h[8:12] + "-4" + h[13:16] + "-8" + h[17:20] + "-" + h[20:32]
}

func kicadText(out *strings.Builder, board string, i int, words string, x, y float64) {
	fmt.Fprintf(out, "(text %q (exclude_from_sim no) (at %.2f %.2f 0) (effects (font (size 1.8 1.8)) (justify left)) "+
		"(uuid %q))\n", words, x, y, UUID(fmt.Sprint(board, " text ", i)))
}

// FootprintName names a part's footprint on a printed board.
func (p *Part) FootprintName() string {
	if p.Type.Kind == Terminal {
		return Library + ":" + p.Type.Name + "_" + p.Value
	}
	return Library + ":" + p.Type.Name
}

// symbolName is the name of a part's symbol: its kind, and how many ways a terminal has.
func (p *Part) symbolName() string {
	if p.Type.Kind == Terminal {
		return "terminal_" + p.Value
	}
	return string(p.Type.Kind)
}

func (p *Part) kicadSymbol(prefix, name string) string {
	var out strings.Builder
	numbers := ""
	if !p.showsNumbers() {
		numbers = "(pin_numbers (hide yes)) "
	}
	fmt.Fprintf(&out, "(symbol \"%s%s\" %s(pin_names (offset 0.5) (hide yes)) (exclude_from_sim no) "+
		"(in_bom yes) (on_board yes)\n", prefix, name, numbers)
	for _, prop := range [][2]string{{"Reference", p.letter()}, {"Value", name}, {"Footprint", ""}, {"Datasheet", ""}} {
		fmt.Fprintf(&out, "(property %q %q (at 0 0 0) (effects (font (size 1.27 1.27)) (hide yes)))\n", prop[0], prop[1])
	}
	fmt.Fprintf(&out, "(symbol \"%s_0_1\"\n", name)
	for _, s := range p.Type.Kind.symbol(p.Value) {
		out.WriteString(s.kicad())
	}
	fmt.Fprintf(&out, ")\n(symbol \"%s_1_1\"\n", name)
	for _, pin := range p.Type.Kind.Pins(p.Value) {
		way := map[[2]int]int{{1, 0}: 180, {-1, 0}: 0, {0, -1}: 270, {0, 1}: 90}[[2]int{pin.DX, pin.DY}]
		fmt.Fprintf(&out, "(pin passive line (at %.2f %.2f %d) (length %g) (name %q (effects (font (size 1 1)))) "+
			"(number %q (effects (font (size 1 1)))))\n", float64(pin.X)*unit, -float64(pin.Y)*unit, way, p.lead(), pin.Name,
			pin.Number)
	}
	return out.String() + "))\n"
}

// lead is the length of a pin's line, in millimetres: KiCad writes the number above it, clear of the net's name.
func (p *Part) lead() float64 {
	if pins := len(p.Type.Kind.Pins(p.Value)); pins > 2 && p.Type.Kind != Trimmer || p.Type.Kind == Terminal {
		return 2 * unit
	}
	return unit
}

func (p *Part) letter() string { return kinds[p.Type.Kind].letter }

func (s stroke) kicad() string {
	width := 0.2
	if s.thick {
		width = 0.5
	}
	tail := fmt.Sprintf("(stroke (width %g) (type default)) (fill (type none)))\n", width)
	if s.radius > 0 {
		return fmt.Sprintf("(circle (center %.3f %.3f) (radius %.3f) ", s.points[0][0], -s.points[0][1], s.radius) + tail
	}
	points := s.points
	if s.closed {
		points = append(slices.Clone(points), points[0])
	}
	line := "(polyline (pts"
	for _, q := range points {
		line += fmt.Sprintf(" (xy %.3f %.3f)", q[0], -q[1])
	}
	return line + ") " + tail
}

// kicadWires writes the wires and their dots, one label for each group of joined pins, and the marks of open pins.
func (s *sheet) kicadWires(out *strings.Builder) {
	for _, g := range s.groups {
		for _, run := range s.split(g.runs) {
			x, y := run[0].mm()
			u, v := run[1].mm()
			fmt.Fprintf(out, "(wire (pts (xy %.2f %.2f) (xy %.2f %.2f)) (stroke (width 0) (type default)) (uuid %q))\n",
				x, y, u, v, UUID(fmt.Sprint(s.board.Name, " wire ", run)))
		}
	}
	for i, l := range s.kicadLabels() {
		l.write(out, UUID(fmt.Sprint(s.board.Name, " label ", i)))
	}
	for _, d := range s.dots {
		x, y := d.mm()
		fmt.Fprintf(out, "(junction (at %.2f %.2f) (diameter 0) (color 0 0 0 0) (uuid %q))\n", x, y,
			UUID(fmt.Sprint(s.board.Name, " dot ", d)))
	}
	for _, p := range s.board.Parts {
		for _, t := range p.pinEnds() {
			if t.net == Open {
				x, y := t.at.mm()
				fmt.Fprintf(out, "(no_connect (at %.2f %.2f) (uuid %q))\n", x, y, UUID(p.Ref+"."+t.pin.Number+" label"))
			}
		}
	}
}

// split splits straight pieces at junctions: KiCad connects wires at their ends only.
func (s *sheet) split(runs [][2]gridPoint) (cut [][2]gridPoint) {
	for _, run := range runs {
		from := run[0]
		way := gridPoint{cmp.Compare(run[1].x, from.x), cmp.Compare(run[1].y, from.y)}
		for a := from.add(way); a != run[1]; a = a.add(way) {
			if slices.Contains(s.dots, a) {
				cut = append(cut, [2]gridPoint{from, a})
				from = a
			}
		}
		cut = append(cut, [2]gridPoint{from, run[1]})
	}
	return cut
}

func (s *sheet) kicadPart(out *strings.Builder, p *Part, root string) {
	x, y, mirror := float64(p.X)*unit, float64(p.Y)*unit, ""
	if p.Mirror {
		mirror = " (mirror y)"
	}
	fmt.Fprintf(out, "(symbol (lib_id \"stillwater:%s\") (at %.2f %.2f %d)%s (unit 1) (exclude_from_sim no) (in_bom yes) "+
		"(on_board yes) (dnp no) (uuid %q)\n", p.symbolName(), x, y, p.Turn, mirror, UUID(p.Ref))
	angle := p.Turn % 180 // the text rotates with the part: undo that
	prop := func(name, value string, x, y float64, hide string) {
		fmt.Fprintf(out, "(property %q %q (at %.2f %.2f %d) (effects (font (size 1.27 1.27))%s))\n", name, value, x, y,
			angle, hide)
	}
	for _, w := range s.kicadTexts(p) {
		prop(w.name, w.text, w.x, w.y, "")
	}
	prop("Footprint", p.FootprintName(), x, y, " (hide yes)")
	prop("Datasheet", "", x, y, " (hide yes)")
	for _, pin := range p.Type.Kind.Pins(p.Value) {
		fmt.Fprintf(out, "(pin %q (uuid %q))\n", pin.Number, UUID(p.Ref+"."+pin.Number))
	}
	fmt.Fprintf(out, "(instances (project %q (path \"/%s\" (reference %q) (unit 1)))))\n", s.board.Name, root,
		p.Ref)
}
