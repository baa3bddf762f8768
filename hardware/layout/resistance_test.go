package layout

import (
	"fmt"
	"math"
	"os"
	"slices"
	"strings"
	"sync"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/hardware/circuit"
	"stillwater/internal/need"
)

// millimetre is what a track of 1 oz copper 1 mm wide resists a millimetre, in ohms: 0.49 mohm at 20 degC (17.24 nohm
// m,
// IEC 60028, over 35 um), 12 % more at 50 degC. A square of it is as much.
const millimetre = 0.5507e-3

// threeResistors is a board with R1 and R2 side by side and R3 below R2, 25.4 mm apart.
func threeResistors(t *testing.T) *Plan {
	t.Helper()
	d, err := circuit.Parse(`type resistor resistor "metal film" p=0.25 v=250 legs=0,0/4,0 body=6.8x2.5 makers="a (b)"
board a "a" 100x100
group LOGIC 5 "b"
net GND LOGIC 0 amps=1 use=zero
net X LOGIC 5
section s "s" 0,0 10x10
part R1 resistor 1k at=5,5 hole=15,5,0 : 1=GND 2=X
part R2 resistor 1k at=5,5 hole=25,5,0 : 1=GND 2=X
part R3 resistor 1k at=5,5 hole=25,15,0 : 1=GND 2=X
`)
	require.NoError(t, err)
	plan, err := Place(d.Boards[0])
	require.NoError(t, err)
	return plan
}

func ohmsBetween(c circuit.Copper, from, to string) float64 {
	ohms, _, _ := c.Among([]string{from, to}).Worst()
	return ohms
}

// track is a piece of copper of the first net, GND: its layer, its ends and its width.
type track struct {
	layer    int
	from, to point
	wide     float64
}

// Pieces in line add, two side by side halve, and a way round a loop conducts beside the other.
func TestCopperResistsAsItsDimensionsSay(t *testing.T) {
	plan := threeResistors(t)
	a, b, c := plan.at(15, 5), plan.at(25, 5), plan.at(25, 15)
	corner := plan.at(15, 15)
	for name, run := range map[string]struct {
		tracks   []track
		from, to string
		want     float64
	}{
		"one":          {[]track{{0, a, b, 1}}, "R1.1", "R2.1", 25.4 * millimetre},
		"half as wide": {[]track{{1, a, b, 0.5}}, "R1.1", "R2.1", 2 * 25.4 * millimetre},
		"askew":        {[]track{{0, a, c, 1}}, "R1.1", "R3.1", math.Sqrt2 * 25.4 * millimetre},
		"in line":      {[]track{{0, a, b, 1}, {1, b, c, 1}}, "R1.1", "R3.1", 2 * 25.4 * millimetre},
		"both layers":  {[]track{{0, a, b, 1}, {1, a, b, 1}}, "R1.1", "R2.1", 25.4 * millimetre / 2},
		"a loop": {[]track{{0, a, b, 1}, {0, b, c, 1}, {0, c, corner, 1}, {0, corner, a, 1}},
			"R1.1", "R2.1", 0.75 * 25.4 * millimetre},
		"joined on the way": {[]track{{0, a, b, 1}, {0, plan.at(20, 5), plan.at(20, 15), 1},
			{0, plan.at(20, 15), c, 1}}, "R1.1", "R3.1", 2 * 25.4 * millimetre},
		"crossed": {[]track{{0, a, plan.at(30, 5), 1}, {0, plan.at(23, 2), plan.at(23, 15), 1},
			{0, plan.at(23, 15), c, 1}}, "R1.1", "R3.1", 2 * 25.4 * millimetre},
	} {
		t.Run(strings.ReplaceAll(name, " ", "-"), func(t *testing.T) {
			text := plan.KiCad()
			for _, tr := range run.tracks {
				text = more(text, fmt.Sprintf("(segment (start %g %g) (end %g %g) (width %g) (layer %q) (net 1))\n",
					tr.from.x+origin, tr.from.y+origin, tr.to.x+origin, tr.to.y+origin, tr.wide, [2]string{"F.Cu", "B.Cu"}[tr.layer]))
			}
			board, err := ReadPrinted(plan.Board, "a.kicad_pcb", text)
			require.NoError(t, err)
			assert.InEpsilon(t, run.want, ohmsBetween(board.Resistances()["GND"], run.from, run.to), 1e-3)
		})
	}
}

