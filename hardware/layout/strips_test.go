package layout

import (
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/hardware/circuit"
)

// strips is the first build on one kind of strips.
func strips(t testing.TB, kind circuit.StripKind) *StripPlan {
	t.Helper()
	b := design(t).Board("first")
	require.Len(t, b.Strips, 2)
	for _, s := range b.Strips {
		if s.Kind == kind {
			return PlaceStrips(b, s)
		}
	}
	t.Fatal(kind)
	return nil
}

// At most twenty parts, both ways, by the rules.
func TestTheFirstBuildKeepsTheRules(t *testing.T) {
	assert.LessOrEqual(t, len(design(t).Board("first").Parts), 20)
	for _, kind := range []circuit.StripKind{circuit.Solderless, circuit.StripBoard} {
		for _, f := range strips(t, kind).Check() {
			t.Error(f)
		}
	}
}

// Each rule of strips finds its slip.
func TestStripsWithFaults(t *testing.T) {
	move := func(ref string, col, row int) func(*circuit.Strips) {
		return func(s *circuit.Strips) {
			for i, p := range s.Places {
				if p.Ref == ref || p.Ref+"."+p.Pin == ref {
					s.Places[i].Col, s.Places[i].Row = col, row
				}
			}
		}
	}
	for name, c := range map[string]struct {
		kind circuit.StripKind
		rule string
		slip func(*circuit.Strips)
	}{
		"in the gap":        {circuit.Solderless, "holes", move("D901.A", 8, 9)},
		"two in a hole":     {circuit.Solderless, "holes", move("D901.A", 11, 6)},
		"between fives":     {circuit.Solderless, "holes", move("D901.K", 6, 2)},
		"in a cut":          {circuit.StripBoard, "holes", move("D901.A", 18, 5)},
		"a part left out":   {circuit.StripBoard, "complete", func(s *circuit.Strips) { s.Places = s.Places[1:] }},
		"a column beside":   {circuit.Solderless, "joints", move("D901.A", 7, 8)},
		"a wire left out":   {circuit.Solderless, "joints", func(s *circuit.Strips) { s.Links = s.Links[1:] }},
		"a cut left out":    {circuit.StripBoard, "joints", func(s *circuit.Strips) { s.Cuts = s.Cuts[:len(s.Cuts)-1] }},
		"a part on another": {circuit.StripBoard, "room", move("R908", 10, 4)},
		"a wire over a part": {circuit.Solderless, "wires", func(s *circuit.Strips) {
			s.Links[1] = circuit.StripLink{Net: "GND", From: [2]int{11, 8}, To: [2]int{11, 2}}
		}},
		"a wire over a lead": {circuit.Solderless, "wires", move("D901.K", 15, 2)},
		"one cut where two be": {circuit.StripBoard, "distance", func(s *circuit.Strips) {
			s.Cuts = append(s.Cuts[:10], s.Cuts[11:]...) // that of row 6
		}},
		"the flash above": {circuit.Solderless, "distance", move("J902.1", 30, 8)},
		"a thick leg": {circuit.Solderless, "thick legs", func(s *circuit.Strips) {
			s.Places[0] = circuit.StripPlace{Ref: "J902", Col: 30, Row: 12}
		}},
	} {
		t.Run(name, func(t *testing.T) {
			p := strips(t, c.kind)
			c.slip(p.Strips)
			var found []string
			for _, f := range PlaceStrips(p.Board, p.Strips).Check() {
				found = append(found, f.Rule)
			}
			assert.Contains(t, found, c.rule)
		})
	}
}

// crossAt is how a cut at a place is drawn, on either side of the board.
func crossAt(at point) string {
	return fmt.Sprintf(`<path class="cut" d="M%s %s L%s %s M`, hundredths(at.x-crossArm), hundredths(at.y-crossArm),
		hundredths(at.x+crossArm), hundredths(at.y+crossArm))
}

