package main

import (
	"fmt"
	"maps"
	"slices"
	"strings"

	"stillwater/hardware/circuit"
	"stillwater/hardware/head"
	"stillwater/hardware/layout"
	"stillwater/internal/svg"
)

// firstBuild is the first build with what its guide's pictures name: its leads by letter, the controller's pins.
type firstBuild struct {
	*circuit.Board
	leads   []layout.Lead
	carrier *circuit.Carrier
}

// The connectors of the first build: to the controller, and to the flash unit.
const (
	controllerLeads = "J901"
	flashLeads      = "J902"
)

// tryPin gives 3.3 V a second time on the 40-pin header (from memory): lead F is put there to try the flash's contact
// by hand.
const tryPin = "P1_17"

// firstPictures draws what the legs and contacts are that the guide's steps speak of: circuits.txt says where each
// goes.
func firstPictures(d *circuit.Design) (files, error) {
	b := d.Board("first")
	if b == nil || len(b.Strips) == 0 || len(d.Carriers) == 0 {
		return nil, fmt.Errorf("no board first with its strips, or no carrier")
	}
	f := firstBuild{b, layout.PlaceStrips(b, b.Strips[0]).Leads(), d.Carriers[0]}
	out := files{}
	for number, draw := range map[int]func(*sketch) error{
		2: f.legs, 3: f.header, 4: f.killSwitch, 5: f.beam, 6: f.contact, 8: f.flashContact,
	} {
		s := &sketch{}
		if err := draw(s); err != nil {
			return nil, fmt.Errorf("picture of step %d of the first build: %w", number, err)
		}
		out[fmt.Sprintf("first-step-%d.svg", number)] = s.sheet(fmt.Sprintf("First build, step %d: ", number))
	}
	return out, nil
}

// pin says what a pin of a part is for: its name and its net, and the letter of its lead if it has one.
func (f firstBuild) pin(ref, id string) string {
	p := f.Part(ref)
	for _, pin := range p.Type.Kind.Pins(p.Value) {
		if pin.Number != id && pin.Name != id {
			continue
		}
		for _, l := range f.leads {
			if l.Ref == ref && l.Pin == pin.Number {
				return fmt.Sprintf("lead %s, %s", l.Letter, p.Pins[pin.Number])
			}
		}
		return p.Pins[pin.Number]
	}
	return circuit.Open
}

// lead is the lead to the controller that carries a net.
func (f firstBuild) lead(net string) layout.Lead {
	for _, l := range f.leads {
		if l.Ref == controllerLeads && l.Net == net {
			return l
		}
	}
	return layout.Lead{}
}

// only is the part of a kind that the first build has once.
func (f firstBuild) only(kind circuit.Kind) (*circuit.Part, error) {
	if all := f.all(kind); len(all) == 1 {
		return all[0], nil
	}
	return nil, fmt.Errorf("it has not one %s", kind)
}

func (f firstBuild) all(kind circuit.Kind) []*circuit.Part {
	return slices.DeleteFunc(slices.Clone(f.Parts), func(p *circuit.Part) bool { return p.Type.Kind != kind })
}

// legs draws the parts that have a wrong way round, as one looks at them.
func (f firstBuild) legs(s *sketch) error {
	opto, err1 := f.only(circuit.Opto)
	tvs, err2 := f.only(circuit.TVS)
	trimmer, err3 := f.only(circuit.Trimmer)
	for _, err := range []error{err1, err2, err3} {
		if err != nil {
			return err
		}
	}
	s.title, s.high = "which leg is which", 112
	s.transistor(32, 34, f.all(circuit.NPN))
	s.chip(118, 34, opto)
	s.ring(32, 90, tvs)
	s.knob(118, 90, trimmer)
	s.text(8, 108, "start", "", "All others on the board go in either way round.")
	return nil
}

