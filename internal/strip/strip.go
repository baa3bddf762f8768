// Package strip draws an evening's tries as marks over their delay or trim: a lane and a shape for each verdict, below
// them how probable each delay is, and an arrow at the one to try next. It makes one SVG for the page and for a file,
// and the same in words.
package strip

import (
	"encoding/xml"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"stillwater/internal/phys"
	"stillwater/internal/record"
	"stillwater/internal/sentence"
	"stillwater/internal/svg"
	"stillwater/internal/tuning"
)

// Axis is what a person varies between the tries.
type Axis string

// The delay where all shots have one; the trim where each has its own.
const (
	ByDelay Axis = "delay" // from the edge to the moment
	ByTrim  Axis = "trim"  // where each shot has a delay of its own
)

// Mark is one mark. At is on the axis.
type Mark struct {
	At       time.Duration
	Verdict  record.Verdict
	Measured bool // its picture was
}

// measured is the lane of tries that nobody judged, as their pictures were measured.
const measured record.Verdict = "measured"

// lane is the verdict that a mark is drawn with.
func (m Mark) lane() record.Verdict {
	if m.Verdict == record.Unjudged && m.Measured {
		return measured
	}
	return m.Verdict
}

// Best is where the largest share of tries was good.
type Best struct {
	At          time.Duration
	Good, Tries int
}

// Strip is what is drawn. All times are on the axis, but for those of the Advice, which are trims: Zero is where a trim
// of 0 is on the axis.
type Strip struct {
	Axis   Axis
	Tries  []Mark
	Best   *Best
	Advice *tuning.Advice // nil: nothing was learned
	Zero   time.Duration
	Range  Range // zero: what is drawn needs
}

// Range is a part of the axis.
type Range struct{ From, To time.Duration }

// Join is the smallest range that holds both.
func (r Range) Join(o Range) Range { return Range{min(r.From, o.From), max(r.To, o.To)} }

// Drawing is a strip as SVG and in words.
type Drawing struct{ SVG, Words string }

// Options say what the drawing is for.
type Options struct {
	ForPage bool // its colours are those of the page; else it has its own, light
}

// FromTries is the strip of tries from which something was learned, on the axis of the delay if all shots have the
// same.
func FromTries(plan tuning.Plan, tries []tuning.Try, advice tuning.Advice) Strip {
	s := Strip{Axis: ByDelay, Advice: &advice, Zero: plan.Delay}
	if plan.Delay == 0 {
		s.Axis = ByTrim
	}
	for _, t := range tries {
		s.Tries = append(s.Tries, Mark{At: s.Zero + t.At, Verdict: t.Verdict, Measured: t.Off != nil})
	}
	return s
}

// lanes are the verdicts from the top.
func lanes() []record.Verdict {
	return []record.Verdict{record.Good, record.Early, record.Late, record.TooHigh, record.TooLow, record.Nothing,
		measured, record.Unjudged}
}

// Measures in CSS pixels.
const (
	width      = 360.0
	pad        = 8.0
	wordsWide  = 104.0
	right      = width - 20
	left       = pad + wordsWide
	markSize   = 12.0
	maxMarks   = 4 // as many stand on one another before they become a number
	laneAir    = 12.0
	bandHigh   = 26.0
	tickAir    = 62.0
	letterWide = 6.9 // of 13 px: from memory, wide rather than narrow
)

// Needs is the range of the axis that a strip needs, with some air.
func (s Strip) Needs() Range {
	first, r := true, Range{}
	add := func(at time.Duration) {
		if first {
			first, r = false, Range{at, at}
		}
		r = r.Join(Range{at, at})
	}
	for _, t := range s.Tries {
		add(t.At)
	}
	if s.Best != nil {
		add(s.Best.At)
	}
	if a := s.learned(); a != nil {
		add(s.Zero + a.Trim)
		for _, w := range a.Density {
			add(s.Zero + w.At)
		}
	}
	air := max((r.To-r.From)*6/100, time.Millisecond)
	return Range{r.From - air, r.To + air}
}

