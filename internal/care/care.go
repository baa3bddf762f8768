// Package care is the one source of the cautions shown on the page, in the command line and in the guides. They defer
// to local codes and to licensed electricians for anything at mains.
package care

// Caution is one point of the checklist that is ticked before the first arming of a session.
type Caution struct {
	ID   string
	Text string
}

// Checklist returns the cautions in the order they are read.
//
// Sources: extra-low voltage and 30 mA residual-current protection: IEC 60364-4-41 (clauses 414 and 415.1); three
// flashes a second: WCAG 2.3.1; flash contacts above 24 V: ISO 10330, number from memory; the rest is common practice,
// no source.
func Checklist() []Caution {
	return []Caution{
		{"supply", "Everything the rig drives runs on 12 V DC or less from an isolated supply. Nothing here " +
			"switches mains."},
		{"rcd", "Mains-powered lights are on a circuit with a 30 mA residual-current device. Local codes and a " +
			"licensed electrician decide."},
		{"water", "Water, lights and leads are apart: leads hang in a drip loop below their sockets, nothing " +
			"electrical stands where liquid lands."},
		{"contacts", "Camera and flash are wired through the optocouplers only, and I measured the flash contact: " +
			"24 V or less, and 2 mA or less when shorted (a thyristor's contact: from a second after the flash on)."},
		{"capacitor", "No flash unit is opened: its capacitor holds a dangerous charge long after it is switched off."},
		{"floor", "The floor is mopped and matted, my hands are dry before I touch a lead, and I know my way to the " +
			"light in the dark."},
		{"flashes", "Nobody here is sensitive to flashing light, and it stays at three flashes a second or fewer."},
	}
}
