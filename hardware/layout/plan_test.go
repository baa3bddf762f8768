package layout

import (
	"encoding/csv"
	"encoding/xml"
	"fmt"
	"io"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/hardware/circuit"
)

// overlaps lists texts of a drawing that lie on each other, on a leg of a part, or leave the sheet.
func overlaps(d *drawing) (bad []string) {
	sheet := rect{point{5, 5}, point{sheetWidth - 5, sheetHeight - 5}}
	for i, t := range d.texts {
		b := t.box()
		if b.low.x < sheet.low.x || b.low.y < sheet.low.y || b.high.x > sheet.high.x || b.high.y > sheet.high.y {
			bad = append(bad, fmt.Sprintf("%q leaves the sheet", t.words))
		}
		for _, o := range d.texts[i+1:] {
			if b.touches(o.box()) {
				bad = append(bad, fmt.Sprintf("%q and %q lie on each other", t.words, o.words))
			}
		}
		for _, r := range d.busy {
			if b.touches(r) {
				bad = append(bad, fmt.Sprintf("%q lies on a leg", t.words))
			}
		}
	}
	return bad
}

func TestThePlansCanBeRead(t *testing.T) {
	for _, b := range design(t).Boards {
		p := asDesigned(t, b.Name)
		for _, d := range []*drawing{p.partsSide(), p.solderSide()} {
			assert.Empty(t, overlaps(d), "%s, %s", b.Name, d.side)
			for _, words := range d.texts {
				assert.GreaterOrEqual(t, words.size, 1.25, words.words)
			}
		}
	}
}

func TestACrampedPlanIsSeen(t *testing.T) {
	p := asDesigned(t, "outputs")
	for _, part := range p.Board.Parts {
		if part.Type.Kind == circuit.Resistor { // all in one place
			part.Col, part.Row = 40, 20
		}
	}
	assert.NotEmpty(t, overlaps(p.partsSide()))
	d := p.drawing("parts", false)
	d.write(text{"on a leg", d.at(p.hole(p.Legs[5].At)), 2, false, ""})
	d.write(text{"off", point{1, 1}, 2, false, ""})
	assert.Equal(t, []string{`"on a leg" lies on a leg`, `"off" leaves the sheet`}, overlaps(d))
}

// What a builder needs to see is there: each part's name, each plus, each lead, both ends of each insulated wire, and a
// size that prints at 1:1.
func TestThePlansAreWhole(t *testing.T) {
	for _, b := range design(t).Boards {
		p := asDesigned(t, b.Name)
		parts, solder := p.partsSide(), p.solderSide()
		starts := func(d *drawing, word string) (n int) {
			for _, t := range d.texts {
				if t.words == word || strings.HasPrefix(t.words, word+" ") {
					n++
				}
			}
			return n
		}
		plus := 0
		for _, part := range b.Parts {
			assert.Positive(t, starts(parts, part.Ref), part.Ref)
			assert.Positive(t, starts(solder, part.Ref), part.Ref)
			if part.Type.Kind == circuit.Electrolytic || part.Type.Kind == circuit.Battery {
				plus++
			}
			if part.Type.Kind == circuit.Terminal {
				for _, net := range part.Pins {
					assert.Positive(t, starts(parts, net), net)
					assert.Positive(t, starts(solder, net), net)
				}
			}
		}
		assert.Equal(t, plus, starts(parts, "+"))
		for i := range p.Links {
			ends := 0
			for _, words := range solder.texts {
				if words.class == "on-link" && words.words == fmt.Sprint(i+1) {
					ends++
				}
			}
			assert.Equal(t, 2, ends, "insulated wire %d", i+1)
		}
		for _, drawn := range []string{p.PartsSide(), p.SolderSide()} {
			assert.Contains(t, drawn, `width="297mm" height="210mm" viewBox="0 0 297 210"`)
			requireXML(t, drawn)
		}
	}
}

func requireXML(t *testing.T, text string) {
	t.Helper()
	d := xml.NewDecoder(strings.NewReader(text))
	for {
		if _, err := d.Token(); err == io.EOF {
			return
		} else if err != nil {
			require.NoError(t, err)
		}
	}
}

// The solder side is the parts' side in a mirror.
func TestTheSolderSideIsMirrored(t *testing.T) {
	p, err := Place(design(t).Board("sensors"))
	require.NoError(t, err)
	a, b := p.drawing("parts", false), p.drawing("solder", true)
	for _, l := range p.Legs {
		x, y := a.at(p.hole(l.At)), b.at(p.hole(l.At))
		assert.InDelta(t, sheetWidth, x.x+y.x, 1e-9)
		assert.InDelta(t, x.y, y.y, 1e-9)
	}
}