// learned is the advice, if there is any.
func (s Strip) learned() *tuning.Advice {
	if s.Advice == nil || s.Advice.Step == tuning.Judge {
		return nil
	}
	return s.Advice
}

// sheet is what is drawn on.
type sheet struct {
	strings.Builder
	r Range
}

func (s *sheet) x(at time.Duration) float64 {
	share := float64(at-s.r.From) / float64(s.r.To-s.r.From)
	return left + max(min(share, 1), 0)*(right-left)
}

func (s *sheet) path(class, d string) { fmt.Fprintf(s, `<path class="%s" d="%s"/>`, class, d) }

func (s *sheet) text(class string, x, y float64, anchor, words string) {
	fmt.Fprintf(s, `<text class="%s" x="%s" y="%s" text-anchor="%s">`, class, svg.Number(x), svg.Number(y), anchor)
	xml.EscapeText(s, []byte(words)) // a Builder does not fail
	s.WriteString("</text>")
}

// Draw draws a strip as SVG and in words.
func Draw(s Strip, opts Options) Drawing {
	page := &sheet{r: s.Range}
	if page.r == (Range{}) {
		page.r = s.Needs()
	}
	y := 4.0
	if s.Best != nil {
		y = 26
	}
	for _, verdict := range lanes() {
		stacks := page.stack(s.Tries, verdict)
		if len(stacks) == 0 {
			continue
		}
		y = page.lane(verdict, stacks, y)
	}
	if a := s.learned(); a != nil {
		y = page.band(s, a, y)
	}
	foot := y + 8
	if s.Best != nil {
		page.best(s, foot)
	}
	page.axis(s.Axis, foot)
	high := foot + 40
	if a := s.learned(); a != nil {
		page.arrow(s, a, foot)
	}
	d := Drawing{Words: s.words()}
	var out strings.Builder
	size := fmt.Sprintf(`viewBox="0 0 %s %s"`, svg.Number(width), svg.Number(high))
	if !opts.ForPage {
		size += fmt.Sprintf(` width="%s" height="%s"`, svg.Number(2*width), svg.Number(2*high))
	}
	fmt.Fprintf(&out, `<svg xmlns="http://www.w3.org/2000/svg" class="tries" role="img" %s aria-label="`, size)
	xml.EscapeText(&out, []byte(d.Words))
	out.WriteString(`">`)
	if !opts.ForPage {
		out.WriteString(ownStyle)
	}
	out.WriteString(page.String() + "</svg>")
	d.SVG = out.String()
	return d
}

// ownStyle is the style of a file: black on white, for paper too.
const ownStyle = `<style>.tries{background:#fff;font-family:sans-serif}` +
	`.tries text{fill:#111;font-size:13px}.tries .tick,.tries .many{fill:#444;font-size:12.5px}` +
	`.tries .lane{stroke:#ccc}.tries .axis{stroke:#555}.tries .best{stroke:#a40;stroke-width:2;stroke-dasharray:5 4}` +
	`.tries .try{fill:none;stroke:#111;stroke-width:1.5;stroke-linejoin:round}` +
	`.tries .try.good{fill:#a40;stroke:#a40}.tries .try.early,.tries .try.late{fill:#111;fill-rule:evenodd}` +
	`.tries .try.unjudged{stroke:#555;stroke-dasharray:2 2}.tries .density{fill:#ddd;stroke:#777}` +
	`.tries .interval{stroke:#111;stroke-width:3}.tries .arrow{fill:#a40}.tries .next{fill:#a40}</style>`

// stack is tries too near each other to stand side by side.
type stack struct {
	x float64
	n int
}

