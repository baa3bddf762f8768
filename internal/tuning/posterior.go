package tuning

import (
	"math"
	"slices"
	"stillwater/internal/phys"
	"stillwater/internal/record"
	"time"
)

// The grid. A posterior is a product of likelihoods on it, so that no verdict is ever lost and none rules anything out.
const (
	trims = 161 // the best trim

	// wrong is how often a verdict is not what the picture shows: a slip of the thumb, a misread frame. Own choice.
	wrong = 0.05
	// surprise is how often an evening is not what the plan says, as something was measured wrong: own choice. Its best
	// trim then lies anywhere within surpriseFactor times the plan's band, or minSurprise.
	surprise       = 0.15
	surpriseFactor = 3
	minSurprise    = 20.0 // ms

	// normalTenth is what a normal distribution exceeds with a probability of 0.1.
	normalTenth = 1.2816

	minScatter, minTolerance = 0.1, 0.3 // ms
)

// Factors of the plan's scatter and tolerance, and how far from 1 they are expected, SD of the logarithm: the spreads
// that the plan assumes are mostly common practice, and what a person calls good is not known at all. Own choice.
var (
	scatterFactors   = [...]float64{0.5, 0.71, 1, 1.41, 2, 2.83}
	toleranceFactors = [...]float64{0.25, 0.5, 1, 2, 4}

	scatterSpread, toleranceSpread = 0.5, 0.9
)

// A frame is much larger than what is good in it: an empty one is off by between these multiples of the tolerance, any
// as likely as another by its logarithm. Own choice.
const frameFrom, frameTo = 2.0, 40.0

// posterior is the probability of each best trim, scatter and tolerance. Times are in ms.
type posterior struct {
	from, step float64
	rows       []row
	unit       time.Duration // of trims that are proposed
	now        float64
}

// row has the best trims for one scatter and one tolerance.
type row struct {
	scatter, tolerance float64
	weights            []float64 // sum to the row's own share
	share              float64
	said               map[record.Verdict][]float64 // see logLikelihoods
	good               []float64                    // the rate of good shots, so many steps from the best trim
}

func newPosterior(plan Plan, tries []Try, now time.Duration) *posterior {
	p := &posterior{unit: time.Millisecond, now: phys.Milliseconds(now)}
	scatter := max(phys.Milliseconds(plan.Scatter), minScatter)
	tolerance := max(phys.Milliseconds(plan.Tolerance), minTolerance)
	if scatter+tolerance < 1.5 {
		p.unit = 100 * time.Microsecond
	}
	groups := group(tries)
	p.span(plan, groups)
	prior := p.prior(plan)
	for _, s := range scatterFactors {
		for _, t := range toleranceFactors {
			r := row{scatter: s * scatter, tolerance: t * tolerance, weights: make([]float64, trims)}
			r.said = r.logLikelihoods(p.step)
			lean := logNormal(s, scatterSpread) + logNormal(t, toleranceSpread)
			for i := range r.weights {
				r.weights[i] = prior[i] + lean
			}
			for _, g := range groups {
				g.apply(&r, p)
			}
			p.rows = append(p.rows, r)
		}
	}
	p.normalize()
	return p
}

func logNormal(factor, sd float64) float64 { return -math.Pow(math.Log(factor)/sd, 2) / 2 }

// span chooses the trims of the grid: those the plan may need, and all around what was tried.
func (p *posterior) span(plan Plan, groups []likelihood) {
	reach := 2.5 * surpriseSD(plan)
	low, high := min(-reach, p.now), max(reach, p.now)
	for _, g := range groups {
		low, high = min(low, g.at-reach/2), max(high, g.at+reach/2)
	}
	p.from, p.step = low, (high-low)/(trims-1)
}

func surpriseSD(plan Plan) float64 {
	return max(surpriseFactor*phys.Milliseconds(plan.High-plan.Low)/(2*normalTenth), minSurprise)
}

// prior is the logarithm of the density of each trim before the first try: the plan's band, and less likely anything.
func (p *posterior) prior(plan Plan) []float64 {
	early := max(-phys.Milliseconds(plan.Low)/normalTenth, p.step)
	late := max(phys.Milliseconds(plan.High)/normalTenth, p.step)
	wide := surpriseSD(plan)
	logs := make([]float64, trims)
	for i := range logs {
		x := p.trim(i)
		sd := late
		if x < 0 {
			sd = early
		}
		narrow := math.Exp(-x*x/(2*sd*sd)) * 2 / (early + late)
		logs[i] = math.Log((1-surprise)*narrow + surprise*math.Exp(-x*x/(2*wide*wide))/wide)
	}
	return logs
}

