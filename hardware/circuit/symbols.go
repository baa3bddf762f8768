package circuit

// stroke is one line or circle of a symbol, in millimetres from the part's centre with y downwards.
type stroke struct {
	points [][2]float64 // two or more: a line through them
	radius float64      // more than 0: a circle around the only point
	thick  bool
	closed bool
}

func line(xy ...float64) stroke {
	var s stroke
	for i := 0; i+1 < len(xy); i += 2 {
		s.points = append(s.points, [2]float64{xy[i], xy[i+1]})
	}
	return s
}

func heavy(xy ...float64) stroke {
	s := line(xy...)
	s.thick = true
	return s
}

func loop(xy ...float64) stroke {
	s := line(xy...)
	s.closed = true
	return s
}

func circle(x, y, r float64) stroke { return stroke{points: [][2]float64{{x, y}}, radius: r} }

func box(x, y float64) stroke { return loop(-x, -y, x, -y, x, y, -x, y) }

// leads are the lines from a two-pin part's body to its pins.
func leads(from float64) []stroke { return []stroke{line(0, -3.81, 0, -from), line(0, from, 0, 3.81)} }

func sideLeads() []stroke { return []stroke{line(-3.81, 0, -1.27, 0), line(1.27, 0, 3.81, 0)} }

func join(parts ...[]stroke) (all []stroke) {
	for _, p := range parts {
		all = append(all, p...)
	}
	return all
}

