package control

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"stillwater/internal/board"
	"stillwater/internal/shot"
	"stillwater/internal/wire"
	"stillwater/internal/wiring"
)

// What the circuits in hardware/ take, from the light that is gone or the sound to the edge on the line, and from the
// line to the contact. Typical values of their simulation (hardware/generated); nothing was measured on hardware. A
// configuration that names the pin says better.
const (
	beamDelay       = 4 * time.Microsecond
	microphoneDelay = 39 * time.Microsecond
	contactDelay    = 2 * time.Microsecond // of shutter and focus
	flashDelay      = 3 * time.Microsecond
)

// AnnouncedWiring is the wiring of a board that has its pins built in and says what they are: a microcontroller on a
// serial port. The configuration may add roles, levels and delays to those that it names; what it names is used first.
func AnnouncedWiring(pins wiring.Pins) func(board.Identity) (Wiring, error) {
	return func(id board.Identity) (Wiring, error) {
		inputs, err := announcedInputs(pins, id)
		if err != nil {
			return Wiring{}, err
		}
		outputs, err := announcedOutputs(pins, id)
		if err != nil {
			return Wiring{}, err
		}
		w := Wiring{Inputs: inputs, Bench: shot.Bench{
			Lead: id.Lead, EdgeLead: id.EdgeLead, GateLead: id.GateLead, Tick: id.Tick,
			TableLen: id.TableLen, MaxOpening: id.CueLen,
			Late: pins.Late, HoldOff: pins.HoldOff,
		}}
		for _, i := range namedFirst(inputNames(inputs), inputNames(pins.Inputs)) {
			in := inputs[i]
			assignInput(&w.Bench, in.Role, shot.Sensor{Index: uint8(i), Name: in.Name, Falling: in.Falling(), Delay: in.Delay})
		}
		for _, i := range namedFirst(outputNames(outputs), outputNames(pins.Outputs)) {
			out := outputs[i]
			assignOutput(&w.Bench, out.Kind, shot.Output{
				Index: uint8(i), Name: out.Name, MaxOn: out.LongestOn, Delay: out.Delay,
			})
		}
		return w, nil
	}
}

// announcedInputs are the board's inputs, in its order, as the configuration would have described them.
func announcedInputs(pins wiring.Pins, id board.Identity) ([]wiring.Input, error) {
	inputs := make([]wiring.Input, len(id.Inputs))
	for i, in := range id.Inputs {
		inputs[i] = wiring.Input{Name: in.Name, Role: RoleOf(in), ActiveHigh: in.ActiveHigh}
		switch in.Kind {
		case wire.InputBeam:
			inputs[i].Delay = beamDelay
		case wire.InputMicrophone:
			inputs[i].Delay = microphoneDelay
		}
	}
	for _, more := range pins.Inputs {
		i := slices.Index(inputNames(inputs), more.Name)
		switch {
		case i < 0:
			return nil, unknownPin("input", more.Name, inputNames(inputs))
		case more.Role.Kind() != id.Inputs[i].Kind:
			return nil, fmt.Errorf("the configuration calls input %q a %s, the board says it is a %s: change its role",
				more.Name, more.Role, roleOf(id.Inputs[i].Kind))
		}
		inputs[i].Role = more.Role
		inputs[i].Go = more.Go
		inputs[i].Delay = cmp.Or(more.Delay, inputs[i].Delay)
		if more.ActiveGiven {
			inputs[i].ActiveHigh = more.ActiveHigh
		}
	}
	return inputs, nil
}

// RoleOf is what an input is for. Gates and beams are of one kind on the wire, so the name tells them apart.
func RoleOf(in board.InputInfo) wiring.Role {
	if in.Kind == wire.InputBeam && in.Name == string(wiring.Gate) {
		return wiring.Gate
	}
	return roleOf(in.Kind)
}

// announcedOutputs are the board's outputs, in its order.
func announcedOutputs(pins wiring.Pins, id board.Identity) ([]wiring.Output, error) {
	outputs := make([]wiring.Output, len(id.Outputs))
	for i, out := range id.Outputs {
		outputs[i] = wiring.Output{Name: out.Name, Kind: out.Kind, LongestOn: out.MaxOn}
		switch out.Kind {
		case wire.OutputShutter, wire.OutputFocus:
			outputs[i].Delay = contactDelay
		case wire.OutputFlash:
			outputs[i].Delay = flashDelay
		}
	}
	for _, more := range pins.Outputs {
		i := slices.Index(outputNames(outputs), more.Name)
		switch {
		case i < 0:
			return nil, unknownPin("output", more.Name, outputNames(outputs))
		case more.Kind != outputs[i].Kind:
			return nil, fmt.Errorf("the configuration calls output %q a %v, the board says it is a %v: change its kind",
				more.Name, more.Kind, outputs[i].Kind)
		}
		outputs[i].Delay = cmp.Or(more.Delay, outputs[i].Delay)
	}
	return outputs, nil
}

func inputNames(inputs []wiring.Input) (names []string) {
	for _, in := range inputs {
		names = append(names, in.Name)
	}
	return names
}

func outputNames(outputs []wiring.Output) (names []string) {
	for _, out := range outputs {
		names = append(names, out.Name)
	}
	return names
}

func unknownPin(what, name string, there []string) error {
	return fmt.Errorf("the configuration names the %s %q, the board has %s: change or remove it", what, name,
		strings.Join(there, ", "))
}

// namedFirst are the places of all names, first of those that the configuration names too.
func namedFirst(all, configured []string) (places []int) {
	for _, wanted := range []bool{true, false} {
		for i, name := range all {
			if slices.Contains(configured, name) == wanted {
				places = append(places, i)
			}
		}
	}
	return places
}
