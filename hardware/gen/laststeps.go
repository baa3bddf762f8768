package main

import (
	"fmt"
	"slices"

	"stillwater/hardware/circuit"
)

// sketchedSteps draws the steps of the guide at which nothing goes into a board: the parts sorted, the sides measured
// against each other, the flash unit measured. circuits.txt says what each leg and terminal is.
func sketchedSteps(d *circuit.Design) (files, error) {
	b := d.Board("outputs")
	if b == nil {
		return nil, fmt.Errorf("no board outputs")
	}
	out := files{}
	for number, draw := range map[int]func(*sketch) error{
		1:  func(s *sketch) error { return s.sorted(b) },
		11: func(s *sketch) error { return s.isolation(b) },
		12: func(s *sketch) error { return s.flashUnits(b) },
	} {
		s := &sketch{}
		if err := draw(s); err != nil {
			return nil, fmt.Errorf("picture of step %d: %w", number, err)
		}
		out[fmt.Sprintf("step-%d.svg", number)] = s.sheet(fmt.Sprintf("Step %d: ", number))
	}
	return out, nil
}

// sorted draws a part of each kind that has a wrong way round, with the legs that its data sheet is compared with.
func (s *sketch) sorted(b *circuit.Board) error {
	s.title, s.high = "sort the parts, and find the legs", 148
	of := func(kind circuit.Kind) *circuit.Part {
		i := slices.IndexFunc(b.Parts, func(p *circuit.Part) bool { return p.Type.Kind == kind })
		if i < 0 {
			return nil
		}
		return b.Parts[i]
	}
	npn, fet, chip := of(circuit.NPN), of(circuit.NMOS), of(circuit.Comparator)
	diode, can := of(circuit.Diode), of(circuit.Electrolytic)
	for _, p := range []*circuit.Part{npn, fet, chip, diode, can} {
		if p == nil {
			return fmt.Errorf("board %s lacks a part of a kind that is drawn", b.Name)
		}
	}
	s.legged(34, 34, npn, "TO-92, flat face to you", "flat")
	s.legged(94, 34, fet, "TO-220, print to you, tab behind", "print")
	s.dil(150, 36, chip)
	s.cylinder(34, 92, diode)
	s.can(94, 88, can)
	s.text(150, 76, "middle", "strong", "lamp, 3 or 5 mm")
	s.circle("body", 150, 88, 7)
	s.line("mark", 144, 92, 144, 84)
	s.text(150, 102, "middle", "", "flat, shorter leg: K")
	for i, words := range []string{
		"Numbers are those of the drawings. Makers differ: hold each part against its own data sheet.",
		"Measure each resistor before it goes in; rings are easily misread.",
		"Either way round: resistors, fuses, ceramic and film capacitors.",
	} {
		s.text(8, 122+6*float64(i), "start", "", words)
	}
	s.text(8, 142, "start", "grey", "Drawn as blocks, not to scale. Common practice, from memory.")
	return nil
}

// legged draws a part with three legs in a row, looked at from its front.
func (s *sketch) legged(x, y float64, p *circuit.Part, title, face string) {
	s.text(x, y-14, "middle", "strong", title)
	s.rect("body", x-9, y-8, 18, 14)
	s.text(x, y, "middle", "", face)
	for i, pin := range p.Type.Kind.Pins(p.Value) {
		at := x + 5*float64(i-1)
		s.line("lead", at, y+6, at, y+18)
		s.text(at, y+22, "middle", "strong", pin.Number)
		s.text(at, y+27, "middle", "", pin.Name)
	}
	s.text(x, y+32, "middle", "grey", "for example "+p.What())
}

// dil draws a chip with eight legs from above.
func (s *sketch) dil(x, y float64, p *circuit.Part) {
	s.text(x, y-16, "middle", "strong", "DIP-8, from above")
	s.rect("body", x-8, y-11, 16, 24)
	s.circle("ink", x-5, y-8, 1)
	s.text(x, y+2, "middle", "", p.What())
	for i := range 8 {
		side, row := float64(-1), float64(i)
		anchor := "end"
		if i >= 4 {
			side, row, anchor = 1, float64(7-i), "start"
		}
		at := y - 8 + 6*row
		s.line("lead", x+side*8, at, x+side*13, at)
		s.text(x+side*14.5, at+1.1, anchor, "", fmt.Sprint(i+1))
	}
	s.text(x, y+20, "middle", "", "pin 1 at dot or notch")
}

// cylinder draws a diode by its ring.
func (s *sketch) cylinder(x, y float64, p *circuit.Part) {
	s.text(x, y-16, "middle", "strong", "diode, TVS, zener")
	s.line("lead", x-22, y-4, x+22, y-4)
	s.rect("body", x-12, y-9, 24, 10)
	s.line("mark", x-8, y-9, x-8, y+1)
	s.text(x-8, y+6, "middle", "", "ring: "+p.PinName("1"))
	s.text(x+16, y+6, "middle", "", p.PinName("2"))
}

