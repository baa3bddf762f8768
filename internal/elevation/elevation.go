// Package elevation draws a set from the side, to scale, as SVG: with its distances as dimensions, and with the moment,
// the place of the liquid when the flash fires. The liquid's path is that predicted by package shot.
//
// Both axes have the same scale. What would be too small to see is enlarged, what is too long has a break line, and the
// length of either is underlined, as is usual for dimensions that are not to scale.
package elevation

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"stillwater/internal/phys"
	"stillwater/internal/sentence"
	"stillwater/internal/shot"
	"stillwater/internal/svg"
)

// Widths of a drawing in CSS pixels. PhoneWidth is about that of a phone's page; on others the drawing is scaled.
const (
	MinWidth   = 328
	MaxWidth   = 700
	PhoneWidth = 360
)

// Options say what to draw, and for whom.
type Options struct {
	Width    float64   // in CSS pixels, MinWidth to MaxWidth; 0: PhoneWidth
	Interval phys.Time // throw: its time between the beams; 0: that of the middle of the accepted speeds
	Problem  Problem   // why the set cannot work; not needed for problems that Estimate finds
	Caption  string    // of a file, "" none
	// ForPage: dimensions can be pressed, the style and what is said of the problem are the page's. Else it is a file.
	ForPage bool
	// ReadOnly: with ForPage, dimensions cannot be pressed.
	ReadOnly bool
}

// Problem is why a set cannot work, and the field that it names, "" if none.
type Problem struct{ Field, Words string }

// Drawing is a set as seen from the side.
type Drawing struct {
	SVG           string
	Width, Height float64  // in CSS pixels
	Scale         float64  // CSS pixels per metre
	Text          []string // the same in sentences
	boxes         []box    // of all words
	drawn         box      // around all else
}

// Draw draws a set. If the set cannot work, it draws what is known, and marks the distance at fault.
func Draw(set shot.Set, opts Options) Drawing {
	if opts.Width == 0 {
		opts.Width = PhoneWidth
	}
	set = drawable(set)
	f := &figure{set: set, sheet: newSheet(min(max(opts.Width, MinWidth), MaxWidth)), problem: opts.Problem}
	var err error
	f.estimate, err = estimate(set, opts.Interval)
	f.works = err == nil
	if opts.Problem.Words == "" {
		f.problem = f.problemOf(err)
	}
	switch set.Kind {
	case shot.Throw:
		f.drawThrow()
	case shot.Sound:
		f.drawSound()
	default:
		f.drawDrop()
	}
	f.drawKey(opts)
	return f.drawing(opts)
}

func estimate(set shot.Set, interval phys.Time) (shot.Estimate, error) {
	if set.Kind == shot.Throw && interval > 0 {
		return set.EstimateAt(interval)
	}
	return set.Estimate()
}

// problemOf is the problem that an estimate found.
func (f *figure) problemOf(err error) Problem {
	switch refusal, field := new(shot.Refusal), new(shot.FieldError); {
	case errors.As(err, &refusal):
		return Problem{refusal.Field, refusal.Error()}
	case errors.As(err, &field):
		return Problem{field.Field, field.Why + "; " + field.Remedy}
	case err != nil:
		return Problem{Words: err.Error()}
	case f.set.Kind == shot.Sound && f.estimate.Delay < 0:
		return Problem{"sound.distance", fmt.Sprintf("the moment is over %s before the microphone hears the sound; move it "+
			"nearer, or choose a later moment", inMs(-f.estimate.Delay))}
	}
	return Problem{}
}

// drawable limits the set's lengths to what can be drawn, as a damaged record may hold any.
func drawable(set shot.Set) shot.Set {
	const shortest, longest = phys.Length(1e-5), phys.Length(1e3)
	d, t := &set.Drop, &set.Throw
	for _, l := range []*phys.Length{&d.Height, &d.Beam, &d.Nozzle, &d.PoolDepth, &t.Gate, &t.ToFocus, &t.Mass,
		&t.AboveFloor, &set.Sound.Distance, &set.Drops.Height, &set.Drops.Beam, &set.Drops.Tip, &set.Drops.PoolDepth} {
		if !(*l >= shortest) {
			*l = shortest
		}
		*l = min(*l, longest)
	}
	if !(t.Angle >= -steepest && t.Angle <= steepest) {
		t.Angle = 0
	}
	return set
}

const steepest phys.Angle = 1.5 // a little more than a set may have

// figure is a drawing in the making.
type figure struct {
	*sheet
	set      shot.Set
	estimate shot.Estimate
	works    bool // there is an estimate
	problem  Problem
	key      []keyRow
	text     []string
	scaleAt  point // where there is room for the scale; zero: below the key
}

// trim adds how much of the delay is the trim, if there is one.
func (f *figure) trim() string {
	if t := f.set.OwnTrim(); t != 0 {
		return ", with a trim of " + inMs(t)
	}
	return ""
}

// keyRow explains a sign.
type keyRow struct {
	sign  func(*pen, point)
	words string
}

func (f *figure) say(format string, args ...any) {
	f.text = append(f.text, svg.KeepUnits(fmt.Sprintf(format, args...)))
}