func (s *sheet) stack(tries []Mark, verdict record.Verdict) (stacks []stack) {
	places := map[int]int{}
	for _, t := range tries {
		if t.lane() != verdict {
			continue
		}
		x := s.x(t.At)
		key := int(math.Round(x / (markSize + 2)))
		i, known := places[key]
		if !known {
			i = len(stacks)
			places[key] = i
			stacks = append(stacks, stack{})
		}
		stacks[i].x += x
		stacks[i].n++
	}
	for i := range stacks {
		stacks[i].x /= float64(stacks[i].n)
	}
	return stacks
}

// lane draws the tries of a verdict below y, and returns where it ends.
func (s *sheet) lane(verdict record.Verdict, stacks []stack, y float64) float64 {
	most := 0
	for _, one := range stacks {
		most = max(most, one.n)
	}
	y += laneAir + float64(min(most, maxMarks))*markSize
	if most > maxMarks {
		y += 15
	}
	s.text("lane-words", pad, y-1, "start", word(verdict))
	s.path("lane", fmt.Sprintf("M%s %sH%s", svg.Number(left), svg.Number(y+3), svg.Number(right)))
	for _, one := range stacks {
		for i := range min(one.n, maxMarks) {
			s.mark(verdict, one.x, y-markSize/2-float64(i)*markSize)
		}
		if one.n > maxMarks {
			s.text("many", one.x, y-maxMarks*markSize-3, "middle", strconv.Itoa(one.n))
		}
	}
	return y
}

// mark draws a verdict's own shape, which its colour only repeats.
func (s *sheet) mark(verdict record.Verdict, x, y float64) {
	const ring = "M-4 0a4 4 0 1 0 8 0a4 4 0 1 0 -8 0z"
	class, d := strings.ReplaceAll(string(verdict), " ", "-"), ring
	switch verdict {
	case "early":
		d += "M0 -4a4 4 0 0 1 0 8z" // the later half is left open
	case "late":
		d += "M0 -4a4 4 0 0 0 0 8z"
	case "too high":
		d = "M-4 3h8M0 3v-8M-3 -2l3 -3l3 3"
	case "too low":
		d = "M-4 -4h8M0 -4v8M-3 1l3 3l3 -3"
	case "nothing there":
		d = "M-4 -4l8 8M4 -4l-8 8"
	case measured:
		d = "M-5 0h10M-5 -3v6M5 -3v6"
	case "":
		class = "unjudged"
	}
	fmt.Fprintf(s, `<path class="try %s" transform="translate(%s %s)" d="%s"/>`, class, svg.Number(x), svg.Number(y), d)
}

// band draws how probable each delay is, and the interval that has the best one 8 times in 10.
func (s *sheet) band(strip Strip, a *tuning.Advice, y float64) float64 {
	y += laneAir + bandHigh
	s.text("lane-words", pad, y-8, "start", "Best delay is")
	s.text("lane-words", pad, y+6, "start", "about here")
	d := ""
	for i, w := range a.Density {
		to := "L"
		if i == 0 {
			to = "M" + svg.Number(s.x(strip.Zero+w.At)) + " " + svg.Number(y) + "L"
		}
		d += to + svg.Number(s.x(strip.Zero+w.At)) + " " + svg.Number(y-bandHigh*w.Weight)
	}
	if d != "" {
		last := a.Density[len(a.Density)-1]
		s.path("density", d+"L"+svg.Number(s.x(strip.Zero+last.At))+" "+svg.Number(y)+"Z")
	}
	low, high := s.x(strip.Zero+a.Low), s.x(strip.Zero+a.High)
	s.path("interval", fmt.Sprintf("M%s %sH%s", svg.Number(low), svg.Number(y+4), svg.Number(high)))
	return y + 4
}

// arrow points at the delay to try next.
func (s *sheet) arrow(strip Strip, a *tuning.Advice, foot float64) {
	x := s.x(strip.Zero + a.Trim)
	fmt.Fprintf(s, `<path class="arrow" transform="translate(%s %s)" d="M0 -11l5 9h-10z"/>`, svg.Number(x),
		svg.Number(foot))
	words := "next " + strip.at(strip.Zero+a.Trim)
	if a.Step == tuning.Leave || a.Step == tuning.Reset {
		words = "stay at " + strip.at(strip.Zero+a.Trim)
	}
	half := float64(len([]rune(words))) * letterWide / 2
	s.text("next", max(min(x, right-half), pad+half), foot+34, "middle", words)
}

