package layout

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/hardware/circuit"
	"stillwater/internal/need"
)

func design(t testing.TB) *circuit.Design {
	t.Helper()
	text, err := os.ReadFile("../circuits.txt")
	require.NoError(t, err)
	d, err := circuit.Parse(string(text))
	require.NoError(t, err)
	return d
}

func wired(t testing.TB, b *circuit.Board) *Plan {
	t.Helper()
	p, err := Place(b)
	require.NoError(t, err)
	require.NoError(t, p.Wire())
	return p
}

// routed is each board of the design wired by hand, which takes seconds: once for all tests.
var routed = sync.OnceValues(func() (map[string]*Plan, error) {
	text, err := os.ReadFile("../circuits.txt")
	if err != nil {
		return nil, err
	}
	d, err := circuit.Parse(string(text))
	if err != nil {
		return nil, err
	}
	boards := map[string]*Plan{}
	for _, b := range d.Boards {
		p, err := Place(b)
		if err != nil {
			return nil, err
		}
		if err := p.Wire(); err != nil {
			return nil, err
		}
		boards[b.Name] = p
	}
	return boards, nil
})

// asDesigned is one board of them for a test to change: its circuit is parsed anew, and its wires are copies.
func asDesigned(t testing.TB, name string) *Plan {
	t.Helper()
	all, err := routed()
	require.NoError(t, err)
	p, err := Place(design(t).Board(name))
	require.NoError(t, err)
	p.Links = slices.Clone(all[name].Links)
	for _, r := range all[name].Runs {
		p.Runs = append(p.Runs, Run{r.Net, slices.Clone(r.Corners)})
	}
	return p
}

func TestThePlansKeepTheRules(t *testing.T) {
	for _, b := range design(t).Boards {
		p := asDesigned(t, b.Name)
		for _, f := range p.Check() {
			t.Error(f)
		}
		assert.Less(t, len(p.Links), len(p.Legs)/4, "%s: most joints are bare wires", b.Name)
	}
}

// fault is a slip that somebody could make with a soldering iron or an editor. Its rule finds it; the others that may
// find it too are named.
type fault struct {
	rule, name string
	make       func(p *Plan)
	also       []string
}

func (p *Plan) leg(ref, pin string) Hole {
	for _, l := range p.Legs {
		if l.Ref == ref && l.Pin == pin {
			return l.At
		}
	}
	panic("no leg " + ref + "." + pin)
}

// own gives a part a type of its own, to be spoiled.
func own(p *Plan, ref string) *circuit.Type {
	copied := *p.Board.Part(ref).Type
	p.Board.Part(ref).Type = &copied
	return &copied
}

