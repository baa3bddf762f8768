package layout

import (
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strings"

	"stillwater/hardware/circuit"
)

// origin is the position of the board's corner on KiCad's sheet, in millimetres.
const origin = 20.0

// KiCad is the board for KiCad 9 as a beginning, to be edited there: its parts stand where the plan has them, its nets
// are those of the circuit's schematic, its footprints and print are in it; it has no track, and no fill in its zone.
func (p *Plan) KiCad() string {
	return p.start().out.String()
}

func (p *Plan) start() *starter {
	k := &starter{c: p, nets: map[string]int{}}
	k.f("(kicad_pcb (version 20241229) (generator \"stillwater\") (generator_version \"9.0\")\n" +
		"(general (thickness 1.6)) (paper \"A3\")\n")
	k.f("(title_block (title %q) (comment 1 \"Simulated and rule-checked, not built.\"))\n", p.Board.Title)
	k.f("(layers (0 \"F.Cu\" signal) (2 \"B.Cu\" signal) (1 \"F.Mask\" user) (3 \"B.Mask\" user) (5 \"F.SilkS\" user) " +
		"(7 \"B.SilkS\" user) (25 \"Edge.Cuts\" user) (31 \"F.CrtYd\" user) (35 \"F.Fab\" user))\n(net 0 \"\")\n")
	for i, n := range p.Board.Nets {
		k.nets["/"+n.Name] = i + 1
		k.f("(net %d %q)\n", i+1, "/"+n.Name)
	}
	k.open()
	k.edge()
	k.parts()
	k.zones()
	k.f(")\n")
	return k
}

// Zones of ground as they are begun, in millimetres.
const (
	zoneGap     = 0.3 // to other nets
	zoneThin    = 0.3
	thermalGap  = 0.4 // around the pads that a zone joins by spokes, so that they can be soldered
	thermalWide = 0.8
	zoneMargin  = 0.3 // beyond what the barrier and the pillars need
)

// zones writes the ground's zone on both layers, to be filled by KiCad, and where no zone may be: around the isolated
// groups, of which KiCad compares the copper of one layer only, and under the pillars.
func (k *starter) zones() {
	b := k.c.Board
	key := func(what string) string { return circuit.UUID(b.Name + " " + what) }
	polygon := func(r rect) string {
		var pts strings.Builder
		for i := range 4 {
			corner, _ := r.side(i)
			fmt.Fprintf(&pts, "(xy %s) ", k.xy(corner))
		}
		return "(polygon (pts " + strings.TrimSpace(pts.String()) + "))"
	}
	area := func(net int, name, id string, gap, thin float64) {
		k.f("(zone (net %d) (net_name %q) (layers \"F.Cu\" \"B.Cu\") (uuid %q) (hatch edge 0.5) ", net, name, id)
		k.f("(connect_pads (clearance %g)) (min_thickness %g)\n", gap, thin)
	}
	keepOut := func(name string, r rect) {
		area(0, "", key(name), 0, zoneThin)
		k.f("(name %q) (keepout (tracks allowed) (vias allowed) (pads allowed) (copperpour not_allowed) ", name)
		k.f("(footprints allowed))\n%s)\n", polygon(r))
	}
	for _, n := range b.Nets {
		if n.Use == circuit.Zero && n.Group == b.Groups[0].Name {
			area(k.nets["/"+n.Name], "/"+n.Name, key("zone of "+n.Name), zoneGap, zoneThin)
			k.f("(fill yes (thermal_gap %g) (thermal_bridge_width %g))\n%s)\n", thermalGap, thermalWide,
				polygon(rect{point{}, point{b.Width, b.Height}}.grown(-edgeGap)))
		}
	}
	const thickPad = 1.1 // the radius of the thickest
	zones := k.c.zones()
	for _, g := range slices.Sorted(maps.Keys(zones)) {
		keepOut("no zone near "+g, k.within(zones[g].grown(Barrier+thickPad+zoneMargin)))
	}
	for i, at := range k.c.pillars() {
		side := 2 * (pillarRadius + zoneMargin)
		keepOut(fmt.Sprint("no zone at H", i+1), k.within(around(at, side, side)))
	}
}