var (
	boxSymbol       = join(leads(2.54), []stroke{box(1.016, 2.54)})
	trimmerSymbol   = join(boxSymbol, []stroke{line(3.81, 0, 1.016, 0), line(1.8, -0.6, 1.016, 0, 1.8, 0.6)})
	fuseSymbol      = join(boxSymbol, []stroke{line(-2, 2.2, -1.4, 2.2, 1.8, -2.2)})
	capacitorSymbol = join(leads(0.5), []stroke{heavy(-2, -0.5, 2, -0.5), heavy(-2, 0.5, 2, 0.5)})

	electrolyticSymbol = join(leads(0.6), []stroke{loop(-2, -0.9, 2, -0.9, 2, -0.4, -2, -0.4),
		heavy(-2, 0.6, 2, 0.6), line(-2, -2, -1, -2), line(-1.5, -2.5, -1.5, -1.5)})

	batterySymbol = join(leads(0.6), []stroke{line(-2.2, -0.6, 2.2, -0.6), heavy(-1.1, 0.6, 1.1, 0.6)})
	triangle      = loop(1.27, -1.27, -1.27, 0, 1.27, 1.27)
	diodeSymbol   = join(sideLeads(), []stroke{triangle, heavy(-1.27, -1.27, -1.27, 1.27)})
	zenerSymbol   = join(sideLeads(), []stroke{triangle,
		heavy(-0.7, -1.6, -1.27, -1.27, -1.27, 1.27, -1.84, 1.6)})
	ledSymbol        = join(diodeSymbol, arrow(0.3, -1.6, 1), arrow(-0.9, -1.6, 1))
	photodiodeSymbol = join(diodeSymbol, arrow(-0.6, -3.4, -1), arrow(0.6, -3.4, -1))

	npnSymbol = []stroke{line(-5.08, 0, -1.27, 0), heavy(-1.27, -2, -1.27, 2), line(-1.27, -0.8, 2.54, -2.6, 2.54, -5.08),
		line(-1.27, 0.8, 2.54, 2.6, 2.54, 5.08), line(0.9, 2.5, 1.9, 2.3, 1.3, 1.4)}
	pnpSymbol = []stroke{line(-5.08, 0, -1.27, 0), heavy(-1.27, -2, -1.27, 2), line(-1.27, -0.8, 2.54, -2.6, 2.54, -5.08),
		line(-1.27, 0.8, 2.54, 2.6, 2.54, 5.08), line(-0.3, -0.4, 0.3, -1.6, 0.5, -0.5)}
	nmosSymbol = []stroke{line(-5.08, 0, -1.27, 0), line(-1.27, -1.9, -1.27, 1.9), heavy(-0.6, -2.2, -0.6, -1.2),
		heavy(-0.6, -0.5, -0.6, 0.5), heavy(-0.6, 1.2, -0.6, 2.2), line(-0.6, -1.7, 2.54, -1.7, 2.54, -5.08),
		line(-0.6, 1.7, 2.54, 1.7, 2.54, 5.08), line(-0.6, 0, 2.54, 0, 2.54, 1.7), line(0.5, -0.4, -0.4, 0, 0.5, 0.4)}
	pmosSymbol = []stroke{line(-5.08, 0, -1.27, 0), line(-1.27, -1.9, -1.27, 1.9), heavy(-0.6, -2.2, -0.6, -1.2),
		heavy(-0.6, -0.5, -0.6, 0.5), heavy(-0.6, 1.2, -0.6, 2.2), line(-0.6, -1.7, 2.54, -1.7, 2.54, -5.08),
		line(-0.6, 1.7, 2.54, 1.7, 2.54, 5.08), line(-0.6, 0, 2.54, 0, 2.54, -1.7), line(0.4, -0.4, 1.3, 0, 0.4, 0.4)}
	thyristorSymbol = []stroke{line(2.54, -5.08, 2.54, -1.27), loop(1.27, -1.27, 3.81, -1.27, 2.54, 1.27),
		heavy(1.27, 1.27, 3.81, 1.27), line(2.54, 1.27, 2.54, 5.08), line(-5.08, 0, 0, 0, 1.7, 1.27)}
	phototransistorSymbol = join([]stroke{heavy(-1.27, -1.6, -1.27, 1.6), line(-1.27, -0.7, 0, -1.8, 0, -3.81),
		line(-1.27, 0.7, 0, 1.8, 0, 3.81), line(-0.9, 1.7, -0.2, 1.65, -0.35, 0.95)},
		arrow(-3.6, -1.2, -1), arrow(-3.6, 0, -1))
	optoSymbol = join([]stroke{box(5.7, 5.08), line(-8.89, -2.54, -3.5, -2.54, -3.5, -0.9),
		line(-3.5, 1, -3.5, 2.54, -8.89, 2.54),
		loop(-4.4, -0.9, -2.6, -0.9, -3.5, 1), heavy(-4.4, 1, -2.6, 1), heavy(2.54, -1.9, 2.54, 1.9),
		line(2.54, -0.6, 4.4, -2.54, 8.89, -2.54), line(2.54, 0.6, 4.4, 2.54, 8.89, 2.54),
		line(3.4, 2.2, 4.3, 2.45, 4, 1.5)}, arrow(-1.6, -0.6, 1), arrow(-1.6, 0.6, 1))
	switchSymbol = []stroke{line(-5.08, -2.54, -2.9, -2.54), line(2.9, -2.54, 5.08, -2.54), line(-5.08, 2.54, -2.9, 2.54),
		line(2.9, 2.54, 5.08, 2.54), circle(-2.5, -2.54, 0.4), circle(2.5, -2.54, 0.4), circle(-2.5, 2.54, 0.4),
		circle(2.5, 2.54, 0.4), heavy(-2.2, -2.8, 2.2, -4), heavy(-2.2, 2.3, 2.2, 1.1), line(0, -3.4, 0, 1.7)}
	piezoSymbol = []stroke{line(0, -3.81, 0, -1.9), heavy(-2, -1.9, 2, -1.9), loop(-1.6, -1.1, 1.6, -1.1, 1.6, 1.1, -1.6,
		1.1), heavy(-2, 1.9, 2, 1.9), line(0, 1.9, 0, 3.81)}
	electretSymbol = join([]stroke{line(0, -3.81, 0, -2), line(0, 2, 0, 3.81), circle(0, 0, 2), heavy(-2, -1.8, -2, 1.8)})

	wideBox = []stroke{box(8.89, 10.16), line(-11.43, -7.62, -8.89, -7.62), line(-11.43, -2.54, -8.89, -2.54),
		line(-11.43, 2.54, -8.89, 2.54), line(-11.43, 7.62, -8.89, 7.62), line(11.43, -7.62, 8.89, -7.62),
		line(11.43, -2.54, 8.89, -2.54), line(11.43, 2.54, 8.89, 2.54), line(11.43, 7.62, 8.89, 7.62)}
)