// header draws the controller's header as far as it is used, and which lead goes where at which step.
func (f firstBuild) header(s *sketch) error {
	s.title = "the controller's header"
	const left, top, pitch, rows = 90.0, 22.0, 5.0, 20
	s.high = top + pitch*rows + 8
	s.text(left-pitch-8, top-pitch+0.5, "end", "grey", "position 1, at the marked corner")
	s.rect("ink", left-pitch-2.4, top-pitch/2, 2, 2)
	s.rect("body", left-pitch, top-pitch/2, 2*pitch, pitch*rows)
	at := map[string]string{}
	for number, net := range f.Part(controllerLeads).Pins {
		wire := f.wire(net)
		if wire == nil {
			return fmt.Errorf("no pin of %s is %s", f.carrier.Name, net)
		}
		words := wire.Pin[len("P1_"):] + " " + f.pinWords(net, *wire)
		at[wire.Pin] = fmt.Sprintf("%s: %s, step %d", words, f.pin(controllerLeads, number), f.stepOf(net))
	}
	flash := f.lead("FLASH1")
	at[tryPin] = fmt.Sprintf("%s %g V: lead %s, only to try it, steps 6 and 8", tryPin[len("P1_"):], f.carrier.Volts,
		flash.Letter)
	for i := range 2 * rows {
		position, right := fmt.Sprintf("P1_%d", i+1), i%2 == 1
		x, y := left-pitch/2, top+pitch*float64(i/2)
		if right {
			x += pitch
		}
		words, used := at[position]
		s.circle(map[bool]string{true: "ink", false: "body"}[used], x, y, 1.6)
		if used && right {
			s.line("", x+2, y, left+pitch+6, y)
			s.text(left+pitch+8, y+1.1, "start", "", words)
		} else if used {
			s.line("", x-2, y, left-pitch-6, y)
			s.text(left-pitch-8, y+1.1, "end", "", words)
		}
		delete(at, position)
	}
	if len(at) > 0 {
		return fmt.Errorf("the picture has no position %v", slices.Sorted(maps.Keys(at)))
	}
	return nil
}

// wire is the controller's pin for a signal, nil if it has none.
func (f firstBuild) wire(net string) *circuit.Wire {
	for i, w := range f.carrier.Wires {
		if w.Signal == net {
			return &f.carrier.Wires[i]
		}
	}
	return nil
}

// pinWords is what a controller's pin is called.
func (f firstBuild) pinWords(net string, w circuit.Wire) string {
	switch f.Net(net).Use {
	case circuit.Supply:
		return "5 V"
	case circuit.Level:
		return fmt.Sprintf("%g V", f.carrier.Volts)
	case circuit.Zero:
		return "GND"
	}
	return w.Line
}

// stepOf is the step at which a lead of the controller is connected.
func (f firstBuild) stepOf(net string) int {
	switch f.Net(net).Use {
	case circuit.Supply, circuit.Zero:
		return 3
	case circuit.Level:
		return 4
	}
	return 7
}

// killSwitch draws the switch's two contacts, released and pressed.
func (f firstBuild) killSwitch(s *sketch) error {
	part, err := f.only(circuit.Switch)
	if err != nil {
		return err
	}
	s.title, s.high = "the kill switch's two contacts", 82
	for i, words := range []string{"released: both closed", "pressed: both open"} {
		x := 30 + 88*float64(i)
		s.text(x+16, 20, "middle", "strong", words)
		for pair := range 2 {
			y := 36 + 22*float64(pair)
			s.contact(x, y, i == 1)
			for side, name := range []string{fmt.Sprint(2*pair + 1), fmt.Sprint(2*pair + 2)} {
				at := x + 32*float64(side)
				s.text(at, y+7, "middle", "", f.pin(part.Ref, name))
			}
		}
	}
	s.text(8, 73, "start", "", "Within a pair either screw will do.")
	s.text(8, 78, "start", "", "Most have 11 and 12, 21 and 22 printed beside them (EN 50013, from memory).")
	return nil
}