func faults() []fault {
	moved := func(ref string, to func(p *Plan) Hole) func(*Plan) {
		return func(p *Plan) {
			part, at := p.Board.Part(ref), to(p)
			by := Hole{at.Col - part.Col, at.Row - part.Row}
			part.Col, part.Row = at.Col, at.Row
			for i := range p.Legs {
				if p.Legs[i].Ref == ref {
					p.Legs[i].At = Hole{p.Legs[i].At.Col + by.Col, p.Legs[i].At.Row + by.Row}
				}
			}
		}
	}
	legOf := func(ref, pin string) func(*Plan) Hole { return func(p *Plan) Hole { return p.leg(ref, pin) } }
	wires := []string{"joints", "shorts", "distance", "edge", "wires"}
	return []fault{
		{"room", "a part as large as a transformer", func(p *Plan) { own(p, "C1").Footprint.Body = [2]float64{40, 30} }, nil},
		{"room", "two legs in one hole", moved("R9", legOf("R10", "1")), wires},
		{"room", "a part over the edge", moved("R9", func(p *Plan) Hole { return Hole{p.Cols, 20} }), wires},
		{"room", "a leg under a pillar", moved("R9", func(*Plan) Hole { return Hole{2, 2} }), wires},
		{"joints", "a wire forgotten", func(p *Plan) { p.Runs = p.Runs[1:] }, []string{"wires"}},
		{"joints", "an insulated wire forgotten", func(p *Plan) { p.Links = p.Links[1:] }, nil},
		{"joints", "a wire one hole short", func(p *Plan) { p.Runs[0].Corners = p.Runs[0].Corners[1:] },
			[]string{"wires"}},
		{"shorts", "a bridge of solder between two legs", func(p *Plan) {
			p.Links = append(p.Links, Link{"GND", p.leg("U1", "4"), p.leg("U1", "3")})
		}, []string{"wires"}},
		{"shorts", "a wire over another", func(p *Plan) {
			a, b := p.leg("R5", "1"), p.leg("R6", "2")
			p.Runs = append(p.Runs, Run{"GND", slices.Compact([]Hole{a, {a.Col, b.Row}, b})})
		}, []string{"wires"}},
		{"distance", "an insulated wire across the barrier", func(p *Plan) {
			at := p.leg("U20", "3")
			p.Links = append(p.Links, Link{"GND", Hole{at.Col - 2, at.Row}, p.leg("J1", "3")})
		}, []string{"wires"}},
		{"distance", "a bare wire beside an isolated contact", func(p *Plan) {
			at := p.leg("J31", "1")
			p.Runs = append(p.Runs, Run{"GND", []Hole{{at.Col, at.Row - 3}, {at.Col + 1, at.Row - 3}}})
		}, []string{"wires"}},
		{"distance", "two flash units side by side", moved("J32", func(p *Plan) Hole {
			at := p.leg("J31", "2")
			return Hole{at.Col, at.Row + 2}
		}), []string{"room", "joints", "shorts", "wires"}},
		{"distance", "an optocoupler with its legs bent in", func(p *Plan) {
			for i, l := range p.Legs {
				if l.Ref == "U50" && (l.Pin == "3" || l.Pin == "4") {
					p.Legs[i].At.Col -= sign(l.At.Col - p.leg("U50", "1").Col)
				}
			}
		}, []string{"joints", "shorts", "room", "wires"}},
		{"edge", "a terminal that opens inwards", func(p *Plan) {
			part, last := p.Board.Part("J2"), p.leg("J2", "2")
			part.Col, part.Row, part.Facing = last.Col, last.Row, (part.Facing+180)%360
		}, nil},
		{"wires", "a bare wire askew", func(p *Plan) {
			at := p.leg("R9", "1")
			p.Runs = append(p.Runs, Run{p.Board.Part("R9").Pins["1"], []Hole{at, {at.Col + 1, at.Row + 2}}})
		}, []string{"shorts"}},
		{"distance", "a bare wire that passes the barrier", func(p *Plan) {
			p.Runs = append(p.Runs, Run{"GND", []Hole{{40, 27}, {p.Cols, 27}}})
		}, wires},
		{"distance", "an insulated wire that passes the barrier", func(p *Plan) {
			p.Links = append(p.Links, Link{"GND", Hole{40, 27}, Hole{p.Cols, 27}})
		}, wires},
		{"distance", "a camera's wire beside a pillar", func(p *Plan) {
			at := p.leg("J3", "1")
			p.Runs = append(p.Runs, Run{"CAM_FOCUS", []Hole{at, {p.Cols, at.Row}, {p.Cols, 4}}})
		}, []string{"wires"}},
		{"distance", "the tab of a FET beside a camera's contact", func(p *Plan) {
			at := p.leg("J3", "3")
			p.Board.Part("Q4").Col, p.Board.Part("Q4").Row = at.Col-3, at.Row
		}, []string{"room"}},
		{"wires", "a bare wire that ends at nothing", func(p *Plan) {
			p.Runs = append(p.Runs, Run{"GND", []Hole{{60, 36}, {61, 36}}}) // distanceOf from all parts
		}, nil},
		{"wires", "an insulated wire that ends at nothing", func(p *Plan) {
			p.Links = append(p.Links, Link{"V12_K", p.leg("Q4", "3"), Hole{60, 30}})
		}, nil},
		{"wires", "a wire with the name of another net", func(p *Plan) { p.Runs[0].Net = "VIO" }, nil},
		{"wires", "a bare wire to the pillar", func(p *Plan) {
			p.Runs = append(p.Runs, Run{"GND", []Hole{{1, 1}, {2, 1}}})
		}, nil},
	}
}

