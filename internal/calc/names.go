package calc

import (
	"fmt"
	"strings"

	"stillwater/internal/liquids"
	"stillwater/internal/splash"
)

// LiquidNames lists the liquids known by name, for a command's help.
func LiquidNames() string {
	var names []string
	for _, l := range liquids.All() {
		names = append(names, l.Name)
	}
	return strings.Join(names, ", ")
}

// PhaseNames lists the phases of a splash, for a command's help.
func PhaseNames() string {
	var names []string
	for _, p := range splash.Phases() {
		names = append(names, string(p))
	}
	return strings.Join(names, ", ")
}

// PhaseMeanings lists the phases and what each is the time of, a line each.
func PhaseMeanings() string {
	var list strings.Builder
	for _, p := range splash.Phases() {
		fmt.Fprintf(&list, "  %s: %s\n", p, p.Meaning())
	}
	return list.String()
}