// can draws an electrolytic capacitor.
func (s *sketch) can(x, y float64, p *circuit.Part) {
	s.text(x, y-12, "middle", "strong", "electrolytic capacitor")
	s.rect("body", x-9, y-8, 18, 14)
	s.line("mark", x+7, y-8, x+7, y+6)
	s.line("lead", x-4, y+6, x-4, y+18)
	s.line("lead", x+4, y+6, x+4, y+14)
	s.text(x-12, y+14, "end", "", "longer: "+p.PinName("1"))
	s.text(x+12, y+14, "start", "", "stripe: "+p.PinName("2"))
}

// terminalOf is the terminal that carries a net, and its pin.
func terminalOf(b *circuit.Board, net string) (words string) {
	for _, p := range b.Parts {
		if p.Type.Kind != circuit.Terminal {
			continue
		}
		for _, pin := range p.Type.Kind.Pins(p.Value) {
			if p.Pins[pin.Number] == net {
				return fmt.Sprintf("%s pin %s", p.Ref, pin.Number)
			}
		}
	}
	return ""
}

// isolation draws the ohmmeter between the board's sides: each common against GND and against each other.
func (s *sketch) isolation(b *circuit.Board) error {
	s.title = "isolation: every side against every other"
	var commons []*circuit.Net
	ground := ""
	for _, n := range b.Nets {
		switch {
		case n.Use == circuit.Zero && n.Group == b.Groups[0].Name:
			ground = n.Name
		case n.Use == circuit.Zero:
			commons = append(commons, n)
		}
	}
	if ground == "" || len(commons) == 0 {
		return fmt.Errorf("board %s has not GND and isolated commons", b.Name)
	}
	const left, pitch = 60.0, 13.0
	tall := pitch*float64(len(commons)) + 6
	s.high = 24 + tall + 40
	s.rect("body", left, 24, 52, tall)
	s.line("mark", left+22, 24, left+22, 24+tall)
	s.text(left+11, 24+tall/2, "middle", "strong", ground)
	s.rect("body", 8, 24+tall/2-10, 28, 18)
	s.text(22, 24+tall/2, "middle", "strong", "ohm")
	s.line("lead", 36, 24+tall/2-1, left, 24+tall/2-1)
	s.text(48, 24+tall/2-4, "middle", "", "one tip")
	for i, n := range commons {
		y := 24 + pitch*float64(i) + 10
		at := terminalOf(b, n.Name)
		if at == "" {
			return fmt.Errorf("%s comes to no terminal", n.Name)
		}
		s.text(left+37, y+1, "middle", "", n.Name)
		s.line("touch", left+52, y, left+62, y)
		s.text(left+64, y+1, "start", "", at+": no reading")
	}
	y := 24 + tall + 8
	for i, words := range []string{
		"The other tip goes to each of these in turn, then both tips to each two of them: above 20 Mohm, OL.",
		"Nothing is connected: no supply, no controller, no camera, no flash unit, and the cells are out.",
		"A reading: stop, and look under the optocouplers and along the dashed line for solder and wires.",
	} {
		s.text(8, y+6*float64(i), "start", "", words)
	}
	s.text(8, y+20, "start", "grey", "It finds bridges, not weak insulation. Drawn as blocks.")
	return nil
}

// flashUnits draws a flash unit's contact being measured, and which core goes where on which contact.
func (s *sketch) flashUnits(b *circuit.Board) error {
	s.title, s.high = "the flash unit's contact, measured before it is connected", 118
	s.measuredLead()
	for i, words := range measuredSo {
		s.text(8, 70+6*float64(i), "start", "", words)
	}
	y := 83.0
	for _, n := range []string{"1", "2"} {
		hot, common := terminalOf(b, "FL"+n+"_HOT"), terminalOf(b, "FL"+n+"_COM")
		if hot == "" || common == "" {
			return fmt.Errorf("flash contact %s comes to no terminal", n)
		}
		s.text(8, y, "start", "", fmt.Sprintf("FLASH%s: the core on the positive side to %s, FL%s_HOT; the other to %s, "+
			"FL%s_COM.", n, hot, n, common, n))
		y += 6
	}
	for i, words := range []string{
		"Tips off, meter on mA, tips on as a short: it fires. No flash: nothing was measured, stop.",
		"Until it is ready again, FLASH1: 2 mA or less; FLASH2: the same from a second on. Else do not connect it.",
		"Tips off, and the red lead back to volts at once. Plug out before anything else is touched.",
	} {
		s.text(8, y+2+6*float64(i), "start", "", words)
	}
	s.text(8, y+20, "start", "grey", "Drawn as blocks.")
	return nil
}
