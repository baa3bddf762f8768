package layout

// Lead is the end of a lead to what is not on the board, with its letter in the drawing.
type Lead struct {
	Letter string
	Leg
}

// Leads lists the leads in the order of their letters.
func (p *StripPlan) Leads() (all []Lead) {
	for i, leg := range p.leads() {
		all = append(all, Lead{letter(i), leg})
	}
	return all
}
