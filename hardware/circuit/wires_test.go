package circuit

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// field is a router in an empty section 40 wide and 30 high, with a wire of net A from 5,10 to 25,10.
func field() *router {
	b := &Board{Name: "field", Sections: []*Section{{Name: "field", W: 40, H: 30}}}
	r := &router{sheet: &sheet{board: b, bodies: map[string]rect{}}, area: b.Sections[0], pins: map[gridPoint]string{},
		occupied: map[gridPoint]map[gridPoint]bool{}, owner: map[gridPoint]string{}, approach: map[gridPoint]string{}}
	var along []gridPoint
	for x := 5; x <= 25; x++ {
		along = append(along, gridPoint{x, 10})
	}
	r.occupy("A", along)
	return r
}

// A wire crosses another straight or not at all; it neither runs along it nor bends on it.
func TestWiresCrossStraight(t *testing.T) {
	for name, c := range map[string]struct {
		from, to gridPoint
		crossed  int
	}{
		"across":             {gridPoint{15, 5}, gridPoint{15, 15}, 1},
		"rather around":      {gridPoint{10, 7}, gridPoint{20, 13}, 0},
		"along it":           {gridPoint{3, 10}, gridPoint{28, 10}, 0},
		"from beside it":     {gridPoint{4, 9}, gridPoint{26, 9}, 0},
		"around its end":     {gridPoint{24, 8}, gridPoint{24, 12}, 0},
		"straight at a bend": {gridPoint{25, 8}, gridPoint{25, 12}, 0},
	} {
		t.Run(name, func(t *testing.T) {
			r := field()
			r.build()
			path := r.search("B", map[gridPoint]int{c.from: 0}, []pinEnd{{at: c.to}}, maxPathCost)
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
	r.occupied, r.owner = map[gridPoint]map[gridPoint]bool{}, map[gridPoint]string{}
	r.build()
	for _, y := range []float64{9, 11} {
		r.obstacles = append(r.obstacles, rect{0, y*unit - 0.1, 40 * unit, y*unit + 0.1})
	}
	start, to := map[gridPoint]int{{10, 10}: 0}, []pinEnd{{at: gridPoint{14, 10}}}
	require.NotNil(t, r.search("B", start, to, maxPathCost))
	r.occupy("A", []gridPoint{{11, 10}, {12, 10}, {13, 10}})
	assert.Nil(t, r.search("B", start, to, maxPathCost))
}

// A barrier, another's pin and the frame are never crossed.
func TestWiresStopAtBarriers(t *testing.T) {
	r := field()
	r.sheet.draw(barrier, "field", line(20*unit, 0, 20*unit, 30*unit))
	r.build()
	assert.Nil(t, r.search("B", map[gridPoint]int{{15, 5}: 0}, []pinEnd{{at: gridPoint{30, 5}}}, maxPathCost))
	assert.NotNil(t, r.search("B", map[gridPoint]int{{15, 5}: 0}, []pinEnd{{at: gridPoint{15, 20}}}, maxPathCost))
	r = field()
	r.build()
	for y := range 30 {
		r.pins[gridPoint{20, y}] = "C"
	}
	assert.Nil(t, r.search("B", map[gridPoint]int{{15, 5}: 0}, []pinEnd{{at: gridPoint{30, 5}}}, maxPathCost))
	assert.Nil(t, r.search("B", map[gridPoint]int{{15, 5}: 0}, []pinEnd{{at: gridPoint{15, 40}}}, maxPathCost))
}