func TestEachRuleFindsItsFaults(t *testing.T) {
	seeded := map[string]bool{}
	for _, f := range faults() {
		seeded[f.rule] = true
		t.Run(strings.ReplaceAll(f.rule+"-"+f.name, " ", "-"), func(t *testing.T) {
			p := asDesigned(t, "outputs")
			f.make(p)
			found := map[string]bool{}
			for _, finding := range p.Check() {
				found[finding.Rule] = true
				assert.True(t, finding.Rule == f.rule || slices.Contains(f.also, finding.Rule), finding)
			}
			assert.True(t, found[f.rule], "not found")
		})
	}
	for _, r := range rules {
		assert.True(t, seeded[r.name], "no fault for rule %s", r.name)
	}
}

// A board that is begun is the same on every processor; only its tracks are to be drawn and its ground to be filled.
func TestABoardIsBegun(t *testing.T) {
	t.Parallel()
	b := design(t).Board("first") // the quickest one
	p, err := Place(b)
	require.NoError(t, err)
	found := begun(t, p).Check()
	unfilled := 0
	for _, f := range found {
		if f.Rule == "ground" {
			unfilled++
			assert.Contains(t, f.What, "is not filled: open the board in KiCad, press B and save it")
			continue
		}
		assert.Equal(t, "joints", f.Rule, f)
		assert.Contains(t, f.What, ": draw a track")
	}
	assert.Equal(t, 1, unfilled)
	assert.Greater(t, len(found), len(b.Nets)/2, "its tracks")
	other, err := Place(enlargedByEpsilon(design(t).Board("first")))
	require.NoError(t, err)
	assert.True(t, p.KiCad() == other.KiCad(), "another printed board")
}

// begun is a board as it is written where there is none, read again.
func begun(t testing.TB, p *Plan) *Printed {
	t.Helper()
	board, err := ReadPrinted(p.Board, p.Board.Name+".kicad_pcb", p.KiCad())
	require.NoError(t, err)
	return board
}

// enlargedByEpsilon makes a board larger by next to nothing. Processors differ in the last digit of a sum: what is made
// from the circuit is the same everywhere only if such a board is wired and drawn the same.
func enlargedByEpsilon(b *circuit.Board) *circuit.Board {
	b.Width, b.Height = b.Width+1e-9, b.Height-1e-9
	return b
}

// Boards with parts anywhere are wired so that an independent look finds every joint and no short, or are refused.
func TestAnyBoardIsWiredOrRefused(t *testing.T) {
	t.Parallel()
	done, seeds := 0, uint64(12)
	if need.RaceDetector { // the router has no goroutine: nothing to detect
		seeds = 3
	}
	for seed := range seeds {
		rng := rand.New(rand.NewPCG(seed, 1))
		p, err := Place(scattered(rng))
		require.NoError(t, err, "seed %d", seed)
		if p.Wire() == nil {
			done++
			for _, f := range p.Check() {
				assert.NotContains(t, []string{"joints", "shorts", "distance", "wires"}, f.Rule, "seed %d: %s", seed, f)
			}
		}
	}
	assert.Greater(t, done, int(seeds*2/3))
}

// scattered is a board of resistors of random nets, each in a column of its own.
func scattered(rng *rand.Rand) *circuit.Board {
	d, err := circuit.Parse(`type r resistor "a" legs=0,0/4,0 body=6x2 p=1 v=1
		board b "b" 80x60
		group LOGIC 5 "x"`)
	if err != nil {
		panic(err)
	}
	b := d.Board("b")
	nets := 4 + rng.IntN(8)
	for n := range nets {
		b.Nets = append(b.Nets, &circuit.Net{Name: fmt.Sprint("N", n), Group: "LOGIC"})
	}
	for row := 4; row <= 18; row += 2 {
		for col := 4; col < 20; col += 6 {
			if rng.IntN(4) == 0 {
				continue
			}
			b.Parts = append(b.Parts, &circuit.Part{Ref: fmt.Sprint("R", row*100+col), Type: d.Types["r"], Value: "1k", Col: col,
				Row: row, Pins: map[string]string{"1": fmt.Sprint("N", rng.IntN(nets)), "2": fmt.Sprint("N", rng.IntN(nets))}})
		}
	}
	return b
}

