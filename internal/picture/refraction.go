package picture

import "math"

// liquid is how a liquid looks.
type liquid struct {
	index   float64 // of refraction
	absorbs vec     // per mm, red, green and blue
	scatter float64 // per mm: what is scattered comes out again as diffuse white
}

// liquidNamed has the liquids of package splash; any other looks like water. Refractive indices are from memory: water
// 1.333 at 589 nm and 20 degrees, milk 1.35, glycerol and water 1:1 by mass 1.398. How strongly a dye absorbs and milk
// scatters depends on how much there is of it: own choice, no source.
func liquidNamed(name string) liquid {
	switch name {
	case "milk":
		return liquid{index: 1.35, scatter: 2.2}
	case "glycerol-water":
		return liquid{index: 1.398}
	case "dyed-water":
		return liquid{index: 1.334, absorbs: vec{0.01, 0.22, 0.30}}
	}
	return liquid{index: 1.333}
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
