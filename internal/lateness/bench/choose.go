package bench

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"stillwater/internal/config"
	"stillwater/internal/wiring"
)

// Choose takes the output to switch and the input that it is wired back to, "" for none, by their names on a board.
func (o *Options) Choose(board config.Board, output, input string) error {
	var outputs, inputs []string
	for _, out := range board.Outputs {
		outputs = append(outputs, out.Name)
	}
	for _, in := range board.Inputs {
		inputs = append(inputs, in.Name)
	}
	o.Output, o.Input = slices.Index(outputs, output), slices.Index(inputs, input)
	o.Setup.Output, o.Setup.Input = strconv.Quote(output), input
	switch {
	case o.Output < 0:
		return fmt.Errorf("output %q: the configuration has %s", output, list(outputs))
	case input == "":
		o.Input = NoPin
	case o.Input < 0:
		return fmt.Errorf("input %q: the configuration has %s", input, list(inputs))
	case board.Inputs[o.Input].Role == wiring.Kill:
		return fmt.Errorf("input %q is the kill switch, whose edges stop the board: wire the output back to another", input)
	}
	return nil
}

func list(names []string) string {
	if len(names) == 0 {
		return "none"
	}
	return strings.Join(names, ", ")
}