// small is a board of few parts: resistors, and blocks larger than the room between their legs.
func small(t *testing.T, parts ...string) *Plan {
	t.Helper()
	d, err := circuit.Parse(`type resistor resistor "a" legs=0,0/4,0 body=6x2 p=1 v=1
		type block capacitor "b" legs=0,0/2,0 body=8x8 v=1
		type bar capacitor "c" legs=0,0/2,0 body=14x4 v=1
		board b "b" 80x60
		group LOGIC 5 "x"
		net A LOGIC 5
		net B LOGIC 5
		section s "s" 0,0 50x50
		` + strings.Join(parts, "\n"))
	require.NoError(t, err)
	p, err := Place(d.Board("b"))
	require.NoError(t, err)
	return p
}

func TestRoom(t *testing.T) {
	for name, c := range map[string]struct {
		one, other string
		want       []string
	}{
		"side by side": {"R1 resistor 1k hole=10,10", "R2 resistor 1k hole=10,11", nil},
		"end to end":   {"R1 resistor 1k hole=10,10", "R2 resistor 1k hole=15,10", nil},
		"one hole": {"R1 resistor 1k hole=10,10", "R2 resistor 1k hole=14,10",
			[]string{"R1.2 and R2.1 are in one hole, {14 10}"}},
		"on a leg":      {"C1 block 1n hole=11,12", "R1 resistor 1k hole=13,11", []string{"C1 lies on the leg R1.1"}},
		"at an edge":    {"C1 block 1n hole=1,12", "R1 resistor 1k hole=10,10", nil},
		"over the edge": {"C1 bar 1n hole=1,12", "R1 resistor 1k hole=10,10", []string{"C1 stands over the board's edge"}},
		"corners meet":  {"C1 block 1n hole=11,12", "C2 block 1n hole=13,15", []string{"C1 and C2 are in each other's way"}},
		"corners apart": {"C1 block 1n hole=11,12", "C2 block 1n hole=14,16", nil},
	} {
		p := small(t, "part "+c.one+" : 1=A 2=B", "part "+c.other+" : 1=A 2=B")
		assert.ElementsMatch(t, c.want, checkRoom(p), name)
	}
}

// A leg that is joined to nothing stays alone.
func TestOpenLegs(t *testing.T) {
	p := small(t, "part R1 resistor 1k hole=10,10 : 1=A 2=-", "part R2 resistor 1k hole=10,12 : 1=A 2=B",
		"part R3 resistor 1k hole=10,14 : 1=B 2=-")
	require.NoError(t, p.Wire())
	assert.Empty(t, p.Check())
	p.Runs = append(p.Runs, Run{"A", []Hole{{10, 10}, {14, 10}}})
	assert.Equal(t, []string{"joined to each other: A, R1.2 (open)"}, checkShorts(p))
}

func TestRectangles(t *testing.T) {
	a := rect{point{0, 0}, point{2, 1}}
	for _, c := range []struct {
		other rect
		gap   float64
	}{{rect{point{5, 5}, point{6, 6}}, 5}, {rect{point{-3, -4}, point{-3, -4}}, 5}, {rect{point{3, 0}, point{4, 9}}, 1},
		{rect{point{0, 3}, point{9, 9}}, 2}, {rect{point{1, 0}, point{9, 9}}, 0}, {rect{point{2, 1}, point{9, 9}}, 0}} {
		assert.InDelta(t, c.gap, a.gap(c.other), 1e-12)
		assert.InDelta(t, c.gap, c.other.gap(a), 1e-12)
		assert.Equal(t, c.gap == 0, a.touches(c.other))
	}
	for by, want := range map[float64]bool{0: true, 0.2: true, 0.3: false} {
		for _, inner := range []rect{{point{0.2, 0.4}, point{1, 0.6}}, {point{1, 0.4}, point{1.8, 0.6}},
			{point{1, 0.2}, point{1.5, 0.5}}, {point{1, 0.5}, point{1.5, 0.8}}} {
			assert.Equal(t, want, a.holds(inner, by), "%v by %g", inner, by)
		}
	}
}

