package head

import (
	"fmt"
	"strings"

	"stillwater/internal/beam"
	"stillwater/internal/phys"
)

// Bare is the first build's pair: lenses without tubes, with black tape across them that leaves a level slit, or none.
type Bare struct {
	Lens      float64    // diameter of both lenses
	Apart     float64    // from lens to lens
	Current   float64    // through the emitter, mA
	Intensity [3]float64 // of the emitter at IntensityAt, mW/sr: a dim part, a usual one, a bright one
	At        float64    // mA
	Answer    [3]float64 // of the receiver to 1 mW/cm2, mA: a poor part, a usual one, a good one
}

// TapeSlit is how high the slit in the tape is, in millimetres.
const TapeSlit = 1.0

// First is the first build. Intensity: hardware/README.md's 56 to 90 mW/sr at 70 mA, and their mean; the receiver's
// 3, 9 and 15 mA belong to its class: all from memory of data sheets. Current: simulated (first_beam, i_emitter).
func First() Bare {
	return Bare{Lens: 5, Apart: 90, Current: 37, Intensity: [3]float64{56, 73, 90}, At: 70, Answer: [3]float64{3, 9, 15}}
}

// Light is what a receiver passes in the whole beam, in mA, for a poor, a usual and a good pair, with slits of that
// height in the tape; 0 is no tape. The emitter's light is taken as in proportion to its current, and both lenses as
// evenly bright: each slit leaves its part of the lens.
func (b Bare) Light(slit float64) (mA [3]float64) {
	for i := range mA {
		perSteradian := b.Intensity[i] * b.Current / b.At                 // mW/sr
		density := perSteradian / (b.Apart / 10 * b.Apart / 10)           // mW/cm2
		mA[i] = density * b.Answer[i] * b.through(slit) * b.through(slit) // emitter's lens, receiver's lens
	}
	return mA
}

// through is the part of a round lens that a slit across its middle leaves.
func (b Bare) through(slit float64) float64 {
	if slit <= 0 || slit >= b.Lens {
		return 1
	}
	return strip(slit, b.Lens)
}

// Taken is the part of the light that a drop takes in the middle of the beam, midway and near one of the lenses, where
// the light is even. A slit of 0 is no tape: a square of the lens's width stands for the lens.
func (b Bare) Taken(slit, diameter float64) (midway, near float64) {
	if slit <= 0 {
		slit = b.Lens
	}
	opening, d := Pair{Slit: slit, Wide: b.Lens}.slit(), phys.Length(diameter*mm)
	return opening.Most(d, beam.Midway), opening.Most(d, 0)
}

// TapedGuide is the first build's table of what the tape does.
func TapedGuide() string {
	b := First()
	var out strings.Builder
	fmt.Fprintf(&out, "| on both lenses | light | the receiver passes, poor, usual, good parts, %g cm apart | a drop of "+
		"2, 3, 4, 5 mm takes, midway | near a lens |\n|---|---|---|---|---|\n", b.Apart/10)
	for _, slit := range []float64{0, TapeSlit} {
		what := "nothing"
		if slit > 0 {
			what = fmt.Sprintf("tape, a slit of %g mm", slit)
		}
		var midway, near []string
		for _, d := range []float64{2, 3, 4, 5} {
			m, n := b.Taken(slit, d)
			midway, near = append(midway, fmt.Sprintf("%.0f", 100*m)), append(near, fmt.Sprintf("%.0f", 100*n))
		}
		mA := b.Light(slit)
		fmt.Fprintf(&out, "| %s | %.0f %% | %.2g, %.2g, %.2g mA | %s %% | %s %% |\n", what,
			100*b.through(slit)*b.through(slit), mA[0], mA[1], mA[2], strings.Join(midway, ", "), strings.Join(near, ", "))
	}
	return out.String()
}