// within is a rectangle as far as it is on the board.
func (k *starter) within(r rect) rect {
	return rect{point{max(0, r.low.x), max(0, r.low.y)},
		point{min(k.c.Board.Width, r.high.x), min(k.c.Board.Height, r.high.y)}}
}

// grown is a rectangle with so much more on each side.
func (a rect) grown(by float64) rect {
	return rect{point{a.low.x - by, a.low.y - by}, point{a.high.x + by, a.high.y + by}}
}

type starter struct {
	c     *Plan
	nets  map[string]int
	out   strings.Builder
	taken []rect // by print and pads
	lost  []label
}

// open gives each pin that is joined to nothing the net that KiCad makes for it.
func (k *starter) open() {
	for _, l := range k.c.Legs {
		if l.open() {
			k.nets[k.c.netOf(l)] = len(k.nets) + 1
			k.f("(net %d %q)\n", len(k.nets), k.c.netOf(l))
		}
	}
}

// netOf is the name of a leg's net in KiCad.
func (p *Plan) netOf(l Leg) string {
	if !l.open() {
		return "/" + l.Net
	}
	name := strings.ReplaceAll(p.Board.Part(l.Ref).PinName(l.Pin), " ", "_")
	return fmt.Sprintf("unconnected-(%s-%s-Pad%s)", l.Ref, name, l.Pin)
}

func (k *starter) f(format string, args ...any) { fmt.Fprintf(&k.out, format, args...) }

// xy is a place on KiCad's sheet.
func (k *starter) xy(p point) string { return pair(point{p.x + origin, p.y + origin}) }

func pair(p point) string { return formatFixed(p.x, 3) + " " + formatFixed(p.y, 3) }

// edge is the board's outline, the pillars' holes, and the zones of isolated groups with their names.
func (k *starter) edge() {
	b := k.c.Board
	key := func(what string) string { return circuit.UUID(b.Name + " board " + what) }
	k.f("(gr_rect (start %s) (end %s) (stroke (width 0.1) (type solid)) (fill no) (layer \"Edge.Cuts\") (uuid %q))\n",
		k.xy(point{}), k.xy(point{b.Width, b.Height}), key("edge"))
	for i, at := range k.c.pillars() {
		k.f("(footprint \"stillwater:pillar\" (layer \"F.Cu\") (uuid %q) (at %s)\n(attr board_only exclude_from_pos_files "+
			"exclude_from_bom allow_missing_courtyard)\n", key(fmt.Sprint("pillar ", i)), k.xy(at))
		k.f("(property \"Reference\" \"H%d\" (at 0 0 0) (layer \"F.Fab\") (effects (font (size 1 1) (thickness 0.15))))\n",
			i+1)
		k.f("(pad \"\" np_thru_hole circle (at 0 0) (size 3.2 3.2) (drill 3.2) (layers \"*.Cu\" \"*.Mask\") (uuid %q)))\n",
			key(fmt.Sprint("pillar pad ", i)))
	}
	zones := k.c.zones()
	for _, g := range slices.Sorted(maps.Keys(zones)) {
		z := zones[g]
		low, high := grown(z).low, grown(z).high
		k.f("(gr_rect (start %s) (end %s) (stroke (width 0.15) (type dash)) (fill no) (layer \"B.SilkS\") (uuid %q))\n",
			k.xy(low), k.xy(high), key("zone "+g))
		k.words(barrierName(g), "B.SilkS", point{high.x, low.y - 0.8},
			key("zone name "+g))
	}
	k.words(k.titleLine(), "F.SilkS", k.titleAt(), key("title"))
}

func (k *starter) titleLine() string {
	name, _, _ := strings.Cut(k.c.Board.Title, ":")
	return name + ". Simulated and rule-checked, not built."
}

func (k *starter) titleAt() point { return point{corner * pitch * 2, k.c.Board.Height - 1.2} }

func (k *starter) words(words, layer string, at point, key string) {
	mirror := map[string]string{"B.SilkS": " mirror"}[layer]
	k.f("(gr_text %q (at %s) (layer %q) (uuid %q) (effects (font (size 1 1) (thickness 0.15)) (justify left%s)))\n",
		words,
		k.xy(at), layer, key, mirror)
}

