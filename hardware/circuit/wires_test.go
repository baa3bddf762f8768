package circuit

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// field is a router in an empty section 40 wide and 30 high, with a wire of net A from 5,10 to 25,10.
func field() *router {
	b := &Board{Name: "field", Sections: []*Section{{Name: "field", W: 40, H: 30}}}
	r := &router{sheet: &sheet{board: b, bodies: map[string]rect{}}, area: b.Sections[0], pins: map[spot]string{},
		taken: map[spot]map[spot]bool{}, owner: map[spot]string{}, lane: map[spot]string{}}
	var along []spot
	for x := 5; x <= 25; x++ {
		along = append(along, spot{x, 10})
	}
	r.lay("A", along)
	return r
}

// A wire crosses another straight or not at all; it neither runs along it nor bends on it.
func TestWiresCrossStraight(t *testing.T) {
	for name, c := range map[string]struct {
		from, to spot
		crossed  int
	}{
		"across":             {spot{15, 5}, spot{15, 15}, 1},
		"rather around":      {spot{10, 7}, spot{20, 13}, 0},
		"along it":           {spot{3, 10}, spot{28, 10}, 0},
		"from beside it":     {spot{4, 9}, spot{26, 9}, 0},
		"around its end":     {spot{24, 8}, spot{24, 12}, 0},
		"straight at a bend": {spot{25, 8}, spot{25, 12}, 0},
	} {
		t.Run(name, func(t *testing.T) {
			r := field()
			r.build()
			path := r.search("B", map[spot]int{c.from: 0}, []tip{{at: c.to}}, farthest)
			require.NotNil(t, path)
			crossed := 0
			for i, a := range path {
				if r.owner[a] != "A" {
					continue
				}
				crossed++
				require.True(t, i > 0 && i+1 < len(path), "it ends on the other wire")
				assert.Equal(t, path[i-1].x, path[i+1].x, "it bends on the other wire at %v", a)
				assert.NotEqual(t, path[i-1].y, path[i+1].y, "it runs along the other wire at %v", a)
			}
			assert.Equal(t, c.crossed, crossed)
		})
	}
}

// Where the only way is along another wire there is none.
func TestWiresDoNotShareTracks(t *testing.T) {
	r := field()
	r.taken, r.owner = map[spot]map[spot]bool{}, map[spot]string{}
	r.build()
	for _, y := range []float64{9, 11} {
		r.walls = append(r.walls, rect{0, y*unit - 0.1, 40 * unit, y*unit + 0.1})
	}
	start, to := map[spot]int{{10, 10}: 0}, []tip{{at: spot{14, 10}}}
	require.NotNil(t, r.search("B", start, to, farthest))
	r.lay("A", []spot{{11, 10}, {12, 10}, {13, 10}})
	assert.Nil(t, r.search("B", start, to, farthest))
}

// A barrier, another's pin and the frame are never crossed.
func TestWiresStopAtBarriers(t *testing.T) {
	r := field()
	r.sheet.draw(barrier, "field", line(20*unit, 0, 20*unit, 30*unit))
	r.build()
	assert.Nil(t, r.search("B", map[spot]int{{15, 5}: 0}, []tip{{at: spot{30, 5}}}, farthest))
	assert.NotNil(t, r.search("B", map[spot]int{{15, 5}: 0}, []tip{{at: spot{15, 20}}}, farthest))
	r = field()
	r.build()
	for y := range 30 {
		r.pins[spot{20, y}] = "C"
	}
	assert.Nil(t, r.search("B", map[spot]int{{15, 5}: 0}, []tip{{at: spot{30, 5}}}, farthest))
	assert.Nil(t, r.search("B", map[spot]int{{15, 5}: 0}, []tip{{at: spot{15, 40}}}, farthest))
}