func (p *posterior) trim(i int) float64 { return p.from + float64(i)*p.step }

// normalize makes the logarithms probabilities, and drops rows that have next to none.
func (p *posterior) normalize() {
	top := math.Inf(-1)
	for _, r := range p.rows {
		top = max(top, slices.Max(r.weights))
	}
	sum := 0.0
	for i := range p.rows {
		r := &p.rows[i]
		for k, w := range r.weights {
			r.weights[k] = math.Exp(w - top)
			r.share += r.weights[k]
		}
		sum += r.share
	}
	p.rows = slices.DeleteFunc(p.rows, func(r row) bool { return r.share < 1e-5*sum })
	for i := range p.rows {
		r := &p.rows[i]
		for k := range r.weights {
			r.weights[k] /= sum
		}
		r.share /= sum
		r.good = make([]float64, trims)
		for k := range r.good {
			r.good[k] = r.goodAt(float64(k) * p.step)
		}
	}
}

// likelihood is what tries alike say: at one trim, with one verdict.
type likelihood struct {
	at      float64
	verdict record.Verdict
	by, sd  float64 // measured, if verdict is ""
	times   float64
}

// group joins tries that say the same, to a tenth of a millisecond, as most of an evening do.
func group(tries []Try) (groups []likelihood) {
	for _, t := range tries {
		if !t.says() {
			continue
		}
		g := likelihood{at: math.Round(phys.Milliseconds(t.At)*10) / 10, verdict: t.Verdict, times: 1}
		if t.Off != nil {
			g.verdict, g.by, g.sd = "", phys.Milliseconds(t.Off.By), phys.Milliseconds(t.Off.SD)
		}
		same := func(o likelihood) bool { o.times = 1; return o == g }
		if i := slices.IndexFunc(groups, same); i >= 0 {
			groups[i].times++
			continue
		}
		groups = append(groups, g)
	}
	return groups
}

// apply multiplies a row by the likelihood.
func (g likelihood) apply(r *row, p *posterior) {
	if g.verdict == "" {
		sd := math.Hypot(r.scatter, g.sd)
		for i := range r.weights {
			off := g.by - (g.at - p.trim(i))
			// A wide normal stands for what was measured wrong.
			r.weights[i] += g.times * math.Log((1-wrong)*density(off, sd)+wrong*density(off, 10*sd+r.tolerance))
		}
		return
	}
	said := r.said[g.verdict]
	steps, part := math.Modf((g.at - p.from) / p.step)
	for i := range r.weights {
		k := int(steps) - i + trims
		r.weights[i] += g.times * (said[k]*(1-part) + said[k+1]*part)
	}
}

// logLikelihoods is the logarithm of the probability of each verdict, for every distance from the best trim on the
// grid: the middle of each list is a shot at its best moment on average, and after it come those that are late.
func (r *row) logLikelihoods(step float64) map[record.Verdict][]float64 {
	const cells = 2*trims + 2
	early, good := make([]float64, cells), make([]float64, cells)
	late, nothing := make([]float64, cells), make([]float64, cells)
	said := func(right float64) float64 { return math.Log((1-wrong)*right + wrong/4) }
	for k := range cells {
		after := float64(k-trims) * step
		before, behind := cumulative((-r.tolerance-after)/r.scatter), cumulative((after-r.tolerance)/r.scatter)
		empty := emptyFrame(math.Hypot(after, r.scatter) / r.tolerance)
		early[k], late[k] = said(before*(1-empty)), said(behind*(1-empty))
		good[k], nothing[k] = said(max(1-before-behind, 0)), said((before+behind)*empty)
	}
	return map[record.Verdict][]float64{record.Early: early, record.Good: good, record.Late: late, record.Nothing: nothing}
}

// emptyFrame is how probable it is that a picture off by so many tolerances shows nothing.
func emptyFrame(tolerances float64) float64 {
	share := math.Log(max(tolerances, frameFrom)/frameFrom) / math.Log(frameTo/frameFrom)
	return min(share, 1)
}

