package check

import (
	"fmt"
	"strings"

	"stillwater/internal/config"
	"stillwater/internal/control"
	"stillwater/internal/wire"
	"stillwater/internal/wiring"
)

// unusedOutputs are the kinds of outputs that a board may have and that no plan switches.
var unusedOutputs = []wire.OutputKind{wire.OutputFocus, wire.OutputLamp}

// examineUnused looks for pins that nothing uses, alone or without another that is not there.
func examineUnused(s site) (all []Finding) {
	inputs, outputs := s.pinKinds()
	if names := inputs[wiring.Sync]; names != nil && outputs[wire.OutputShutter] == nil {
		all = append(all, Finding{Note, strings.Join(names, ", "),
			"the camera's lag is measured by it and by an output that releases the camera, and there is none",
			`add one with kind = "shutter", or give the lag by hand`})
	}
	if names := inputs[wiring.Gate]; names != nil && inputs[wiring.Beam] == nil {
		all = append(all, Finding{Note, strings.Join(names, ", "),
			"a gate is the first of two beams of a throw, and there is no second: nothing uses it",
			`add an input with role = "beam", or give this one that role`})
	}
	if names := outputs[wire.OutputValve]; names != nil && inputs[wiring.Beam] == nil {
		all = append(all, Finding{Note, strings.Join(names, ", "),
			"drops on command are timed from the valve alone, as there is no beam: that scatters more",
			`add an input with role = "beam" under the tip`})
	}
	var names []string
	for _, kind := range unusedOutputs {
		names = append(names, outputs[kind]...)
	}
	if names != nil {
		all = append(all, Finding{Note, strings.Join(names, ", "),
			"no plan switches it yet: it can only be tested by hand, on the page", ""})
	}
	return all
}

// pinKinds are a board's inputs and outputs: those of the configuration or, on a serial port, those that it announces.
func (s site) pinKinds() (map[wiring.Role][]string, map[wire.OutputKind][]string) {
	inputs, outputs := map[wiring.Role][]string{}, map[wire.OutputKind][]string{}
	input := func(name string, role wiring.Role) {
		inputs[role] = append(inputs[role], fmt.Sprintf("input %q", name))
	}
	output := func(name string, kind wire.OutputKind) {
		outputs[kind] = append(outputs[kind], fmt.Sprintf("output %q", name))
	}
	if s.conf.Board.Kind == config.Serial {
		for _, in := range s.probe.result.Identity.Inputs {
			input(in.Name, control.RoleOf(in))
		}
		for _, out := range s.probe.result.Identity.Outputs {
			output(out.Name, out.Kind)
		}
		return inputs, outputs
	}
	for _, in := range s.conf.Board.Inputs {
		input(in.Name, in.Role)
	}
	for _, out := range s.conf.Board.Outputs {
		output(out.Name, out.Kind)
	}
	return inputs, outputs
}