// The strips are cut from the copper side, and so there is a drawing that looks like it: column 1 at the right, a cross
// at each cut, none at its mirror image, and nothing else called a cut in another way.
func TestCutsAreDrawnFromTheCopperSide(t *testing.T) {
	p := strips(t, circuit.StripBoard)
	svg := p.CopperSide()
	wide, _ := p.size()
	for _, c := range p.Strips.Cuts {
		at := spot(hole(c))
		assert.Contains(t, svg, crossAt(point{wide - at.x, at.y}), "the cut at %v", c)
	}
	assert.Equal(t, len(p.Strips.Cuts), strings.Count(svg, `class="cut"`))
	assert.NotContains(t, svg, crossAt(spot(Hole{25, 6})), "that is where the parts' side has it")
	column := func(col string) float64 {
		var x float64
		at := strings.Index(svg, `class="grey">`+col+`</text>`)
		_, err := fmt.Sscanf(svg[strings.LastIndex(svg[:at], "<text"):], `<text x="%g"`, &x)
		require.NoError(t, err)
		return x
	}
	assert.Greater(t, column("15"), column("30"))
	for _, drawing := range []string{svg, p.SVG()} {
		assert.NotContains(t, drawing, `<circle class="cut"`)
		assert.Contains(t, drawing, "red cross")
	}
}

// A board of 400 holes: 30 columns of five above the gap and five below it, and four rails of 25 holes.
func TestSolderlessBoardHas400Holes(t *testing.T) {
	p, rails := strips(t, circuit.Solderless), map[int]int{}
	for h := range p.at {
		if name := p.rowName(h.Row); name == "+" || name == "-" {
			rails[h.Row]++
		}
	}
	assert.Len(t, p.at, 400)
	assert.Equal(t, map[int]int{1: 25, 2: 25, 17: 25, 18: 25}, rails)
}

// Put in by the names of its holes, an optocoupler has its pins as makers count them: seen from above,
// counter-clockwise from pin 1. A transistor has collector, base, emitter from left to right for somebody who looks at
// its flat face, which is drawn on the side of row j (BC547, from memory). Named here are holes as on a board that lies
// with column 1 at the left and row a at the bottom.
func TestHoleNamesAreNoMirrorImage(t *testing.T) {
	p := strips(t, circuit.Solderless)
	at := func(ref string) map[string]point {
		named := map[string]point{}
		for _, l := range p.Legs {
			if l.Ref == ref {
				var row byte
				var col int
				_, err := fmt.Sscanf(p.holeName(l.At), "%c%d", &row, &col)
				require.NoError(t, err)
				named[p.Board.Part(ref).PinName(l.Pin)] = point{float64(col), float64(strings.IndexByte("abcde  fghij", row))}
			}
		}
		return named
	}
	pins, area := at("U901"), 0.0 // positive when counter-clockwise
	require.Len(t, pins, 4)
	for i := range 4 {
		a, b := pins["AKEC"[i:i+1]], pins["KECA"[i:i+1]]
		area += (a.x*b.y - b.x*a.y) / 2
	}
	assert.InDelta(t, 4, area, 0, "one column wide, four rows high: %v", pins)
	for _, ref := range []string{"Q902", "Q903"} {
		i := slices.IndexFunc(p.parts, func(part *circuit.Part) bool { return part.Ref == ref })
		require.Equal(t, 0, thickSide(p.parts[i]), "its flat face is on the upper side, row j's")
		legs := at(ref)
		assert.Equal(t, []point{{-1, 0}, {-1, 0}}, []point{legs["B"].less(legs["C"]), legs["E"].less(legs["B"])}, ref)
	}
}