// goodAt is the rate of good shots with a trim so far from the best.
func (r *row) goodAt(off float64) float64 {
	return cumulative((r.tolerance-off)/r.scatter) - cumulative((-r.tolerance-off)/r.scatter)
}

func density(x, sd float64) float64 { return math.Exp(-x*x/(2*sd*sd)) / (sd * math.Sqrt(2*math.Pi)) }

func cumulative(z float64) float64 { return math.Erfc(-z/math.Sqrt2) / 2 }

// rate is the expected share of good shots with a trim.
func (p *posterior) rate(at time.Duration) float64 {
	x, sum := phys.Milliseconds(at), 0.0
	for i := range p.rows {
		r := &p.rows[i]
		for k, w := range r.weights {
			if w > 1e-9 {
				sum += w * r.goodAt(x-p.trim(k))
			}
		}
	}
	return sum
}

// sure is the probability that a trim gets nearly as many good shots as the best one.
func (p *posterior) sure(at time.Duration) float64 {
	x, sum := phys.Milliseconds(at), 0.0
	for i := range p.rows {
		r := &p.rows[i]
		steps := slices.IndexFunc(r.good, func(rate float64) bool { return rate < nearBest*r.good[0] })
		if steps < 0 {
			steps = trims
		}
		for k, w := range r.weights {
			if math.Abs(x-p.trim(k)) < (float64(steps)-0.5)*p.step {
				sum += w
			}
		}
	}
	return sum
}

// best is the trim with the highest expected rate, in whole units.
func (p *posterior) best() (time.Duration, float64) {
	var rates [trims]float64
	for i := range p.rows {
		r := &p.rows[i]
		reach := slices.IndexFunc(r.good, func(rate float64) bool { return rate < 1e-3 })
		if reach < 0 {
			reach = trims
		}
		for k, w := range r.weights {
			if w < 1e-8 {
				continue
			}
			for x := max(k-reach+1, 0); x < min(k+reach, trims); x++ {
				rates[x] += w * r.good[max(x-k, k-x)]
			}
		}
	}
	at := slices.Index(rates[:], slices.Max(rates[:]))
	best := time.Duration(p.trim(at) * 1e6).Round(p.unit)
	return best, p.rate(best)
}

// limit is the expected rate of the best trim, if it were known.
func (p *posterior) limit() (sum float64) {
	for _, r := range p.rows {
		sum += r.share * r.good[0]
	}
	return sum
}

// limitBelow is the probability that even the best trim has a lower rate.
func (p *posterior) limitBelow(rate float64) (sum float64) {
	for _, r := range p.rows {
		if r.good[0] < rate {
			sum += r.share
		}
	}
	return sum
}

// marginal is the probability of each trim.
func (p *posterior) marginal() (sum [trims]float64) {
	for _, r := range p.rows {
		for k, w := range r.weights {
			sum[k] += w
		}
	}
	return sum
}

// interval has the best trim with that probability, as much outside on either side.
func (p *posterior) interval(within float64) (low, high time.Duration) {
	m := p.marginal()
	at := func(share float64) time.Duration {
		sum := 0.0
		for k, w := range m {
			if sum += w; sum >= share {
				return fromMs(p.trim(k) + p.step*(0.5-(sum-share)/w))
			}
		}
		return fromMs(p.trim(trims - 1))
	}
	return at((1 - within) / 2), at((1 + within) / 2)
}

// scatter is the geometric mean of the scatter.
func (p *posterior) scatter() time.Duration {
	sum := 0.0
	for _, r := range p.rows {
		sum += r.share * math.Log(r.scatter)
	}
	return fromMs(math.Exp(sum))
}

// density is the marginal where it is not next to nothing, thinned.
func (p *posterior) density() (list []Weight) {
	const points = 48
	m := p.marginal()
	top := slices.Max(m[:])
	seen := func(w float64) bool { return w > top/50 }
	first := slices.IndexFunc(m[:], seen)
	last := trims - 1
	for !seen(m[last]) {
		last--
	}
	every := max((last-first)/points, 1)
	for k := first; k <= last; k += every {
		list = append(list, Weight{At: fromMs(p.trim(k)), Weight: m[k] / top})
	}
	return list
}

func fromMs(v float64) time.Duration { return time.Duration(math.Round(v * 1e6)) }