// parts writes the footprints. Silkscreen keeps off pads and other silkscreen.
func (k *starter) parts() {
	for _, l := range k.c.Legs {
		size := 2 * (k.c.padRadiusOf(l) + silkGap)
		k.taken = append(k.taken, around(k.c.hole(l.At), size, size))
	}
	at, long := k.titleAt(), 0.95*float64(len(k.titleLine()))
	k.taken = append(k.taken, around(point{at.x + long/2, at.y}, long, 1))
	for _, p := range k.c.Board.Parts {
		k.part(p)
	}
	k.barriers()
	k.lost = k.label()
}

const (
	silkGap    = 0.2 // mm from silkscreen to copper
	silkHeight = 0.9
	silkPen    = 0.12
	silkBold   = 0.3 // the side that shows the polarity
)

// thickSide is the side of a part's outline that is printed thick: 0 the upper, then clockwise, -1 none. It is the
// side of a diode's cathode, of plus, a package's notch, a TO-92's flat face, a TO-220's tab.
func thickSide(p *circuit.Part) int {
	side := -1
	switch p.Type.Kind {
	case circuit.Comparator, circuit.OpAmp, circuit.Timer, circuit.Opto, circuit.NMOS, circuit.PMOS, circuit.Battery:
		side = 0
	case circuit.NPN, circuit.PNP, circuit.Thyristor:
		side = 2
	case circuit.Diode, circuit.Zener, circuit.TVS, circuit.LED, circuit.Electrolytic:
		side = 3
	}
	if side < 0 || p.TakesLeads() {
		return -1
	}
	return (side + p.Facing/90) % 4
}

// kicadTurn is how far a part is turned in KiCad: degrees, anticlockwise.
func kicadTurn(p *circuit.Part) int { return (360 - p.Facing) % 360 }

// beforeTurn is a place beside a part's middle as its footprint has it, before it is turned.
func beforeTurn(p *circuit.Part, v point) string {
	switch p.Facing {
	case 90:
		v = point{v.y, -v.x}
	case 180:
		v = point{-v.x, -v.y}
	case 270:
		v = point{-v.y, v.x}
	}
	return pair(v)
}

// part is one footprint.
func (k *starter) part(p *circuit.Part) {
	col, row, _, _ := p.Body()
	middle := k.c.at(col, row)
	key := func(what string) string { return circuit.UUID(p.Ref + " footprint " + what) }
	body := k.c.body(p)
	low, high := beforeTurn(p, body.low.less(middle)), beforeTurn(p, body.high.less(middle))
	font := fmt.Sprintf("(effects (font (size %g %g) (thickness 0.14)))", silkHeight, silkHeight)
	k.f("(footprint %q (layer \"F.Cu\") (uuid %q) (at %s %d)\n", p.FootprintName(), key(""), k.xy(middle), kicadTurn(p))
	name, words := k.free(p.Ref, body)
	k.f("(property \"Reference\" %q (at %s %d) (layer \"F.SilkS\") (uuid %q) %s)\n", p.Ref, beforeTurn(p,
		name.less(middle)), words,
		key("reference"), font)
	k.f("(property \"Value\" %q (at 0 0 0) (layer \"F.Fab\") (uuid %q) %s)\n", p.Printed(), key("value"), font)
	k.f("(path \"/%s\") (sheetname \"/\") (sheetfile %q) (attr through_hole)\n", circuit.UUID(p.Ref),
		k.c.Board.Name+".kicad_sch")
	for _, layer := range []string{"F.Fab", "F.CrtYd"} {
		k.f("(fp_rect (start %s) (end %s) (stroke (width 0.05) (type solid)) (fill no) (layer %q) (uuid %q))\n",
			low, high, layer, key(layer))
	}
	k.outline(p, body, middle)
	pins, holes := p.Legs()
	for i, pin := range pins {
		k.pad(p, Leg{p.Ref, pin, p.Pins[pin], Hole{holes[i][0], holes[i][1]}}, middle)
	}
	k.f(")\n")
}

