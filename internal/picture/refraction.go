package picture

import (
	"math"
	"stillwater/internal/liquids"
)

// liquid is how a liquid looks.
type liquid struct {
	index   float64 // of refraction
	absorbs vec     // per mm, red, green and blue
	scatter float64 // per mm: what is scattered comes out again as diffuse white
}

// liquidNamed returns the optics of a liquid that package optics knows; any other looks like water. How strongly a dye
// absorbs and milk scatters depends on how much there is of it: own choice, no source.
func liquidNamed(name string) liquid {
	known, err := liquids.Named(name)
	if err != nil {
		known = liquids.All()[0]
	}
	l := liquid{index: known.Index}
	switch name {
	case "milk":
		l.scatter = 2.2
	case "dyed-water":
		l.absorbs = vec{0.01, 0.22, 0.30}
	}
	return l
}

// fresnel is the share of unpolarised light that a surface reflects. cos is the cosine of the angle of incidence, ratio
// the refractive index on this side over that beyond.
func fresnel(cos, ratio float64) float64 {
	sin2 := ratio * ratio * (1 - cos*cos)
	if sin2 >= 1 {
		return 1
	}
	beyond := math.Sqrt(1 - sin2)
	s := (ratio*cos - beyond) / (ratio*cos + beyond)
	p := (ratio*beyond - cos) / (ratio*beyond + cos)
	return 0.5 * (s*s + p*p)
}

// refract is Snell's law for a ray d at a surface whose normal n faces it; false for total reflection.
func refract(d, n vec, ratio float64) (vec, bool) {
	cos := -d.dot(n)
	k := 1 - ratio*ratio*(1-cos*cos)
	if k <= 0 {
		return vec{}, false
	}
	return d.mul(ratio).mad(n, ratio*cos-math.Sqrt(k)), true
}
