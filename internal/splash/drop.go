package splash

import (
	"math"

	"stillwater/internal/liquids"
	"stillwater/internal/phys"
)

// Domain of DropDiameter. The ratio is r/V^(1/3).
const (
	minNozzle              phys.Length         = 0.1e-3
	minDensity, maxDensity phys.Density        = 500, 2000
	minTension, maxTension phys.SurfaceTension = 0.010, 0.100
	minRatio, maxRatio                         = 1e-3, 1.25
)

// widestNozzle is the end of that domain, in whole tenths of a millimetre.
func widestNozzle(liquid liquids.Liquid) phys.Length {
	return phys.Length(math.Floor(float64(nozzleAt(maxRatio, liquid))*1e4) / 1e4)
}

// DropDiameter is the diameter of a sphere of the volume of the drop that falls from a nozzle of that outer diameter,
// wetted to its rim.
//
// The drop's weight is m g = 2 pi r sigma f(r/V^(1/3)): T. Tate's law with the correction of W. D. Harkins and F. E.
// Brown, J. Am. Chem. Soc. 41 (1919) 499-524. It holds for slow dripping; ordinary dripping gives drops up to 3 %
// larger. Domains: nozzle 0.1 mm up to where r/V^(1/3) is 1.25 (15 mm for water), density 500 to 2000 kg/m³, surface
// tension 10 to 100 mN/m. For viscous liquids, and for nozzles under 1 mm, the correction is less certain.
func DropDiameter(nozzle phys.Length, liquid liquids.Liquid) (phys.Length, error) {
	if err := phys.Within("density", liquid.Density, minDensity, maxDensity); err != nil {
		return 0, err
	}
	if err := phys.Within("surface tension", liquid.SurfaceTension, minTension, maxTension); err != nil {
		return 0, err
	}
	if err := phys.Within("nozzle", nozzle, minNozzle, widestNozzle(liquid)); err != nil {
		return 0, err
	}
	r := float64(nozzle) / 2
	// nozzleAt increases with x (tested), so bisection finds this nozzle's x.
	low, high := minRatio, maxRatio
	for range 60 {
		x := (low + high) / 2
		if nozzleAt(x, liquid) < nozzle {
			low = x
		} else {
			high = x
		}
	}
	volume := math.Pow(r/low, 3)
	return phys.Length(math.Cbrt(6 * volume / math.Pi)), nil
}

// nozzleAt is the outer diameter of the nozzle whose drop has r/V^(1/3) = x: Tate's law solved for r.
func nozzleAt(x float64, liquid liquids.Liquid) phys.Length {
	weight := 2 * math.Pi * float64(liquid.SurfaceTension) * harkinsBrown(x) / (float64(liquid.Density) * phys.Gravity)
	return phys.Length(2 * math.Sqrt(weight*x*x*x))
}

// harkinsBrown is the fraction f of Tate's weight that falls. Up to x = 1.1 it is the polynomial of B.-B. Lee, P.
// Ravindra and E.-S. Chan, Chem. Eng. Commun. 195 (2008) 889-924 (coefficients from memory; within 1.2 % of the table);
// from there to 1.25, where the polynomial leaves the table, the table of Harkins and Brown as A. W. Adamson gives it
// (from memory).
func harkinsBrown(x float64) float64 {
	if x > tableFrom {
		return interpolateTable(x)
	}
	return leePolynomial(x)
}

const tableFrom = 1.1

func leePolynomial(x float64) float64 {
	sum := 0.
	for _, c := range [...]float64{2.593, -13.58, 27.53, -27.29, 13.38, -2.109, -0.9121, 1} {
		sum = sum*x + c
	}
	return sum
}

// interpolateTable interpolates in the end of Harkins and Brown's table.
func interpolateTable(x float64) float64 {
	table := [...]struct{ x, f float64 }{
		{tableFrom, leePolynomial(tableFrom)}, {1.15, 0.6407}, {1.20, 0.6535}, {1.25, 0.6520},
	}
	for i := 1; i < len(table); i++ {
		if a, b := table[i-1], table[i]; x <= b.x {
			return a.f + (b.f-a.f)*(x-a.x)/(b.x-a.x)
		}
	}
	return table[len(table)-1].f
}