var (
	comparatorSymbol = join(wideBox, half(-5.08), half(5.08), openCollector(-5.08), openCollector(5.08))
	opampSymbol      = join(wideBox, half(-5.08), half(5.08))
)

var (
	chipSymbol      = chip()
	resonatorSymbol = []stroke{line(-5.08, 0, -1.9, 0), line(1.9, 0, 5.08, 0), heavy(-1.9, -1.8, -1.9, 1.8),
		heavy(1.9, -1.8, 1.9, 1.8), box(1.1, 2.2), line(0, 5.08, 0, 3.2), line(-2.4, 3.2, 2.4, 3.2)}
)

// chip is the microcontroller's box with its notch and a line to each pin.
func chip() []stroke {
	const edge = 13.97
	strokes := []stroke{box(edge, 19.05), line(-1.5, -19.05, -1.5, -18, 1.5, -18, 1.5, -19.05)}
	for _, p := range chipPins() {
		x, y := float64(p.X)*unit, float64(p.Y)*unit
		strokes = append(strokes, line(x, y, float64(p.DX)*edge, y))
	}
	return strokes
}

// half is one of the two amplifiers in a package, at a height: + above, - below, its output towards the box's middle.
func half(y float64) []stroke {
	const pin = 2.54
	return []stroke{loop(-4, y-4.2, -4, y+4.2, 2, y), line(-5.4, y-pin, -4, y-pin), line(-5.4, y+pin, -4, y+pin),
		line(-3.5, y-pin, -2.5, y-pin), line(-3, y-pin-0.5, -3, y-pin+0.5), line(-3.5, y+pin, -2.5, y+pin),
		line(2, y, 3, y, 3, y/2, 3.4, y/2)}
}

// openCollector is the sign of an output that only sinks: a rhombus on a line.
func openCollector(y float64) []stroke {
	return []stroke{loop(-1.6, y, -0.9, y-0.7, -0.2, y, -0.9, y+0.7), line(-1.6, y+1, -0.2, y+1)}
}

// arrow is a ray of light: out of a part that emits (way 1) or into one that receives (-1).
func arrow(x, y float64, way float64) []stroke {
	tip, end := [2]float64{x + 1.2, y - 1.2}, [2]float64{x, y}
	if way < 0 {
		tip, end = [2]float64{x + 1.4, y + 1.4}, [2]float64{x, y}
		return []stroke{line(end[0], end[1], tip[0], tip[1]), line(tip[0]-0.8, tip[1], tip[0], tip[1], tip[0], tip[1]-0.8)}
	}
	return []stroke{line(end[0], end[1], tip[0], tip[1]), line(tip[0]-0.7, tip[1], tip[0], tip[1], tip[0], tip[1]+0.7)}
}

// symbol is the symbol of a kind.
func (k Kind) symbol(value string) []stroke {
	if k != Terminal {
		return kinds[k].shape
	}
	pins := terminalPins(value)
	strokes := []stroke{box(2.54, float64(len(pins))*1.27)}
	for _, p := range pins {
		y := float64(p.Y) * unit
		strokes = append(strokes, line(-5.08, y, -2.54, y), circle(0, y, 1))
	}
	return strokes
}

// unit is the grid of the drawing in millimetres.
const unit = 1.27
