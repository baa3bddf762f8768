package calc

import (
	"fmt"
	"io"

	"stillwater/internal/liquids"
	"stillwater/internal/render"
)

// liquid is one liquid as it is written in JSON, at 20 °C.
type liquid struct {
	Name    string  `json:"name"`
	Label   string  `json:"label"`
	Index   float64 `json:"index"`
	Clear   bool    `json:"clear"`
	Density float64 `json:"density_kg_m3"`
	Viscous float64 `json:"viscosity_mpa_s"`
	Tension float64 `json:"surface_tension_mn_m"`
	Changes string  `json:"changes"`
	Looks   string  `json:"source_index_viscosity"`
	Flows   string  `json:"source_density_surface_tension"`
}

// LiquidsAnswer is what is known of each liquid.
type LiquidsAnswer struct{ liquids []liquid }

// Liquids lists the liquids that a set can name.
func Liquids() (a LiquidsAnswer) {
	for _, l := range liquids.All() {
		a.liquids = append(a.liquids, liquid{l.Name, l.Label, l.Index, l.Clear, float64(l.Density),
			float64(l.Viscosity) * 1e3, float64(l.SurfaceTension) * 1e3, l.Changes, l.LookSource, l.DropSource})
	}
	return a
}

// JSON returns the answer for scripts.
func (a LiquidsAnswer) JSON() map[string]any { return map[string]any{"liquids": a.liquids} }

// Write writes the answer for people: the numbers, then what each changes and where its numbers are from.
func (a LiquidsAnswer) Write(w io.Writer) error {
	var rows [][]string
	for _, l := range a.liquids {
		rows = append(rows, []string{l.Name, fmt.Sprintf("%.3f", l.Index), fmt.Sprintf("%.0f kg/m³", l.Density),
			fmt.Sprintf("%.1f mPa s", l.Viscous), fmt.Sprintf("%.1f mN/m", l.Tension)})
	}
	err := render.Table(w, []string{"liquid, at 20 °C", "refractive index", "density", "viscosity", "surface tension"},
		rows)
	if err != nil {
		return err
	}
	for _, l := range a.liquids {
		if _, err := fmt.Fprintf(w, "\n%s: %s\n  %s; %s\n", l.Label, l.Changes, l.Looks, l.Flows); err != nil {
			return fmt.Errorf("write the liquids: %w", err)
		}
	}
	return nil
}

// WriteLiquids writes the answer of Liquids for people or, as JSON, for scripts.
func WriteLiquids(w io.Writer, asJSON bool) error {
	a := Liquids()
	if asJSON {
		return render.JSON(w, a.JSON())
	}
	return a.Write(w)
}
