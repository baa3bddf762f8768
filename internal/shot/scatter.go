package shot

import (
	"math"

	"stillwater/internal/phys"
)

// place is in the plane of a throw's path, in metres from the focus spot: forward and up.
type place struct{ x, y float64 }

func (p place) plus(q place, times float64) place { return place{p.x + times*q.x, p.y + times*q.y} }

func (p place) dot(q place) float64 { return p.x*q.x + p.y*q.y }

// throwScatter is where throws are as their flash fires, by angle and by speed, each at the nodes of a normal
// distribution. The two errors of a place belong together: a steeper throw is higher and short of the spot, which on a
// steep path is the path of the others or near it. What else is off in time moves a throw along that path.
type throwScatter struct {
	at   [len(normalNodes)][len(normalNodes)]place // by angle, by speed; on average where the spot is on the path
	path place                                     // its direction at the spot, 1 long
}

// scatter is the scatter of throws whose average is the one that e describes. It takes no account of the floor: a throw
// that is below it is not near a spot above it.
//
// Errors: as package ballistics, for that throw.
func (t ThrowSet) scatter(e Estimate, spread Spread) (throwScatter, error) {
	spot, err := t.flight(e.Speed)
	if err != nil {
		return throwScatter{}, err
	}
	var s throwScatter
	s.path.y, s.path.x = math.Sincos(float64(spot.Angle))
	mean := 0.0
	for i, steep := range normalNodes {
		for j, fast := range normalNodes {
			angle := clamp(t.Angle+phys.Angle(steep.at)*spread.ThrowAngle, steepest)
			v := clamp(e.Speed*phys.Speed(1+fast.at*spread.ThrowSpeed), fastest)
			v = max(v, minFlightSpeed)
			after := spot.Time // a throw that the plan thinks too slow to get there is not near it
			if p, err := t.thrown().FlightOver(clamp(t.speedRead(v, angle), fastest), t.Angle, t.ToFocus); err == nil {
				after = p.Time
			}
			there, err := t.thrown().Trace(v, angle, after)
			if err != nil {
				return throwScatter{}, err
			}
			s.at[i][j] = place{float64(there[0].X - t.ToFocus), float64(there[0].Y - spot.Rise)}
			mean += steep.weight * fast.weight * s.at[i][j].dot(s.path)
		}
	}
	for i := range s.at {
		for j := range s.at[i] {
			s.at[i][j] = s.at[i][j].plus(s.path, -mean) // the trim
		}
	}
	return s, nil
}

// steepest and fastest are the ends of ballistics' domain.
const (
	steepest phys.Angle = 85 * degree
	fastest  phys.Speed = 30
)

func clamp[T ~float64](x, limit T) T { return min(max(x, -limit), limit) }

// speedRead is the speed that the plan reads from the gate for a throw of another angle than the set's, without air:
// gravity holds it back between the beams by more or less than is allowed for.
func (t ThrowSet) speedRead(v phys.Speed, angle phys.Angle) phys.Speed {
	sin := math.Sin(float64(angle))
	gate, speed := float64(t.Gate), float64(v)
	interval := gate / speed
	for range 12 { // Newton's method
		fell := phys.Gravity * interval / 2
		chord := interval * math.Sqrt(speed*speed+2*speed*fell*sin+fell*fell)
		slope := interval * (speed*speed + 3*speed*fell*sin + 2*fell*fell) / chord
		if !(slope > 0) {
			return v
		}
		interval -= (chord - gate) / slope
	}
	nominalSin, nominalCos := math.Sincos(float64(t.Angle))
	fell := phys.Gravity * interval / 2
	read := math.Sqrt(max(math.Pow(gate/interval, 2)-math.Pow(fell*nominalCos, 2), 0)) - fell*nominalSin
	if math.IsNaN(read) {
		return v
	}
	return max(phys.Speed(read), minFlightSpeed)
}

// moments are the second moments about the spot, in m², of throws that are off along the path by a standard deviation
// besides.
func (s throwScatter) moments(along phys.Length) (xx, yy, xy float64) {
	for i, steep := range normalNodes {
		for j, fast := range normalNodes {
			p, w := s.at[i][j], steep.weight*fast.weight
			xx, yy, xy = xx+w*p.x*p.x, yy+w*p.y*p.y, xy+w*p.x*p.y
		}
	}
	variance := float64(along * along)
	return xx + variance*s.path.x*s.path.x, yy + variance*s.path.y*s.path.y, xy + variance*s.path.x*s.path.y
}

// besidePath is how far from the path of the average throw they are, SD: what no timing corrects.
func (s throwScatter) besidePath() phys.Length {
	xx, yy, xy := s.moments(0)
	return phys.Length(math.Sqrt(max(xx*s.path.y*s.path.y+yy*s.path.x*s.path.x-2*xy*s.path.x*s.path.y, 0)))
}

// shareWithin is the share that is within a distance of the spot, of throws that are off along the path by a standard
// deviation besides. Between the nodes their places are a polynomial's.
func (s throwScatter) shareWithin(radius, along phys.Length) float64 {
	const end, step = 3.6, 0.15 // standard deviations
	r, sd := float64(radius), math.Sqrt2*float64(max(along, 1e-6))
	sum, all := 0.0, 0.0
	for a := -end; a <= end; a += step {
		var bySpeed [len(normalNodes)]place
		for i, share := range nodeShares(a) {
			for j := range bySpeed {
				bySpeed[j] = bySpeed[j].plus(s.at[i][j], share)
			}
		}
		for b := -end; b <= end; b += step {
			weight := math.Exp(-(a*a + b*b) / 2)
			all += weight
			var p place
			for j, share := range nodeShares(b) {
				p = p.plus(bySpeed[j], share)
			}
			beside := p.dot(place{-s.path.y, s.path.x})
			if past, room := p.dot(s.path), math.Sqrt(max(r*r-beside*beside, 0)); room > 0 {
				sum += weight * (math.Erf((room-past)/sd) + math.Erf((room+past)/sd)) / 2
			}
		}
	}
	return sum / all
}

// nodeShares is how much the value at each node counts for that of the polynomial through them (Lagrange's).
func nodeShares(x float64) (shares [len(normalNodes)]float64) {
	for i, node := range normalNodes {
		shares[i] = 1
		for j, other := range normalNodes {
			if i != j {
				shares[i] *= (x - other.at) / (node.at - other.at)
			}
		}
	}
	return shares
}

// besidesAngle is how far the budget's terms move a throw along its path, but for its angle: of the first shot, or once
// trimmed.
func (b Budget) besidesAngle(trimmed bool) phys.Length {
	sum := 0.0
	for _, t := range b.Terms {
		if t.Name != termAngle && !(trimmed && t.Systematic) {
			sum = math.Hypot(sum, float64(t.Displaced))
		}
	}
	return phys.Length(sum)
}
