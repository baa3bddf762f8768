package head

import (
	"encoding/xml"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/beam"
)

func pair(slit float64) Pair {
	p := Usual()
	p.Slit = slit
	return p
}

// What an edge needs through the slit: 5 mm at 3 m/s are 1.7 ms.
func TestCrossing(t *testing.T) {
	assert.InDelta(t, 1.7e-3, pair(5).Crossing(3), 0.05e-3)
	assert.InDelta(t, pair(5).Crossing(3)/5, pair(1).Crossing(3), 1e-9)
	assert.InDelta(t, 2, pair(2).Place(4)/pair(1).Place(4), 0.3)
}

// A disc over a slit, by hand: one far larger takes all, and on a line across, where light is most in the middle,
// half of the slit's width takes three quarters.
func TestTaken(t *testing.T) {
	all, _ := pair(5).Taken(100)
	assert.InDelta(t, 1, all, 1e-9)
	narrow, aside := pair(0.001).Taken(2.5)
	assert.InDelta(t, 0.75, narrow, 1e-4)
	assert.Less(t, aside, narrow)
	one, _ := pair(1).Taken(3)
	five, _ := pair(5).Taken(3)
	assert.Greater(t, one, five)
}

// raysOf go from anywhere on the emitter's lens to anywhere on the receiver's chip: those that pass both slits have the
// offset in each.
func raysOf(p Pair, n int) (through [][4]float64, all int) {
	r := rand.New(rand.NewPCG(7, 1))
	way := p.Apart + 2*p.Length
	near, far := p.Length/way, (p.Length+p.Apart)/way
	for all < n {
		x, y := p.Lens*(r.Float64()-0.5), p.Lens*(r.Float64()-0.5)
		if math.Hypot(x, y) > p.Lens/2 {
			continue
		}
		all++
		u, v := p.Diode*(r.Float64()-0.5), p.Diode*(r.Float64()-0.5)
		at := func(part float64) (across, along float64) { return x + (u-x)*part, y + (v-y)*part }
		ax, ay := at(near)
		bx, by := at(far)
		if max(math.Abs(ax), math.Abs(bx)) <= p.Wide/2 && max(math.Abs(ay), math.Abs(by)) <= p.Slit/2 {
			through = append(through, [4]float64{ax, ay, bx, by})
		}
	}
	return through, all
}

// Rays from lens to chip through the heads as they are drawn, at the table's distances and the drawing's: as much light
// as the table has, and of it a drop takes what the table says or more.
func TestHeadsAgainstRays(t *testing.T) {
	const n = 200000
	for _, slit := range []float64{1, 2, 5} {
		for _, apart := range []float64{pair(slit).Range(240), 100} {
			p := pair(slit)
			p.Apart = apart
			through, all := raysOf(p, n)
			light := float64(len(through)) / float64(all)
			t.Logf("slit %g mm, %.0f mm apart: light %.1f %% (table %.1f)", slit, apart, 100*light, 100*p.Light())
			assert.InEpsilon(t, light, p.Light(), 0.05)
			for _, d := range []float64{2, 3, 4} {
				midway, aside := p.Taken(d)
				for part, said := range map[float64]float64{0.5: midway, 0.25: aside, 0.75: aside} {
					stopped := 0
					for _, a := range through {
						if math.Hypot(a[0]+(a[2]-a[0])*part, a[1]+(a[3]-a[1])*part) <= d/2 {
							stopped++
						}
					}
					taken := float64(stopped) / float64(len(through))
					t.Logf("drop %g mm at %g: takes %.1f %% (table %.1f)", d, part, 100*taken, 100*said)
					assert.GreaterOrEqual(t, taken, said-0.01)
				}
			}
		}
	}
}

// What the error budget takes for a beam is what is drawn here and what the boards' decks say: the share at which the
// sensors board breaks in the dark, and the drops that it sees in a lit room.
func TestBudgetsBeamIsThis(t *testing.T) {
	assert.Equal(t, beam.Usual(), Usual().slit())
	text, err := os.ReadFile("../generated/measured.csv")
	require.NoError(t, err)
	rows := map[string][]string{}
	for line := range strings.Lines(string(text)) {
		cells := strings.Split(line, ",")
		rows[cells[0]+" "+cells[min(1, len(cells)-1)]] = cells
	}
	part := rows["beam_drop part_gate"]
	require.Greater(t, len(part), 5)
	typical, err := strconv.ParseFloat(part[4], 64)
	require.NoError(t, err)
	assert.InDelta(t, 1-typical, beam.Boards().Least, 0.005)
	seen := rows[fmt.Sprintf("beam_drop seen%.0f_beam", 100*beam.Boards().Most)]
	require.Greater(t, len(seen), 5, "the deck with a drop that takes the most that a board wants")
	highest, err := strconv.ParseFloat(seen[5], 64)
	require.NoError(t, err)
	assert.Less(t, highest, 0.4, "seen at all corners")
}

func TestLight(t *testing.T) {
	p := pair(1)
	p.Apart, p.Length = 1e6, 1 // far away the slit's height counts alone
	assert.InDelta(t, strip(1, p.Lens)/p.Diode, p.Light(), 1e-3)
	assert.Less(t, pair(1).Light(), pair(2).Light())
	assert.InDelta(t, 1, pair(5).Light(), 1e-9)
}

// At its range a pair has the light of the bare one at its own, and no more further away.
func TestRange(t *testing.T) {
	for _, slit := range []float64{1, 2, 5} {
		p := pair(slit)
		p.Apart = p.Range(240)
		require.Positive(t, p.Apart, slit)
		way := p.Apart + 2*p.Length
		assert.InDelta(t, 1, p.Light()*240*240/way/way, 1e-3, slit)
	}
	assert.InDelta(t, 240-2*20, pair(5).Range(240), 0.1, "without slits tubes cost their length")
	assert.Zero(t, pair(1).Range(30))
	p := Usual()
	assert.Less(t, p.Apart, p.Range(240), "the drawn pair is within its range")
}

func TestAccepts(t *testing.T) {
	along, across := pair(1).Accepts()
	assert.InDelta(t, 5.2, along, 0.1)
	assert.InDelta(t, 10.8, across, 0.1)
	assert.InDelta(t, 140*math.Tan(10*math.Pi/180), pair(1).Misalignment(), 1e-9)
	p := pair(1)
	assert.Greater(t, p.Neighbour(), (p.Apart+p.Length)*math.Tan(across*math.Pi/180))
}

// The drawing is XML, at true size, within A4, and has each dimension.
func TestSVG(t *testing.T) {
	text := Usual().SVG()
	for d := xml.NewDecoder(strings.NewReader(text)); ; {
		_, err := d.Token()
		if err == io.EOF {
			break
		}
		require.NoError(t, err)
	}
	for _, words := range []string{"tube 20", "slit to slit 100", "bore 6", "slit 2 (1 to 2)", "5 across",
		"10 degrees"} {
		assert.Contains(t, text, words)
	}
	assert.Contains(t, text, `width="210mm"`)
}