// filled gives a board's zone a fill on one layer: corners as KiCad has them.
func filled(t *testing.T, p *Plan, layer string, corners ...point) string {
	t.Helper()
	var pts strings.Builder
	for _, c := range corners {
		fmt.Fprintf(&pts, "(xy %g %g) ", c.x+origin, c.y+origin)
	}
	text := p.KiCad()
	i := strings.Index(text, "(fill yes ")
	require.Positive(t, i)
	return text[:i] + fmt.Sprintf("(filled_polygon (layer %q) (pts %s))\n", layer, &pts) + text[i:]
}

// Between two pads of a radius, far from the edges of a sheet, there is its resistance of a square, times the
// logarithm
// of distance over radius, over pi (from memory: the field of two line charges); edges 25 mm and more away add some
// per
// cent. A strip is as its length over its width.
func TestZonesResistAsSheetsDo(t *testing.T) {
	plan := threeResistors(t)
	r1, r2 := plan.at(15, 5), plan.at(25, 5)
	ohms := func(corners ...point) float64 {
		p, err := ReadPrinted(plan.Board, "a.kicad_pcb", filled(t, plan, "B.Cu", corners...))
		require.NoError(t, err)
		return ohmsBetween(p.conductance("GND"), "R1.1", "R2.1")
	}
	far := rect{r1, r2}.grown(60)
	sheet := ohms(far.low, point{far.high.x, far.low.y}, far.high, point{far.low.x, far.high.y})
	assert.InEpsilon(t, millimetre/math.Pi*math.Log(25.4/0.8), sheet, 0.12)
	strip := rect{r1, r2}.grown(0.8)
	narrow := ohms(strip.low, point{strip.high.x, strip.low.y}, strip.high, point{strip.low.x, strip.high.y})
	assert.InEpsilon(t, millimetre*(25.4-1.6)/1.6, narrow, 0.1)
}

// laid is each board of the project as it is in KiCad, read once for all tests.
var laid = sync.OnceValues(func() (map[string]string, error) {
	list := map[string]string{}
	for _, name := range []string{"outputs", "sensors", "modulated", "first"} {
		text, err := os.ReadFile("../boards/" + name + ".kicad_pcb")
		if err != nil {
			return nil, err
		}
		list[name] = string(text)
	}
	return list, nil
})

func boardText(t testing.TB, name string) string {
	t.Helper()
	all, err := laid()
	require.NoError(t, err)
	return all[name]
}

// The ground of each board is a zone: between any two of its pins there are few milliohms. Without it, by tracks
// alone,
// there are ten times as many.
func TestTheGroundIsAZone(t *testing.T) {
	t.Parallel()
	for _, b := range design(t).Boards {
		if need.RaceDetector && b.Name != "first" {
			continue // the smallest one is enough to see
		}
		p, err := ReadPrinted(b, b.Name+".kicad_pcb", boardText(t, b.Name))
		require.NoError(t, err)
		with, pair, _ := p.conductance("GND").Worst()
		p.laid.Zones, p.fills = nil, nil
		p.copper = slices.DeleteFunc(p.copper, func(c conductor) bool { return c.radius == 0 && c.item >= p.pads })
		without, _, _ := p.reduced("GND").Worst()
		t.Logf("%s: %.1f mohm with the zone, from %s; %.1f without", b.Name, with*1e3, pair, without*1e3)
		assert.Less(t, with, maxGround, b.Name)
		assert.Greater(t, without, maxGround, b.Name)
	}
}
