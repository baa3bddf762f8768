package bench

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"stillwater/internal/commandline"
	"stillwater/internal/config"
	"stillwater/internal/wiring"
)

// choose finds the pins on a board.
func (o *Options) choose(board config.Board, p Pins) error {
	output, input := p.Output, p.Input
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
		return badFlag("output %q: the configuration has %s", output, list(outputs))
	case input == "":
		o.Input = NoPin
	case o.Input < 0:
		return badFlag("input %q: the configuration has %s", input, list(inputs))
	case board.Inputs[o.Input].Role == wiring.Kill:
		return badFlag("input %q is the kill switch, whose edges stop the board: wire the output back to another", input)
	}
	return nil
}

// badFlag says what is wrong with one of the command's flags.
func badFlag(format string, args ...any) error {
	return fmt.Errorf("%w: lateness: --"+format, append([]any{commandline.ErrUsage}, args...)...)
}

func list(names []string) string {
	if len(names) == 0 {
		return "none"
	}
	return strings.Join(names, ", ")
}
