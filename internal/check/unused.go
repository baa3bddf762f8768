package check

import (
	"fmt"
	"slices"
	"strings"

	"stillwater/internal/config"
	"stillwater/internal/wire"
)

// unusedInputs and unusedOutputs are the kinds of pins that a board may have and that nothing uses yet, or not whole.
var (
	unusedInputs = []struct {
		kind         wire.InputKind
		boards       []config.Kind
		what, remedy string
	}{
		{wire.InputSync, []config.Kind{config.GPIO, config.Serial},
			"the camera's lag is not measured by it yet: its edges are shown, and that is all",
			"give the lag by hand; stillwater lateness can use this input"},
		{wire.InputMicrophone, []config.Kind{config.Serial},
			"its level is not shown and its threshold cannot be set yet: the firmware's own holds", ""},
	}
	unusedOutputs = []wire.OutputKind{wire.OutputFocus, wire.OutputValve, wire.OutputLamp}
)

// examineUnused looks for pins that nothing uses yet.
func examineUnused(s site) (all []Finding) {
	inputs, outputs := s.pinKinds()
	for _, k := range unusedInputs {
		if names := inputs[k.kind]; names != nil && slices.Contains(k.boards, s.conf.Board.Kind) {
			all = append(all, Finding{Note, strings.Join(names, ", "), k.what, k.remedy})
		}
	}
	var names []string
	for _, kind := range unusedOutputs {
		names = append(names, outputs[kind]...)
	}
	if names != nil {
		all = append(all, Finding{Note, strings.Join(names, ", "),
			"no plan switches it yet: it can be tested by hand on the page, and that is all", ""})
	}
	return all
}

// pinKinds are a board's inputs and outputs: those of the configuration or, on a serial port, those that it announces.
func (s site) pinKinds() (map[wire.InputKind][]string, map[wire.OutputKind][]string) {
	inputs, outputs := map[wire.InputKind][]string{}, map[wire.OutputKind][]string{}
	input := func(name string, kind wire.InputKind) {
		inputs[kind] = append(inputs[kind], fmt.Sprintf("input %q", name))
	}
	output := func(name string, kind wire.OutputKind) {
		outputs[kind] = append(outputs[kind], fmt.Sprintf("output %q", name))
	}
	if s.conf.Board.Kind == config.Serial {
		for _, in := range s.probe.result.Identity.Inputs {
			input(in.Name, in.Kind)
		}
		for _, out := range s.probe.result.Identity.Outputs {
			output(out.Name, out.Kind)
		}
		return inputs, outputs
	}
	for _, in := range s.conf.Board.Inputs {
		input(in.Name, in.Role.Kind())
	}
	for _, out := range s.conf.Board.Outputs {
		output(out.Name, out.Kind)
	}
	return inputs, outputs
}
