package circuit

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
)

// SymptomGuide is the guide's table of symptoms: what fails or shows while the rig runs, and the parts of which a
// single simulated fault does so, section by section.
func (d *Design) SymptomGuide(lines []FaultLine) string {
	type symptom struct{ problem, lamps string }
	var order []symptom
	refs := map[symptom][]string{}
	for _, l := range lines {
		s := symptom{l.Problem, l.Indication}
		if l.KillInputBlind && s == (symptom{}) {
			s.problem = "the kill switch is pressed and the screen does not say stop"
		}
		if s == (symptom{}) || l.Verdict == Undecided {
			continue
		}
		if refs[s] == nil {
			order = append(order, s)
		}
		if !slices.Contains(refs[s], l.Ref) {
			refs[s] = append(refs[s], l.Ref)
		}
	}
	slices.SortStableFunc(order, func(a, b symptom) int { return len(refs[a]) - len(refs[b]) })
	var out strings.Builder
	out.WriteString("| while it runs | live lamps | one of these parts, a pin or joint of it |\n|---|---|---|\n")
	for _, s := range order {
		fmt.Fprintf(&out, "| %s | %s | %s |\n", cmp.Or(s.problem, "all works"), cmp.Or(s.lamps, "as they should be"),
			d.bySection(refs[s]))
	}
	return out.String()
}

// bySection lists parts after the names of their sections.
func (d *Design) bySection(refs []string) string {
	var order, list []string
	of := map[string][]string{}
	for _, ref := range refs {
		section := ""
		for _, b := range d.Boards {
			if p := b.Part(ref); p != nil {
				section = p.Section
			}
		}
		if of[section] == nil {
			order = append(order, section)
		}
		of[section] = append(of[section], ref)
	}
	for _, s := range order {
		slices.SortFunc(of[s], compareRefs)
		list = append(list, s+": "+strings.Join(of[s], " "))
	}
	return strings.Join(list, "; ")
}