// free finds a place for a reference and how to turn it: in the body's middle, or beside it.
func (k *starter) free(words string, body rect) (point, int) {
	long := 0.95 * silkHeight * float64(len(words))
	c := point{(body.low.x + body.high.x) / 2, (body.low.y + body.high.y) / 2}
	for _, turn := range []int{0, 90} {
		wide, high := long, silkHeight
		if turn == 90 {
			wide, high = high, wide
		}
		across, along := (body.high.x-body.low.x+wide)/2+0.3, (body.high.y-body.low.y+high)/2+0.3
		for _, at := range []point{c, {c.x, c.y - along}, {c.x, c.y + along}, {c.x + across, c.y}, {c.x - across, c.y}} {
			here := around(at, wide, high)
			if !slices.ContainsFunc(k.taken, here.touches) && !k.crossed(here) {
				k.taken = append(k.taken, here)
				return at, turn
			}
		}
	}
	return c, 0
}

// crossed reports whether a part's outline goes through a place.
func (k *starter) crossed(here rect) bool {
	return slices.ContainsFunc(k.c.Board.Parts, func(p *circuit.Part) bool {
		b := k.c.body(p)
		return b.gap(here) < silkBold-epsilon && !b.holds(here, silkBold)
	})
}

// outline prints a body's four sides where there is no pad.
func (k *starter) outline(p *circuit.Part, body rect, middle point) {
	for i := range 4 {
		pen := silkPen
		if i == thickSide(p) {
			pen = silkBold
		}
		a, b := body.side(i)
		const bits = 24
		at := func(n int) point { return point{a.x + (b.x-a.x)*float64(n)/bits, a.y + (b.y-a.y)*float64(n)/bits} }
		first := 0
		for n := range bits + 1 {
			if n < bits && k.clear(at(n), at(n+1), pen) {
				continue
			}
			if n > first {
				from, to := at(first), at(n)
				k.f("(fp_line (start %s) (end %s) (stroke (width %g) (type solid)) (layer \"F.SilkS\") (uuid %q))\n",
					beforeTurn(p, from.less(middle)), beforeTurn(p, to.less(middle)), pen, circuit.UUID(fmt.Sprint(p.Ref,
						" outline ", i, n)))
			}
			first = n + 1
		}
	}
}

// clear reports whether a short line keeps off all pads.
func (k *starter) clear(a, b point, pen float64) bool {
	line := rect{point{min(a.x, b.x), min(a.y, b.y)}, point{max(a.x, b.x), max(a.y, b.y)}}
	return !slices.ContainsFunc(k.taken[:len(k.c.Legs)], func(r rect) bool { return r.gap(line) < pen/2-epsilon })
}

// pad is one pad; the first of a part is square: pin 1, the cathode, or plus.
func (k *starter) pad(p *circuit.Part, l Leg, middle point) {
	here, shape := k.c.hole(l.At), "circle"
	if k.c.square(l) {
		shape = "rect"
	}
	size, net := 2*k.c.padRadiusOf(l), k.c.netOf(l)
	k.f("(pad %q thru_hole %s (at %s %d) (size %g %g) (drill %g) (layers \"*.Cu\" \"*.Mask\") (net %d %q) "+
		"(uuid %q))\n", l.Pin, shape, beforeTurn(p, here.less(middle)), kicadTurn(p), size, size, k.c.drillOf(l),
		k.nets[net], net,
		circuit.UUID(l.Ref+" pad "+l.Pin))
}

// Footprints are the footprints of all boards' parts by their names in the library, not turned. A board has its own
// copies, turned.
func Footprints(d *circuit.Design) map[string]string {
	list := map[string]string{}
	for _, b := range d.Boards {
		for _, p := range b.Parts {
			list[strings.TrimPrefix(p.FootprintName(), circuit.Library+":")] = footprint(b, p)
		}
	}
	return list
}

