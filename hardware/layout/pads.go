package layout

// Design rules of printed boards, in millimetres: within the capability of any manufacturer (common practice, no
// source).
const (
	trackWidth = 0.4
	viaRadius  = 0.4
	viaDrill   = 0.4
	clearance  = 0.2
)

// padRadiusOf is the radius of a leg's pad: the drill and a ring of 0.35 mm, 0.8 mm at least.
func (p *Plan) padRadiusOf(l Leg) float64 { return max(0.8, p.drillOf(l)/2+0.35) }

// square reports whether a leg's pad is square: the first of its part.
func (p *Plan) square(l Leg) bool {
	pins, _ := p.Board.Part(l.Ref).Legs()
	return pins[0] == l.Pin
}

func (p *Plan) drillOf(l Leg) float64 { return p.Board.Part(l.Ref).Type.Footprint.Drill }

func middle(a, b point) point { return point{(a.x + b.x) / 2, (a.y + b.y) / 2} }