// explain adds a row to the key, and its words to the text.
func (f *figure) explain(sign func(*pen, point), format string, args ...any) {
	f.say(format, args...)
	f.key = append(f.key, keyRow{sign, f.text[len(f.text)-1]})
}

// drawKey draws the key, the scale and, in a file, what is wrong.
func (f *figure) drawKey(opts Options) {
	y := f.bottom + 12
	for _, row := range f.key {
		if row.sign != nil {
			row.sign(&f.back, point{keySign, y + 8})
		}
		y = f.paragraph(row.words, keyText, y)
	}
	y = f.scaleBar(y)
	if slices.ContainsFunc(f.dims, func(d dimension) bool { return d.apart }) {
		f.say("Lengths that are underlined are not to scale.")
		y = f.paragraph("Underlined: not to scale.", keyText, y)
	}
	if words := sentence.From(f.problem.Words); words != "" {
		f.say("This set cannot work: %s", words)
		if !opts.ForPage {
			y = f.paragraph(svg.KeepUnits("This set cannot work: "+words), keyText, y)
		}
	}
	if opts.Caption != "" && !opts.ForPage {
		y = f.paragraph(svg.KeepUnits(opts.Caption), keyText, y)
	}
	f.reach(point{f.width, y})
}

const (
	keySign = 16.0 // where the key's signs are, from the left
	keyText = 34.0 // where its words begin
)

// paragraph sets words in lines and returns where the next may begin.
func (f *figure) paragraph(words string, x, y float64) float64 {
	for _, line := range svg.Wrap(words, noteSize, f.width-x-margin) {
		f.words(&f.back, "note", noteSize, line, box{x, y, svg.Width(line, noteSize), noteLine}, start)
		y += noteLine
	}
	return y + 4
}

// scaleBar draws the scale where there is room for it, or at y.
func (f *figure) scaleBar(y float64) float64 {
	if !(f.scale > 0) {
		return y
	}
	length := phys.Length(nice(70 / f.scale))
	wide := float64(length) * f.scale
	at, below := point{keySign - 8, y}, false
	if f.scaleAt != (point{}) {
		at, below = f.scaleAt, true
	}
	f.back.lines("scale", at.plus(point{0, 4}), at.plus(point{0, 12}), at.plus(point{wide, 12}), at.plus(point{wide, 4}))
	end := f.paragraph(inLength(length), at.x+wide+8, at.y)
	if below {
		return y
	}
	return end
}

// drawing assembles the SVG.
func (f *figure) drawing(opts Options) Drawing {
	height := f.bottom + margin
	words := strings.Join(f.text, " ")
	var out strings.Builder
	fmt.Fprintf(&out, `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %s %s" class="elevation"`, svg.Number(f.width),
		svg.Number(height))
	switch {
	case opts.ForPage && opts.ReadOnly:
		fmt.Fprintf(&out, ` role="img" aria-label="%s: %s">`, title, svg.Escape(words))
	case opts.ForPage:
		fmt.Fprintf(&out, ` role="group" aria-label="%s" aria-describedby="elevation-words"><desc id="elevation-words">%s`+
			`</desc>`, title, svg.Escape(words))
	default:
		fmt.Fprintf(&out, ` width="%s" height="%s" role="img" aria-labelledby="title words"><title id="title">%s</title>`+
			`<desc id="words">%s</desc><style>%s</style><rect class="paper" width="100%%" height="100%%"/>`,
			svg.Number(f.width), svg.Number(height), title, svg.Escape(words), style)
	}
	out.WriteString(f.back.String())
	for _, d := range f.dims {
		f.group(&out, d, opts.ForPage && !opts.ReadOnly)
	}
	out.WriteString("</svg>")
	return Drawing{SVG: out.String(), Width: f.width, Height: height, Scale: f.scale, Text: f.text, boxes: f.boxes,
		drawn: f.drawn}
}

const title = "Side elevation of the set"

// style is the style of a file, on light paper.
const style = `.elevation text{font-family:system-ui,"Noto Sans",Arial,sans-serif;fill:#222}` +
	`.elevation path,.elevation circle{fill:none;stroke:#222;stroke-width:1;stroke-linejoin:round}` +
	`.elevation .paper{fill:#fff}.elevation .hit{fill:none;stroke:none}.elevation .name,.elevation .note{fill:#444}` +
	`.elevation .lead,.elevation .thin{stroke:#888;stroke-width:.75}.elevation .lead{stroke-dasharray:1 2}` +
	`.elevation .object{stroke-width:2}.elevation .beam{stroke:#a03000;stroke-dasharray:6 3}` +
	`.elevation .way{stroke:#00418a;stroke-width:2}.elevation .slow{stroke:#00418a;stroke-dasharray:2 4}` +
	`.elevation .fast{stroke:#00418a;stroke-dasharray:9 4}.elevation .axis{stroke:#888;stroke-dasharray:10 3 2 3}` +
	`.elevation .water{stroke:#00418a;stroke-width:2}.elevation .moment{fill:#a03000;stroke:#a03000}` +
	`.elevation .scale{stroke-width:1.5}.elevation .apart .value{text-decoration:underline}` +
	`.elevation .wrong path{stroke-width:2;stroke-dasharray:7 3 2 3}`