func footprint(b *circuit.Board, part *circuit.Part) string {
	p := *part
	p.Col, p.Row, p.Facing = 1, 1, 0
	plan := &Plan{Board: b}
	k := &starter{c: plan}
	col, row, _, _ := p.Body()
	middle, body := plan.at(col, row), plan.body(&p)
	name := strings.TrimPrefix(p.FootprintName(), circuit.Library+":")
	k.f("(footprint %q (version 20241229) (generator \"stillwater\") (generator_version \"9.0\") (layer \"F.Cu\")\n",
		name)
	for i, text := range []string{"Reference", "Value"} {
		k.f("(property %q %q (at 0 %g 0) (layer \"F.Fab\") (effects (font (size 1 1) (thickness 0.15))))\n", text,
			[]string{"REF**", name}[i], 2*float64(i)-1)
	}
	k.f("(attr through_hole)\n")
	for _, layer := range []string{"F.Fab", "F.CrtYd"} {
		k.f("(fp_rect (start %s) (end %s) (stroke (width 0.05) (type solid)) (fill no) (layer %q))\n",
			pair(body.low.less(middle)), pair(body.high.less(middle)), layer)
	}
	pins, holes := p.Legs()
	for i, pin := range pins {
		l := Leg{part.Ref, pin, part.Pins[pin], Hole{holes[i][0], holes[i][1]}}
		shape, size := "circle", 2*plan.padRadiusOf(l)
		if i == 0 {
			shape = "rect"
		}
		k.f("(pad %q thru_hole %s (at %s) (size %g %g) (drill %g) (layers \"*.Cu\" \"*.Mask\"))\n", pin, shape,
			pair(plan.hole(l.At).less(middle)), size, size, plan.drillOf(l))
	}
	k.f(")\n")
	return k.out.String()
}

// KiCadRules are the board's own rules for KiCad: the distances between its isolated groups.
func KiCadRules(board *circuit.Board) string {
	var out strings.Builder
	out.WriteString("(version 1)\n")
	for i, a := range board.Groups {
		for _, b := range board.Groups[i+1:] {
			for _, kind := range []string{"clearance", "creepage"} {
				fmt.Fprintf(&out, "(rule \"%s of %s and %s\"\n  (constraint %s (min %gmm))\n"+
					"  (condition \"A.NetClass == '%s' && B.NetClass == '%s'\"))\n", kind, a.Name, b.Name, kind, Barrier, a.Name,
					b.Name)
			}
		}
	}
	return out.String()
}

// schematicWire is how thick KiCad draws a wire in the schematic, in thousandths of an inch; without it, not at all.
const schematicWire = 6

// KiCadProject are the settings that the rules refer to: a net class for each group, and the manufacturer's
// capability.
func KiCadProject(board *circuit.Board) (string, error) {
	type object = map[string]any
	var classes, patterns []object
	for _, name := range append([]string{"Default"}, groupNames(board)...) {
		classes = append(classes, object{"name": name, "clearance": clearance, "track_width": trackWidth,
			"via_diameter": 2 * viaRadius, "via_drill": viaDrill, "priority": len(classes),
			"wire_width": schematicWire, "bus_width": 2 * schematicWire, "line_style": 0})
	}
	for _, n := range board.Nets {
		patterns = append(patterns, object{"netclass": n.Group, "pattern": "/" + n.Name})
	}
	project := object{
		"meta": object{"filename": board.Name + ".kicad_pro", "version": 3},
		"board": object{"design_settings": object{
			"rules": object{"min_clearance": clearance, "min_track_width": trackWidth, "min_via_diameter": 2 * viaRadius,
				"min_through_hole_diameter": viaDrill, "min_hole_clearance": clearance, "min_hole_to_hole": 0.25,
				"min_copper_edge_clearance": edgeGap, "max_error": 0.02, "min_via_annular_width": viaRadius - viaDrill/2},
			// A footprint's print keeps off its neighbours' pads: it differs from the library's.
			"rule_severities": object{"lib_footprint_issues": "ignore", "lib_footprint_mismatch": "ignore",
				"missing_courtyard": "error"},
		}},
		"net_settings": object{"meta": object{"version": 4}, "classes": classes, "netclass_patterns": patterns},
	}
	text, err := json.MarshalIndent(project, "", " ")
	return string(text) + "\n", err
}

func groupNames(b *circuit.Board) (names []string) {
	for _, g := range b.Groups {
		names = append(names, g.Name)
	}
	return names
}
