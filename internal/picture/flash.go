package picture

import (
	"math"

	"stillwater/internal/optics"
)

// flash is how the light of a flash falls: exponentially, until it is cut off. Times in ms.
type flash struct {
	decay  float64 // its time constant; +Inf is an even light
	ends   float64 // 0 is an instant
	share  float64 // of its light that is out at the end
	ghosts []ghost
}

// ghost is a flash beside it that lasts longer, and its part of all the light.
type ghost struct {
	flash
	part float64
}

// withGhosts adds them; what nobody knows the duration of is left out.
func (f flash) withGhosts(units []optics.UnitLit) flash {
	for _, u := range units {
		if u.Pulse != (optics.LightPulse{}) {
			f.ghosts = append(f.ghosts, ghost{newFlash(u.Pulse), u.Share})
		}
	}
	return f
}

// flashLasts is how long the light of a flash that is not cut off is followed, in time constants: 98 % of it.
const flashLasts = 4

// newFlash finds the discharge that lasts so long above half and above a tenth of its peak: an exponential decay has
// 3.32 times as long above a tenth, and what is shorter was cut off.
func newFlash(p optics.LightPulse) flash {
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

// at maps a number from 0 to 1 to a time: numbers drawn evenly give times whose density follows the light's intensity.
func (f *flash) at(number float64) float64 {
	left := 1.0
	for i := range f.ghosts {
		g := &f.ghosts[i]
		if left -= g.part; number > left {
			return g.at((number - left) / g.part)
		}
	}
	number /= left
	if f.ends == 0 || math.IsInf(f.decay, 1) {
		return f.ends * number
	}
	return -f.decay * math.Log(1-number*f.share)
}

// over is when all light is out.
func (f *flash) over() float64 {
	last := f.ends
	for i := range f.ghosts {
		last = max(last, f.ghosts[i].ends)
	}
	return last
}

// middle is about how long most of the light takes, of the flash that takes longest.
func (f *flash) middle() float64 {
	long := min(f.decay, f.ends)
	for i := range f.ghosts {
		long = max(long, f.ghosts[i].middle())
	}
	return long
}
