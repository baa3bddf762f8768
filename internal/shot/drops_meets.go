package shot

import (
	"math"

	"stillwater/internal/phys"
)

// meetings are the causes of deviations of one collision, and what one standard deviation of each does.
type meetings struct {
	causes []scatter
	does   []deviated
}

func (m *meetings) add(cause scatter, does deviated) {
	m.causes, m.does = append(m.causes, cause), append(m.does, does)
}

// The deviations that are followed, in standard deviations to either side, how far apart, and how many there are
// between for the sums.
const (
	triedSigmas = 3
	triedStep   = 0.5
	triedParts  = 8
)

// within replaces the displacement in a sum of terms, and the part of its mistiming that comes with that, by those of
// the shots in which the two meet; share is how many do. Where the column soon ends, the sum of terms says too much:
// what would be met lower than the surface is not met at all, and near its highest the tip hardly moves.
//
// Heights are followed along the likeliest way to each: every cause deviates in proportion to what it does.
func (d DropsSet) within(p DropsPath, m meetings, sum *Term) (share float64) {
	var height, both float64 // variance of the height, and its covariance with the moment
	for _, x := range m.does {
		height += float64(x.height) * float64(x.height)
		both += float64(x.height) * float64(x.moment)
	}
	if height == 0 {
		return 1
	}
	tried := d.along(p, m, math.Sqrt(height))
	var all float64
	var heights, times weighted
	for i := range (len(tried)-1)*triedParts + 1 {
		z := -triedSigmas + triedStep/triedParts*float64(i)
		w := math.Exp(-z * z / 2)
		all += w
		if x := betweenTried(tried, i); x.meets && p.Meeting.Height+x.height > minMeeting {
			heights.add(float64(x.height), w)
			times.add(float64(x.moment), w)
		}
	}
	if heights.weight == 0 {
		return 0
	}
	other := max(float64(sum.Mistiming*sum.Mistiming)-both*both/height, 0)
	sum.Displaced = phys.Length(math.Sqrt(heights.variance()))
	sum.Mistiming = phys.Time(math.Sqrt(other + times.variance()))
	return heights.weight / all
}

// along is what shots do whose height differs by so many standard deviations sd.
func (d DropsSet) along(p DropsPath, m meetings, sd float64) []deviated {
	var tried []deviated
	for i := range int(2*triedSigmas/triedStep) + 1 {
		z := -triedSigmas + triedStep*float64(i)
		var off deviation
		for j, cause := range m.causes {
			cause.apply(&off, z*float64(m.does[j].height)/sd)
		}
		x, err := d.deviate(p, off)
		x.meets = x.meets && err == nil
		tried = append(tried, x)
	}
	return tried
}

// betweenTried is what was tried, between two of them; where one of the two does not meet, from the two beside.
func betweenTried(tried []deviated, part int) deviated {
	i := min(part/triedParts, len(tried)-2)
	share := float64(part)/triedParts - float64(i)
	a, b := tried[i], tried[i+1]
	switch {
	case a.meets && !b.meets && i > 0 && tried[i-1].meets:
		a, b, share = tried[i-1], a, share+1
	case b.meets && !a.meets && i+2 < len(tried) && tried[i+2].meets:
		a, b, share = b, tried[i+2], share-1
	}
	return deviated{meets: a.meets && b.meets, height: a.height + phys.Length(share)*(b.height-a.height),
		moment: a.moment + phys.Time(share)*(b.moment-a.moment)}
}

// weighted are sums over weighted values.
type weighted struct{ weight, sum, squares float64 }

func (m *weighted) add(x, weight float64) {
	m.weight, m.sum, m.squares = m.weight+weight, m.sum+weight*x, m.squares+weight*x*x
}

func (m weighted) variance() float64 {
	mean := m.sum / m.weight
	return max(m.squares/m.weight-mean*mean, 0)
}