// The drawings are well-formed, and have every part, lead and wire.
func TestStripsAreDrawn(t *testing.T) {
	for _, kind := range []circuit.StripKind{circuit.Solderless, circuit.StripBoard} {
		p := strips(t, kind)
		svg, list := p.SVG(), StripList(p)
		decoder := xml.NewDecoder(strings.NewReader(svg))
		for {
			if _, err := decoder.Token(); errors.Is(err, io.EOF) {
				break
			} else {
				require.NoError(t, err)
			}
		}
		for _, part := range p.parts {
			assert.Contains(t, svg, ">"+part.Ref, kind)
			assert.Contains(t, list, "| "+part.Ref+" |", kind)
		}
		body := strings.LastIndex(svg, `class="body`)
		for _, c := range p.Strips.Cuts {
			at := spot(hole(c))
			assert.Greater(t, strings.Index(svg, crossAt(at)), body, "the cut at %v is seen on what is over it", c)
			assert.Regexp(t, fmt.Sprintf(`\| cut \| the strip \| (column %d, every row|%d,%d) \|`, c[0], c[0], c[1]), list)
		}
		assert.Equal(t, len(p.leads()), strings.Count(svg, `class="lead"`))
		assert.Equal(t, 2*len(p.Strips.Links), strings.Count(svg, `class="end"`))
		assert.Equal(t, len(p.Legs)-len(p.leads()), strings.Count(svg, `class="leg"`))
	}
}

// The names of legs are written over what is drawn, beside rings of wires and leads and off other parts' bodies; so
// are the parts' own names.
func TestLegsCanBeRead(t *testing.T) {
	for _, kind := range []circuit.StripKind{circuit.Solderless, circuit.StripBoard} {
		p := strips(t, kind)
		var drawn struct {
			Board struct {
				Texts []struct {
					X     float64 `xml:"x,attr"`
					Y     float64 `xml:"y,attr"`
					Class string  `xml:"class,attr"`
					Words string  `xml:",chardata"`
				} `xml:"text"`
			} `xml:"g"`
		}
		svg := p.SVG()
		require.NoError(t, xml.Unmarshal([]byte(svg), &drawn))
		names := 0
		for _, text := range drawn.Board.Texts {
			if text.Class != "over" || len(text.Words) != 1 {
				continue
			}
			names++
			at := point{text.X, text.Y - 0.5}
			for _, ring := range (&stripDrawing{StripPlan: p}).rings() {
				assert.Greater(t, math.Hypot(ring.x-at.x, ring.y-at.y), 1.3, "%s: %s at %v", kind, text.Words, at)
			}
			for _, part := range p.parts {
				assert.False(t, p.labelOf(part).box().near(at, 0.4), "%s: %s at %v is under %s", kind, text.Words, at, part.Ref)
			}
			nearest := (&stripDrawing{StripPlan: p}).nearestLeg(at)
			own := slices.ContainsFunc(p.Legs, func(l Leg) bool {
				return spot(l.At) == nearest && p.Board.Part(l.Ref).PinName(l.Pin) == text.Words
			})
			assert.True(t, own, "%s: %s at %v is nearer to another leg", kind, text.Words, at)
			for _, c := range p.Strips.Cuts {
				cut := spot(hole(c))
				assert.Greater(t, math.Hypot(cut.x-at.x, cut.y-at.y), crossArm+0.4, "%s: %s on a cross", kind, text.Words)
			}
			inside := 0
			for _, part := range p.parts {
				for _, c := range p.Strips.Cuts {
					assert.False(t, p.labelOf(part).box().near(spot(hole(c)), crossArm), "%s is on the cross at %v", part.Ref, c)
				}
				r := p.body(part)
				if at.x > r.low.x && at.x < r.high.x && at.y > r.low.y && at.y < r.high.y {
					inside++
				}
			}
			assert.LessOrEqual(t, inside, 1, "%s: %s at %v is on two parts", kind, text.Words, at)
		}
		assert.Equal(t, 2*3+4+2, names, "two transistors, the optocoupler, the diode")
		assert.Less(t, strings.LastIndex(svg, `class="wire"`), strings.Index(svg, `class="over"`), "wires hide no name")
	}
}
