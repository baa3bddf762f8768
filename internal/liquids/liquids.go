// Package liquids lists the liquids that a set can name: how each flows, drops and looks, at 20 °C.
package liquids

import (
	"fmt"
	"strings"

	"stillwater/internal/phys"
)

// Liquid is a liquid's properties at 20 °C.
type Liquid struct {
	Name           string // "water"
	Label          string // for people: "Water"
	Density        phys.Density
	SurfaceTension phys.SurfaceTension
	DropSource     string // of density and surface tension
	Index          float64
	Clear          bool // light goes through; else the index only makes its gloss
	Viscosity      phys.Viscosity
	LookSource     string // of index and viscosity
	Changes        string // what is different from water in the picture
}

// waterViscosity and the other viscosities are those of testdata/published/water_properties.csv and
// liquid_properties.csv.
const (
	waterIndex     = 1.3330
	waterViscosity = phys.Viscosity(1.0016e-3)
)

// All lists the liquids known by name, water first.
func All() []Liquid {
	density := phys.WaterDensity(phys.RoomTemperature)
	return []Liquid{
		{"water", "Water", density, phys.WaterSurfaceTension(phys.RoomTemperature),
			"Tanaka 2001 and IAPWS R1-76(2014), for clean water",
			waterIndex, true, waterViscosity, "index at 589 nm from memory; viscosity IAPWS SR6-08",
			"Clear: it shows what is behind and beside it."},
		{"milk", "Milk", 1030, 0.0524,
			"surface tension: A. J. Bertsch, J. Dairy Research 50 (1983) 259-267, +-2 mN/m; density from memory",
			1.345, false, 2.0e-3, "index of its clear part, and viscosity, from memory",
			"White: it takes the key light and needs no black beside it. Flat, it spoils fast."},
		{"glycerol-water", "Glycerol and water, 1:1 by mass", 1126, 0.070,
			"density: A. Volk and C. J. Kaehler, Experiments in Fluids 59 (2018) 75; surface tension from memory",
			GlycerolIndex(0.5), true, 6.0e-3,
			"index from memory; viscosity N.-S. Cheng, Ind. Eng. Chem. Res. 47 (2008) 3285-3288",
			"Clear and six times as viscous: thicker columns, fewer small drops, and slightly wider dark edges."},
		{"dyed-water", "Water with food dye", density, 0.070,
			"common practice, no source: water with a few mN/m off for what is in the dye",
			waterIndex, true, waterViscosity, "common practice, no source: as water",
			"Clear with a colour, deeper where it is thicker."},
		{"soapy-water", "Water with washing-up liquid", density, 0.030,
			"surface tension from memory, 25 to 35 mN/m with the soap",
			waterIndex, true, waterViscosity, "common practice, no source: as water",
			"Clear, with less than half of water's surface tension: smaller drops, sheets that last."},
	}
}

// Named looks up a liquid by name. The error lists the known ones.
func Named(name string) (Liquid, error) {
	var names []string
	for _, l := range All() {
		if l.Name == name {
			return l, nil
		}
		names = append(names, l.Name)
	}
	return Liquid{}, fmt.Errorf("%q is not a liquid known here; known are %s", name, strings.Join(names, ", "))
}

// glycerolIndices are refractive indices of mixtures with water, by tenths of mass, 589 nm and 20 °C: handbook values
// from memory.
var glycerolIndices = [...]float64{waterIndex, 1.3448, 1.3575, 1.3707, 1.3841, 1.3981, 1.4129, 1.4279, 1.4431, 1.4584,
	1.4740}

// GlycerolIndex is the refractive index of glycerol and water, by the part of the mass that is glycerol, 0 to 1.
func GlycerolIndex(part float64) float64 {
	at := min(max(part, 0), 1) * 10
	i := min(int(at), len(glycerolIndices)-2)
	low, high := glycerolIndices[i], glycerolIndices[i+1]
	return low + (high-low)*(at-float64(i))
}