// beam draws emitter and receiver four times their size, and the beam in its place at true size.
func (f firstBuild) beam(s *sketch) error {
	emitter, err1 := f.only(circuit.LED)
	receiver, err2 := f.only(circuit.Phototransistor)
	if err1 != nil || err2 != nil {
		return fmt.Errorf("it has not one emitter and one receiver")
	}
	b := head.First()
	s.title, s.high = "the beam", 136
	s.lamp(36, 30, b.Lens, "emitter "+emitter.Ref, []legWords{
		{"at the flat, shorter: K", f.pin(emitter.Ref, "K")}, {"longer: A", f.pin(emitter.Ref, "A")}})
	s.lamp(98, 30, b.Lens, "receiver "+receiver.Ref, []legWords{
		{"mostly at the flat: C", f.pin(receiver.Ref, "C")}, {"the other: E", f.pin(receiver.Ref, "E")}})
	s.slit(150, 40, b.Lens)
	const axis = 104.0
	left := (sketchWide - b.Apart) / 2
	s.text(sketchWide/2, axis-14, "middle", "strong", "true size, if printed at 100 %")
	s.rect("light", left, axis-head.TapeSlit/2, b.Apart, head.TapeSlit)
	for _, end := range []struct{ x, lens, tape float64 }{{left, -8.6, -0.4}, {left + b.Apart, 0, 0}} {
		s.rect("body", end.x+end.lens, axis-b.Lens/2, 8.6, b.Lens)
		for _, up := range []float64{-1, 1} { // the tape above and below the slit
			tall := (b.Lens - head.TapeSlit) / 2
			s.rect("ink", end.x+end.tape, axis+up*(head.TapeSlit+tall)/2-tall/2, 0.4, tall)
		}
	}
	s.circle("drop", sketchWide/2, axis, 1.5)
	s.line("", sketchWide/2, axis-10, sketchWide/2, axis-4)
	s.text(sketchWide/2+3, axis-5, "start", "", "a drop of 3 mm falls")
	s.text(left-4, axis+8, "middle", "", emitter.Ref)
	s.text(left+b.Apart+4, axis+8, "middle", "", receiver.Ref)
	s.line("", left, axis+12, left+b.Apart, axis+12)
	s.text(sketchWide/2, axis+17, "middle", "", fmt.Sprintf("%g mm from lens to lens", b.Apart))
	s.text(8, 132, "start", "", "Which leg is which: common practice, from memory; the receiver's data sheet decides.")
	return nil
}

// contact draws how the flash's contact is tried with nothing on it but the meter.
func (f firstBuild) contact(s *sketch) error {
	terminal, level, flash := f.Part(flashLeads), f.lead("VIO"), f.lead("FLASH1")
	s.title, s.high = "the contact and the ohmmeter", 84
	s.rect("body", 74, 24, 32, 40)
	s.text(90, 45, "middle", "strong", "the board")
	s.rect("body", 8, 24, 24, 40)
	s.text(20, 42, "middle", "strong", "controller")
	s.text(20, 34, "middle", "", "pin 1")
	s.text(20, 59, "middle", "", "pin "+tryPin[len("P1_"):])
	s.line("lead", 32, 33, 74, 33)
	s.text(53, 30.5, "middle", "", f.pin(controllerLeads, level.Pin))
	s.line("touch", 32, 58, 74, 58)
	s.text(53, 55.5, "middle", "", f.pin(controllerLeads, flash.Pin))
	s.rect("body", 146, 34, 26, 20)
	s.text(159, 45, "middle", "strong", "ohm")
	for i, pin := range terminal.Type.Kind.Pins(terminal.Value) {
		y := 37 + 14*float64(i)
		s.line("lead", 106, y, 146, y)
		s.text(126, y-2.5, "middle", "", f.pin(flashLeads, pin.Number))
		s.text(126, y+4.5, "middle", "", []string{"red tip", "black tip"}[i])
	}
	s.text(8, 74, "start", "", fmt.Sprintf("Lead %s on pin %s, %g V, kill switch released: the contact closes: some "+
		"hundred ohms or less.", flash.Letter, tryPin[len("P1_"):], f.carrier.Volts))
	s.text(8, 80, "start", "", "Still there, kill switch pressed: it opens, the meter shows OL. If not: stop here.")
	return nil
}

// flashContact draws the flash unit's contact being measured, and which core goes where.
func (f firstBuild) flashContact(s *sketch) error {
	s.title, s.high = "the flash unit's contact, measured first", 112
	s.measuredLead()
	hot, common := f.pin(flashLeads, "1"), f.pin(flashLeads, "2")
	for i, words := range append(measuredSo[:],
		"Reading positive: the core with the red tip goes to "+hot+"; the other to "+common+".",
		"Reading negative: the core with the black tip goes to "+hot+"; the other to "+common+".",
		"Tips off, meter on mA, tips on as a short: it fires. Until ready again 2 mA or less. No flash: stop.",
		"Tips off, and the red lead back to volts at once.",
	) {
		s.text(8, 70+6*float64(i), "start", "", words)
	}
	return nil
}

// measuredSo is what counts for each contact of a flash unit before its current is measured.
var measuredSo = [...]string{
	"Unit off, lead out: cores into the strip. Head turned away, lead in, unit on. Touch probes only.",
	"More than 24 V, + or -: stop, measure no current. Less than 1 V: nothing measured, stop.",
}