func (s *sheet) best(strip Strip, foot float64) {
	x := s.x(strip.Best.At)
	words := "best " + strip.at(strip.Best.At)
	half := float64(len([]rune(words))) * letterWide / 2
	s.path("best", fmt.Sprintf("M%s 20V%s", svg.Number(x), svg.Number(foot)))
	s.text("best-words", max(min(x, width-pad-half), pad+half), 15, "middle", words)
}

func (s *sheet) axis(axis Axis, y float64) {
	s.path("axis", fmt.Sprintf("M%s %sH%s", svg.Number(left), svg.Number(y), svg.Number(right)))
	from, to := phys.Milliseconds(s.r.From), phys.Milliseconds(s.r.To)
	rough := (to - from) / math.Max(1, (right-left)/tickAir)
	power := math.Pow(10, math.Floor(math.Log10(rough)))
	step := 10 * power
	for _, n := range []float64{5, 2, 1} {
		if n*power >= rough {
			step = n * power
		}
	}
	digits := max(0, -int(math.Floor(math.Log10(step)+1e-9)))
	for i := math.Ceil(from / step); i*step <= to; i++ {
		at := s.x(time.Duration(i * step * 1e6))
		s.path("axis", fmt.Sprintf("M%s %sv5", svg.Number(at), svg.Number(y)))
		s.text("tick", at, y+18, "middle", value(axis, i*step, digits))
	}
	s.text("tick", pad, y+18, "start", string(axis)+" in ms")
}

// value is a place on the axis; a trim has its sign.
func value(axis Axis, ms float64, digits int) string {
	text := strconv.FormatFloat(math.Abs(ms), 'f', digits, 64)
	zero := strings.Trim(text, "0.") == ""
	switch {
	case ms < 0 && !zero:
		return "−" + text
	case axis == ByTrim && !zero:
		return "+" + text
	}
	return text
}

// at is a place on the axis with its unit, which stays with it.
func (s Strip) at(at time.Duration) string {
	return value(s.Axis, phys.Milliseconds(at), 1) + "\u00a0ms"
}

// word is a verdict as a lane is called.
func word(verdict record.Verdict) string {
	if verdict == "" {
		return "Not judged"
	}
	return sentence.Capital(string(verdict))
}

// words say what the drawing shows.
func (s Strip) words() string {
	if len(s.Tries) == 0 {
		return "There are no tries to draw."
	}
	counts := map[record.Verdict]int{}
	low, high := s.Tries[0].At, s.Tries[0].At
	for _, t := range s.Tries {
		counts[t.lane()]++
		low, high = min(low, t.At), max(high, t.At)
	}
	var given []string
	for _, verdict := range lanes() {
		if n := counts[verdict]; n > 0 {
			given = append(given, fmt.Sprintf("%d %s", n, strings.ToLower(word(verdict))))
		}
	}
	where := fmt.Sprintf("with a %s from %s to %s", s.Axis, s.at(low), s.at(high))
	if s.at(low) == s.at(high) {
		where = fmt.Sprintf("at a %s of %s", s.Axis, s.at(low))
	}
	tries := fmt.Sprintf("%d tries", len(s.Tries))
	if len(s.Tries) == 1 {
		tries = "One try"
	}
	words := fmt.Sprintf("%s %s: %s.", tries, where, strings.Join(given, ", "))
	if s.Best != nil {
		words += fmt.Sprintf(" Most often good: %s %s, %d of %d tries.", s.Axis, s.at(s.Best.At), s.Best.Good, s.Best.Tries)
	}
	if a := s.learned(); a != nil {
		words += " " + a.Words
	}
	return words
}