// The lists are whole: from them alone comes the circuit. Legs are joined hole by hole as the list of wires says.
func TestTheListsGiveTheCircuit(t *testing.T) {
	d := design(t)
	var plans []*Plan
	for _, b := range d.Boards {
		plans = append(plans, asDesigned(t, b.Name))
	}
	joined, legs := map[string]islands{}, map[string]map[string]Hole{}
	for _, row := range records(t, Wires(plans)) {
		if joined[row[0]] == nil {
			joined[row[0]] = islands{}
		}
		var corners []Hole
		for word := range strings.FieldsSeq(row[5]) {
			corners = append(corners, holeIn(t, word))
		}
		list := Run{row[1], corners}.holes()
		if row[2] != "bare" {
			list = corners
		}
		for _, h := range list[1:] {
			joined[row[0]].join(list[0], h)
		}
	}
	for _, row := range records(t, Places(plans)) {
		if legs[row[0]] == nil {
			legs[row[0]] = map[string]Hole{}
		}
		for word := range strings.FieldsSeq(row[5]) {
			pin, hole, _ := strings.Cut(word, "=")
			if i := strings.Index(pin, "("); i > 0 {
				pin = pin[:i]
			}
			legs[row[0]][row[2]+"."+pin] = holeIn(t, hole)
		}
	}
	for _, b := range d.Boards {
		of := map[Hole]string{}
		for net, nodes := range b.Netlist() {
			root := joined[b.Name].of(legs[b.Name][nodes[0].Ref+"."+nodes[0].Pin])
			assert.Empty(t, of[root], "%s and %s", net, of[root])
			of[root] = net
			for _, n := range nodes {
				assert.Equal(t, root, joined[b.Name].of(legs[b.Name][n.Ref+"."+n.Pin]), "%s: %s.%s", net, n.Ref, n.Pin)
			}
		}
	}
}

func records(t *testing.T, text string) [][]string {
	t.Helper()
	r := csv.NewReader(strings.NewReader(text))
	r.Comment = '#'
	rows, err := r.ReadAll()
	require.NoError(t, err)
	require.NotEmpty(t, rows)
	return rows[1:]
}

func holeIn(t *testing.T, word string) (h Hole) {
	t.Helper()
	_, err := fmt.Sscanf(word, "%d,%d", &h.Col, &h.Row)
	require.NoError(t, err, word)
	return h
}

// Packages of eight legs count down one side and up the other (JEDEC MS-001, from memory), optocouplers of four have
// their lamp on one side and stand across the barrier; a terminal's ways are in a row.
func TestFeetAreThoseOfThePackages(t *testing.T) {
	d := design(t)
	for _, b := range d.Boards {
		p, err := Place(b)
		require.NoError(t, err)
		for _, part := range b.Parts {
			mm := func(x, y string) float64 {
				a, b := p.hole(p.leg(part.Ref, x)), p.hole(p.leg(part.Ref, y))
				return rect{a, a}.gap(rect{b, b})
			}
			switch part.Type.Kind {
			case circuit.Comparator, circuit.OpAmp, circuit.Timer:
				for _, side := range [][2]string{{"1", "2"}, {"2", "3"}, {"3", "4"}, {"5", "6"}, {"6", "7"}, {"7", "8"}} {
					assert.InDelta(t, 2.54, mm(side[0], side[1]), 1e-9, part.Ref)
				}
				for _, across := range [][2]string{{"1", "8"}, {"2", "7"}, {"3", "6"}, {"4", "5"}} {
					assert.InDelta(t, 7.62, mm(across[0], across[1]), 1e-9, part.Ref)
				}
				// Seen from above, 1 to 4 go round against the clock: 1 top left, 4 bottom left, 8 top right.
				one, four, eight := p.hole(p.leg(part.Ref, "1")), p.hole(p.leg(part.Ref, "4")), p.hole(p.leg(part.Ref, "8"))
				turn := (eight.x-one.x)*(four.y-one.y) - (eight.y-one.y)*(four.x-one.x)
				assert.Positive(t, turn, "%s is drawn from below", part.Ref)
			case circuit.Opto:
				assert.InDelta(t, 2.54, mm("1", "2"), 1e-9, part.Ref)
				assert.InDelta(t, 2.54, mm("3", "4"), 1e-9, part.Ref)
				assert.InDelta(t, 10.16, mm("1", "4"), 1e-9, part.Ref)
				one, two, four := p.hole(p.leg(part.Ref, "1")), p.hole(p.leg(part.Ref, "2")), p.hole(p.leg(part.Ref, "4"))
				turn := (four.x-one.x)*(two.y-one.y) - (four.y-one.y)*(two.x-one.x)
				assert.Positive(t, turn, "%s is drawn from below", part.Ref)
			case circuit.Terminal:
				assert.InDelta(t, part.Type.Rating["pitch"], mm("1", "2"), 1e-9, part.Ref)
			}
		}
	}
}
