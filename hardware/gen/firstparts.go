package main

import (
	"fmt"
	"strings"

	"stillwater/hardware/circuit"
	"stillwater/hardware/head"
)

// nets says what a part's pins carry, in their order: "C BEAM, B LIGHT, E GND".
func nets(p *circuit.Part) string {
	var words []string
	for _, pin := range p.Type.Kind.Pins(p.Value) {
		words = append(words, pin.Name+" "+p.Pins[pin.Number])
	}
	return strings.Join(words, ", ")
}

// transistor draws a TO-92 from its flat face, and says what the legs of each one carry.
func (s *sketch) transistor(x, y float64, all []*circuit.Part) {
	const wide, high, pitch, leg = 15.0, 14.0, 5.0, 12.0
	s.text(x+10, y-14, "middle", "strong", "transistor, flat face to you, legs down")
	s.rect("body", x-wide/2, y-high/2, wide, high)
	s.text(x, y+1, "middle", "", "flat")
	for i, pin := range all[0].Type.Kind.Pins("") {
		at := x + pitch*float64(i-1)
		s.line("lead", at, y+high/2, at, y+high/2+leg)
		s.text(at, y+high/2+leg+4, "middle", "strong", pin.Name)
	}
	for i, p := range all {
		s.text(x-wide/2, y+high/2+leg+10+5*float64(i), "start", "", p.Ref+": "+nets(p))
	}
}

// chip draws an optocoupler from above: pin 1 at the dot, the others anticlockwise.
func (s *sketch) chip(x, y float64, p *circuit.Part) {
	const wide, high, leg = 24.0, 16.0, 6.0
	s.text(x, y-14, "middle", "strong", p.Ref+", from above: pin 1 at the dot")
	s.rect("body", x-wide/2, y-high/2, wide, high)
	s.circle("ink", x-wide/2+3, y-high/2+3, 1)
	for i, pin := range p.Type.Kind.Pins("") {
		side, row := float64(-1), float64(i)
		anchor := "end"
		if i >= 2 {
			side, row, anchor = 1, float64(3-i), "start"
		}
		at := y - high/4 + high/2*row
		s.line("lead", x+side*wide/2, at, x+side*(wide/2+leg), at)
		words := fmt.Sprintf("%s %s: %s", pin.Number, pin.Name, p.Pins[pin.Number])
		s.text(x+side*(wide/2+leg+1.5), at+1.1, anchor, "", words)
	}
	s.text(x, y+20, "middle", "", "Nothing of the one side may touch the other:")
	s.text(x, y+25, "middle", "", "pins 1 and 2 are the controller's, 3 and 4 the flash's.")
}

// ring draws a diode whose ring is at its cathode.
func (s *sketch) ring(x, y float64, p *circuit.Part) {
	const wide, high, leg = 24.0, 9.0, 8.0
	s.text(x+10, y-10, "middle", "strong", p.Ref+", by its ring")
	s.line("lead", x-wide/2-leg, y, x+wide/2+leg, y)
	s.rect("body", x-wide/2, y-high/2, wide, high)
	s.line("mark", x-wide/2+4, y-high/2, x-wide/2+4, y+high/2)
	s.text(x-wide/2-leg, y+high/2+5, "start", "", "ring: "+p.PinName("1")+" "+p.Pins["1"])
	s.text(x+wide/2, y+high/2+5, "start", "", p.PinName("2")+" "+p.Pins["2"])
}

// knob draws a trimmer from above, its legs as they stand.
func (s *sketch) knob(x, y float64, p *circuit.Part) {
	const half, times = 8.0, 5.0
	s.text(x, y-18, "middle", "strong", p.Ref+", from above, its knob up")
	s.rect("body", x-half, y-half-3, 2*half, 2*half)
	s.circle("body", x, y-3, 3.5)
	s.line("", x-2.5, y-3, x+2.5, y-3)
	for i, leg := range p.Type.Footprint.Legs {
		pin := p.Type.Kind.Pins("")[i]
		dx, dy := times*float64(leg[0]-1), times*float64(leg[1])
		s.circle("ink", x+dx, y-8+2*dy, 0.8)
		words := fmt.Sprintf("%s: %s", pin.Name, p.Pins[pin.Number])
		switch {
		case leg[0] == 0:
			s.text(x-half-2, y-7, "end", "", words)
		case leg[0] == 2:
			s.text(x+half+2, y-7, "start", "", words)
		default:
			s.text(x, y+half+2, "middle", "", words)
		}
	}
}

// contact draws a break contact of a switch, 32 mm wide: closed by itself, open while it is pressed.
func (s *sketch) contact(x, y float64, pressed bool) {
	s.circle("ink", x, y, 1.5)
	s.circle("ink", x+32, y, 1.5)
	s.line("", x, y, x+10, y)
	s.line("", x+22, y, x+32, y)
	up := 0.0
	if pressed {
		up = 5
	}
	s.line("mark", x+8, y-1-up, x+24, y-1-up)
}

// legWords say which leg is meant, and what it carries.
type legWords struct{ which, carries string }

// lamp draws a lamp or a receiver in a 5 mm housing from the side, the flat of its rim at the left.
func (s *sketch) lamp(x, y, lens float64, name string, legs []legWords) {
	const times = 3
	r := lens * times / 2
	s.text(x, y-13, "middle", "strong", name)
	s.path("body", "M%.1f %.1f V%.1f A%.1f %.1f 0 0 1 %.1f %.1f V%.1f H%.1f V%.1f H%.1f z", x-r, y+10, y, r, r, x+r, y,
		y+8, x+r+2, y+10, x-r)
	for i, long := range []float64{10, 14} {
		at := x + 5*float64(2*i-1)/2*1.4
		s.line("lead", at, y+10, at, y+10+long)
	}
	s.line("", x-r-6, y+4, x-r-0.5, y+8.5)
	s.text(x-r-7, y+4, "end", "", "flat")
	for i, l := range legs {
		s.text(x, y+30+11*float64(i), "middle", "strong", l.which)
		s.text(x, y+35+11*float64(i), "middle", "", l.carries)
	}
}

// slit draws a taped lens from the front, four times its size.
func (s *sketch) slit(x, y, lens float64) {
	const times = 4.0
	r, half := lens*times/2, head.TapeSlit*times/2
	s.text(x, y-20, "middle", "strong", "a lens, taped")
	s.circle("light", x, y, r)
	s.rect("ink", x-r-3, y-r-3, 2*r+6, r+3-half)
	s.rect("ink", x-r-3, y+half, 2*r+6, r+3-half)
	s.circle("", x, y, r)
	s.text(x, y+20, "middle", "", fmt.Sprintf("a level slit, %g mm high;", head.TapeSlit))
	s.text(x, y+25, "middle", "", "four times its size")
}
