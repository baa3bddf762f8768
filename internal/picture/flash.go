package picture

import (
	"math"

	"stillwater/internal/optics"
)

// flash is how the light of a flash falls: exponentially, until it is cut off. Times in ms.
type flash struct {
	decay float64 // its time constant; +Inf is an even light
	ends  float64 // 0 is an instant
	share float64 // of its light that is out at the end
}

// flashLasts is how long the light of a flash that is not cut off is followed, in time constants: 98 % of it.
const flashLasts = 4

// newFlash finds the discharge that lasts so long above half and above a tenth of its peak: an exponential decay has
// 3.32 times as long above a tenth, and what is shorter was cut off.
func newFlash(p optics.Pulse) flash {
	half, tenth := float64(p.Half)*1e3, float64(p.Tenth)*1e3
	switch {
	case half <= 0:
		return flash{}
	case tenth > 0.999*optics.TenthOverHalf*half:
		f := flash{decay: half / math.Ln2, ends: flashLasts * half / math.Ln2}
		f.share = 1 - math.Exp(-flashLasts)
		return f
	case tenth > 1.001*half:
		decay := half / math.Ln2
		return flash{decay: decay, ends: tenth, share: 1 - math.Exp(-tenth/decay)}
	}
	return flash{decay: math.Inf(1), ends: max(half, tenth)}
}

// at is the time by which a share of the light was given, 0 to 1.
func (f *flash) at(share float64) float64 {
	if f.ends == 0 || math.IsInf(f.decay, 1) {
		return f.ends * share
	}
	return -f.decay * math.Log(1-share*f.share)
}

// middle is about how long most of the light takes.
func (f *flash) middle() float64 { return min(f.decay, f.ends) }
