package optics

import (
	"fmt"
	"strings"

	"stillwater/internal/phys"
)

// Liquid is how a liquid looks and flows, at 20 °C.
type Liquid struct {
	Name      string // as in splash.Liquids
	Index     float64
	Clear     bool // light goes through; else the index only makes its gloss
	Viscosity phys.Viscosity
	Changes   string // what is different from water in the picture
	Source    string
}

// waterViscosity and the other viscosities are those of testdata/published/water_properties.csv and
// liquid_properties.csv.
const (
	waterIndex     = 1.3330
	waterViscosity = phys.Viscosity(1.0016e-3)
)

// Liquids lists the liquids known by name, water first.
func Liquids() []Liquid {
	return []Liquid{
		{"water", waterIndex, true, waterViscosity, "Clear: it shows what is behind and beside it.",
			"index at 589 nm from memory; viscosity IAPWS SR6-08"},
		{"milk", 1.345, false, 2.0e-3, "White: it takes the key light and needs no black beside it. Flat, it spoils fast.",
			"index of its clear part, and viscosity, from memory"},
		{"glycerol-water", GlycerolIndex(0.5), true, 6.0e-3,
			"Clear and six times as viscous: thicker columns, fewer small drops, and slightly wider dark edges.",
			"index from memory; viscosity N.-S. Cheng, Ind. Eng. Chem. Res. 47 (2008) 3285-3288"},
		{"dyed-water", waterIndex, true, waterViscosity, "Clear with a colour, deeper where it is thicker.",
			"common practice, no source: as water"},
		{"soapy-water", waterIndex, true, waterViscosity,
			"Clear, with less than half of water's surface tension: smaller drops, sheets that last.",
			"common practice, no source: as water"},
	}
}

// LiquidNamed looks up a liquid by name.
func LiquidNamed(name string) (Liquid, error) {
	var names []string
	for _, l := range Liquids() {
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