// measuredLead draws a flash unit that is on, its lead, whose cores end in a piece of terminal strip, and the meter on
// the strip's screws.
func (s *sketch) measuredLead() {
	s.rect("body", 10, 28, 32, 26)
	s.text(26, 38, "middle", "", "flash unit")
	s.circle("light", 18, 46, 2)
	s.circle("", 18, 46, 2)
	s.text(22, 47, "start", "", "on, ready")
	s.rect("metal", 42, 38, 9, 6)
	s.text(52, 34, "start", "", "its lead")
	s.path("", "M51 41h34l8-7h14M85 41l8 7h14")
	s.rect("body", 107, 28, 18, 26)
	s.line("", 107, 41, 125, 41)
	s.text(112, 60, "end", "grey", "piece of strip, 2 ways")
	s.text(126.5, 42, "start", "grey", "empty")
	for _, y := range []float64{34, 48} {
		s.circle("metal", 114, y, 2.6)
	}
	s.rect("body", 146, 28, 28, 26)
	s.text(160, 38, "middle", "strong", "V, DC")
	s.text(160, 44, "middle", "", "1 to 24 V?")
	s.text(160, 50, "middle", "", "1000 V class")
	s.text(174, 25, "end", "", "highest range first")
	s.path("touch", "M114 34V22H142V34H146")
	s.text(128, 20.5, "middle", "", "red tip")
	s.path("touch", "M114 48V63H142V48H146")
	s.text(128, 61.5, "middle", "", "black tip")
}

// sketchWide is how wide each picture is, in millimetres.
const sketchWide = 180.0

const sketchStyles = `text{font-family:Arial,Helvetica,sans-serif;font-size:3.2px;fill:#000}
.title{font-size:4.4px;font-weight:bold}.strong{font-weight:bold}.grey{fill:#555}
rect,circle,path,line{fill:none;stroke:#222;stroke-width:.4}.body{fill:#fff}.ink{fill:#222}.metal{fill:#ccc}
.insulation{fill:#fff}.light{fill:#f2c6bd;stroke:none}.drop{fill:#9cc4e4}.mark{stroke-width:1}
.lead{stroke:#a03000;stroke-width:.7}.touch{stroke:#a03000;stroke-width:.7;stroke-dasharray:2 1}`

// sketch is a picture being drawn, in millimetres.
type sketch struct {
	strings.Builder
	title string
	high  float64
}

func (s *sketch) sheet(step string) string {
	title := step + s.title
	return fmt.Sprintf(`<svg xmlns="http://www.w3.org/2000/svg" width="%gmm" height="%gmm" viewBox="0 0 %g %g" role="img">
<title>%s</title>
<style>%s</style>
<rect width="100%%" height="100%%" style="fill:#fff;stroke:none"/>
<text x="8" y="9" class="title">%s</text>
%s</svg>
`, sketchWide, s.high, sketchWide, s.high, svg.Escape(title), sketchStyles, svg.Escape(title), s.String())
}

func (s *sketch) text(x, y float64, anchor, class, words string) {
	fmt.Fprintf(s, `<text x="%s" y="%s" text-anchor="%s" class="%s">%s</text>`+"\n", svg.Number(x), svg.Number(y), anchor,
		class, svg.Escape(words))
}

func (s *sketch) line(class string, x0, y0, x1, y1 float64) {
	fmt.Fprintf(s, `<line class="%s" x1="%s" y1="%s" x2="%s" y2="%s"/>`+"\n", class, svg.Number(x0), svg.Number(y0),
		svg.Number(x1), svg.Number(y1))
}

func (s *sketch) rect(class string, x, y, wide, high float64) {
	fmt.Fprintf(s, `<rect class="%s" x="%.2f" y="%.2f" width="%.2f" height="%.2f"/>`+"\n", class, x, y, wide, high)
}

func (s *sketch) circle(class string, x, y, r float64) {
	fmt.Fprintf(s, `<circle class="%s" cx="%s" cy="%s" r="%s"/>`+"\n", class, svg.Number(x), svg.Number(y), svg.Number(r))
}

func (s *sketch) path(class, d string, at ...any) {
	fmt.Fprintf(s, `<path class="%s" d="%s"/>`+"\n", class, fmt.Sprintf(d, at...))
}
