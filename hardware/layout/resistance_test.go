package layout

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/hardware/circuit"
)

// A track of 1 oz copper 1 mm wide has 0.49 mohm a millimetre at 20 degC (17.24 nohm m, IEC 60028, over 35 um), 12 %
// more at 50 degC; pieces in line add, two side by side halve, and a way round a loop conducts beside the other.
func TestCopperResistsAsItsDimensionsSay(t *testing.T) {
	const millimetre = 0.5507e-3 // ohm, at 50 degC
	d, err := circuit.Parse(`type resistor resistor "metal film" p=0.25 v=250 legs=0,0/4,0 body=6.8x2.5 makers="a (b)"
board a "a" 100x100
group LOGIC 5 "b"
net GND LOGIC 0 amps=1 use=zero
net X LOGIC 5
section s "s" 0,0 10x10
part R1 resistor 1k at=5,5 hole=5,5,0 : 1=GND 2=X
part R2 resistor 1k at=5,5 hole=15,5,0 : 1=GND 2=X
part R3 resistor 1k at=5,5 hole=15,15,0 : 1=GND 2=X
`)
	require.NoError(t, err)
	plan, err := Place(d.Boards[0])
	require.NoError(t, err)
	a, b, c := plan.at(5, 5), plan.at(15, 5), plan.at(15, 15)
	corner := plan.at(5, 15)
	for name, run := range map[string]struct {
		tracks   []Track
		from, to string
		want     float64
	}{
		"one":          {[]Track{{"GND", 0, a, b, 1}}, "R1.1", "R2.1", 25.4 * millimetre},
		"half as wide": {[]Track{{"GND", 1, a, b, 0.5}}, "R1.1", "R2.1", 2 * 25.4 * millimetre},
		"in line":      {[]Track{{"GND", 0, a, b, 1}, {"GND", 1, b, c, 1}}, "R1.1", "R3.1", 2 * 25.4 * millimetre},
		"both layers":  {[]Track{{"GND", 0, a, b, 1}, {"GND", 1, a, b, 1}}, "R1.1", "R2.1", 25.4 * millimetre / 2},
		"a loop": {[]Track{{"GND", 0, a, b, 1}, {"GND", 0, b, c, 1}, {"GND", 0, c, corner, 1}, {"GND", 0, corner, a, 1}},
			"R1.1", "R2.1", 0.75 * 25.4 * millimetre},
		"joined on the way": {[]Track{{"GND", 0, a, b, 1}, {"GND", 0, plan.at(10, 5), plan.at(10, 15), 1},
			{"GND", 0, plan.at(10, 15), c, 1}}, "R1.1", "R3.1", 2 * 25.4 * millimetre},
	} {
		t.Run(name, func(t *testing.T) {
			board := &Copper{Plan: plan, Tracks: run.tracks}
			assert.InEpsilon(t, run.want, board.Resistances()["GND"].Ohms(run.from, run.to), 1e-3)
		})
	}
}

// The ground of each board is a pour: between any two of its pins there are few milliohms. Without it, by tracks alone,
// there are ten times as many.
func TestTheGroundIsAPour(t *testing.T) {
	const most = 8e-3 // ohm: 146 mA of the emitters then make 1.2 mV
	for _, b := range design(t).Boards {
		t.Run(b.Name, func(t *testing.T) {
			laid := asDesigned(t, b.Name)
			board := &Copper{Plan: laid.Plan, Tracks: laid.Tracks, Vias: laid.Vias}
			worst := func() (ohms float64, pair string) {
				ground := board.Resistances()["GND"]
				for i, from := range ground.Pins {
					for _, to := range ground.Pins[:i] {
						if r := ground.Ohms(from, to); r > ohms {
							ohms, pair = r, from+" "+to
						}
					}
				}
				return ohms, pair
			}
			ohms, pair := worst()
			t.Logf("%.1f mohm from %s", ohms*1e3, pair)
			assert.Less(t, ohms, most, pair)
			var bare []Track
			for _, track := range board.Tracks {
				if track.Wide != hatchWidth {
					bare = append(bare, track)
				}
			}
			board.Tracks = bare
			ohms, pair = worst()
			t.Logf("by tracks alone: %.1f mohm from %s", ohms*1e3, pair)
			assert.Greater(t, ohms, most, pair)
		})
	}
}