func TestPlaceRefuses(t *testing.T) {
	for name, c := range map[string]struct {
		spoil func(b *circuit.Board)
		want  string
	}{
		"no place": {func(b *circuit.Board) { b.Parts[0].Col = 0 }, "hole=COL,ROW,TURN"},
		"off":      {func(b *circuit.Board) { b.Parts[0].Row = 99 }, "off the board or under a pillar"},
		"pillar":   {func(b *circuit.Board) { b.Parts[0].Col, b.Parts[0].Row = 1, 2 }, "off the board or under a pillar"},
		"no foot":  {func(b *circuit.Board) { b.Parts[0].Type.Footprint.Legs = nil }, "has no foot"},
	} {
		b := scattered(rand.New(rand.NewPCG(1, 2)))
		c.spoil(b)
		_, err := Place(b)
		assert.ErrorContains(t, err, c.want, name)
	}
}

// A board without a way is refused and not drawn: here the only hole between is a pillar's.
func TestWiresThatDoNotFitAreRefused(t *testing.T) {
	b := scattered(rand.New(rand.NewPCG(3, 4)))
	p, err := Place(b)
	require.NoError(t, err)
	b.Groups = append(b.Groups, &circuit.Group{Name: "CAM", Limit: 5})
	b.Net(b.Parts[0].Pins["1"]).Group = "CAM" // its zone is in the middle of the others
	assert.ErrorContains(t, p.Wire(), "move its parts")
}

// Numbers of IPC-2221's chart for outer layers (from memory): 1 mm of 35 um copper carries about 2.4 A at 10 K.
func TestTrackCurrent(t *testing.T) {
	assert.InDelta(t, 2.4, trackAmps(1, 10), 0.1)
	assert.Greater(t, trackAmps(trackWidth, maxWarming), 0.5, "the narrowest carries the 5 V")
}

// Lines in one line are as far from each other as they are, though the last digits of their ends say that they cross;
// and lines that cross do.
func TestApart(t *testing.T) {
	next := math.Nextafter(3, 4)
	assert.InDelta(t, math.Sqrt2, distance(point{0, 0}, point{2, 2}, point{3, next}, point{4, math.Nextafter(4, 3)}), 1e-9)
	assert.InDelta(t, 1, distance(point{0, 0}, point{4, 0}, point{0, 1}, point{4, 1}), 1e-9)
	assert.InDelta(t, 5, distance(point{0, 0}, point{0, 0}, point{3, 4}, point{9, 4}), 1e-9)
	assert.Zero(t, distance(point{0, 0}, point{4, 4}, point{0, 3}, point{4, 1}))
	assert.Zero(t, distance(point{0, 0}, point{4, 0}, point{2, 0}, point{2, 2}))
}

func TestTheLastDigitDecidesNothing(t *testing.T) {
	t.Parallel()
	size := regexp.MustCompile(`>[0-9.]+ x [0-9.]+ mm`)
	for i, b := range design(t).Boards {
		if need.RaceDetector && b.Name != "modulated" {
			continue // the smallest one is enough to see
		}
		p, q := asDesigned(t, b.Name), wired(t, enlargedByEpsilon(design(t).Boards[i]))
		assert.Equal(t, p.Runs, q.Runs, b.Name)
		assert.Equal(t, p.Links, q.Links, b.Name)
		for _, d := range [][2]string{{p.PartsSide(), q.PartsSide()}, {p.SolderSide(), q.SolderSide()}} {
			assert.True(t, size.ReplaceAllString(d[0], "") == size.ReplaceAllString(d[1], ""), "%s: another plan", b.Name)
		}
	}
}
