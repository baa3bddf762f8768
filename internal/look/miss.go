package look

import (
	"fmt"
	"math"
	"time"

	"stillwater/internal/optics"
	"stillwater/internal/phys"
	"stillwater/internal/record"
	"stillwater/internal/tuning"
)

// Target is where in a frame the liquid is to be, and how large things are there.
type Target struct {
	Spot    Point // the focus spot, in the image's pixels
	PxPerMm float64
	Way     Point // the direction of motion in the image, of length 1
	Speed   phys.Speed
	SpeedSD phys.Speed
}

// ScaleOf is how many of an image's pixels a millimetre has, from two places on a ruler at the focus spot.
func ScaleOf(a, b Point, apart phys.Length) (pxPerMm float64, err error) {
	mm := float64(apart) * 1e3
	px := math.Hypot(a.X-b.X, a.Y-b.Y)
	if !(mm > 0) || !(px >= minRuler) {
		return 0, fmt.Errorf("the two places on the ruler are %.0f pixels and %v apart: choose two further apart", px, apart)
	}
	return px / mm, nil
}

// minRuler is how far apart the two places are at least: a pixel's error at each end is 2 % of the scale, little beside
// middleSD. It is the same in all frames, so that more of them do not make it less.
const minRuler = 80

// Miss is how far past its place the liquid is, along its motion; negative: it has not arrived.
type Miss struct {
	Past, SD phys.Length
	Delay    tuning.Measured // by how much the picture came late, and its standard deviation
	Cut      bool            // the liquid reaches the frame's border: there may be more of it outside
}

// middleSD is how far the middle of what is seen lies from the liquid's own, in lengths of it along the motion, as its
// parts do not all show, and its front is torn. In renderings of known place it lies 0.04 lengths ahead in the mean,
// and at most 0.11 either way.
const middleSD = 0.12

// MissOf measures it; false where the liquid was not found, or where nothing moves.
func MissOf(i *Image, l Liquid, p Target) (m Miss, ok bool) {
	if !l.Found || !(p.PxPerMm > 0) || !(p.Speed > 0) {
		return m, false
	}
	mm := func(px float64) phys.Length { return phys.Length(px / p.PxPerMm / 1e3) }
	m.Past = mm((l.Middle.X-p.Spot.X)*p.Way.X + (l.Middle.Y-p.Spot.Y)*p.Way.Y)
	long := math.Abs((l.Max.X-l.Min.X)*p.Way.X) + math.Abs((l.Max.Y-l.Min.Y)*p.Way.Y)
	m.SD = mm(math.Hypot(middleSD*long, 1))
	m.Cut = l.minX == 0 || l.minY == 0 || l.maxX == i.Width-1 || l.maxY == i.Height-1
	off, ok := tuning.MeasuredAlong(m.Past, m.SD, p.Speed)
	if !ok {
		return m, false
	}
	bySpeed := float64(off.By) * float64(p.SpeedSD/p.Speed)
	m.Delay = tuning.Measured{By: off.By, SD: time.Duration(math.Hypot(float64(off.SD), bySpeed))}
	return m, true
}

// Seen is all that was measured of a frame; what was not is nil.
type Seen struct {
	Tones  Tones
	Liquid *Liquid
	Blur   *Blur
	Miss   *Miss
}

// Suggestion is the verdict that a frame suggests, with the reasons and the next moves.
type Suggestion struct {
	Verdict record.Verdict // "" none
	Reasons []string
	Next    []string // what to change, the most useful first
}

const (
	clippedMuch = 0.02 // of the frame burnt out: more than highlights on water. Common practice, no source
	smearMuch   = 10.0 // pixels of the image: sharp water, drawn out in flight, has up to 7 in renderings. Own choice
	lowContrast = 0.7  // stops: clear liquid hardly shows. Own choice
)

// Suggest judges a frame by what was measured of it. within is how far off a picture is still good.
func Suggest(s Seen, within time.Duration) (g Suggestion) {
	if s.Tones.Black {
		return Suggestion{Reasons: []string{"the frame is black"},
			Next: []string{"check that the flash fires and the shutter is open"}}
	}
	g.tones(s)
	switch {
	case s.Liquid != nil && !s.Liquid.Found:
		g.Verdict = record.Nothing
		g.Reasons = append(g.Reasons, "nothing differs from the empty frame")
	case s.Miss != nil:
		g.place(*s.Miss, within)
	}
	if s.Blur != nil && s.Blur.Smear > smearMuch {
		g.Reasons = append(g.Reasons, fmt.Sprintf("the motion smears edges over %.0f pixels", s.Blur.Smear))
		g.Next = append(g.Next, "lower the flash's power, which makes its light shorter")
	}
	return g
}

func (g *Suggestion) tones(s Seen) {
	if s.Tones.Clipped > clippedMuch {
		g.Reasons = append(g.Reasons, fmt.Sprintf("%.0f %% of the frame is burnt out", s.Tones.Clipped*100))
		g.Next = append(g.Next, downWords(s.Tones))
	}
	if s.Liquid != nil && s.Liquid.Found && s.Liquid.Contrast < lowContrast {
		g.Reasons = append(g.Reasons, fmt.Sprintf("the liquid's edges have only %.1f stops of contrast", s.Liquid.Contrast))
		g.Next = append(g.Next, "move the black panels closer to the sides of the frame, or narrow the background's light")
	}
}

// downWords is by how much less to light the background, to the half stop.
func downWords(t Tones) string {
	by := math.Ceil(2*max(float64(optics.LowerBy(t.Median.Stops())), 0.5)) / 2
	return fmt.Sprintf("light the background %.1f stops less", by)
}

// place suggests a verdict only where the frame is clear about it: by more than the measurement may be off.
func (g *Suggestion) place(m Miss, within time.Duration) {
	past := float64(m.Past) * 1e3
	g.Reasons = append(g.Reasons, fmt.Sprintf("the liquid is %.0f mm %s its place, ±%.0f mm", math.Abs(past),
		map[bool]string{true: "past", false: "before"}[past >= 0], float64(m.SD)*1e3))
	off := m.Delay.By.Abs()
	switch {
	case m.Cut:
		g.Reasons = append(g.Reasons, "it reaches the frame's border, so its middle may be elsewhere")
	case off <= within:
		g.Verdict = record.Good
		return
	}
	if off <= within+m.Delay.SD {
		return
	}
	g.Verdict = record.Early
	if m.Delay.By > 0 {
		g.Verdict = record.Late
	}
	if !m.Cut { // then it is off by an unknown amount
		g.Next = append(g.Next, fmt.Sprintf("by this frame alone the delay is %.1f ms too %s", off.Seconds()*1e3,
			map[bool]string{true: "long", false: "short"}[m.Delay.By > 0]))
	}
}
