package control

import (
	"fmt"

	"stillwater/internal/board"
	"stillwater/internal/shot"
	"stillwater/internal/wire"
	"stillwater/internal/wiring"
)

// Wiring is what is connected to the pins of a board: the bench that plans run on, and each input in the board's order.
type Wiring struct {
	Bench  shot.Bench
	Inputs []wiring.Input
}

// newInputs lists the inputs for the page. The counts of edges go on for inputs that were there before.
func (w Wiring) newInputs(before []InputView) []InputView {
	list := make([]InputView, len(w.Inputs))
	for i, s := range w.Inputs {
		list[i] = InputView{Name: s.Name, Role: string(s.Role), Use: useOf(s)}
		if i < len(before) && before[i].Name == s.Name {
			list[i].Edges = before[i].Edges
		}
	}
	return list
}

// useOf says what an input does that a press or a contact makes act; "" it is a sensor, or stops.
func useOf(in wiring.Input) string {
	if in.Role == wiring.Button {
		return (&button{gesture: in.Go}).use()
	}
	return ""
}

// ConfiguredWiring joins a configuration with the board that was started from it.
func ConfiguredWiring(pins wiring.Pins) func(board.Identity) (Wiring, error) {
	return func(id board.Identity) (Wiring, error) {
		if len(id.Inputs) != len(pins.Inputs) || len(id.Outputs) != len(pins.Outputs) {
			return Wiring{}, fmt.Errorf("the board has %d inputs and %d outputs, the configuration %d and %d: "+
				"restart Stillwater after changing it", len(id.Inputs), len(id.Outputs), len(pins.Inputs), len(pins.Outputs))
		}
		w := Wiring{Inputs: pins.Inputs, Bench: shot.Bench{
			Lead: id.Lead, EdgeLead: id.EdgeLead, GateLead: id.GateLead, Tick: id.Tick,
			TableLen: id.TableLen, MaxOpening: id.CueLen, Late: pins.Late, HoldOff: pins.HoldOff,
		}}
		for i, in := range pins.Inputs {
			assignInput(&w.Bench, in.Role, shot.Sensor{
				Index: uint8(i), Name: in.Name, Falling: in.Falling(), Delay: in.Delay + in.Debounce,
			})
		}
		for i, out := range pins.Outputs {
			assignOutput(&w.Bench, out.Kind, shot.Output{
				Index: uint8(i), Name: out.Name, MaxOn: out.LongestOn, Delay: out.Delay,
			})
		}
		return w, nil
	}
}

// assignInput assigns an input to its role on the bench; the first of a role counts.
func assignInput(b *shot.Bench, role wiring.Role, in shot.Sensor) {
	slot := map[wiring.Role]**shot.Sensor{
		wiring.Beam: &b.Beam, wiring.Gate: &b.Gate, wiring.Microphone: &b.Microphone,
	}[role]
	if slot != nil && *slot == nil {
		*slot = &in
	}
}

// assignOutput assigns an output to its kind on the bench. The first shutter counts; all flashes fire, and valves have
// their number.
func assignOutput(b *shot.Bench, kind wire.OutputKind, out shot.Output) {
	if kind == wire.OutputFlash && b.Flash != nil {
		b.MoreFlash = append(b.MoreFlash, out)
		return
	}
	if kind == wire.OutputValve {
		b.Valves = append(b.Valves, out)
		return
	}
	slot := map[wire.OutputKind]**shot.Output{
		wire.OutputShutter: &b.Shutter, wire.OutputFlash: &b.Flash,
	}[kind]
	if slot != nil && *slot == nil {
		*slot = &out
	}
}

// RigWiring is the wiring of the simulated rig, which knows its own bench.
func RigWiring(bench shot.Bench) func(board.Identity) (Wiring, error) {
	return func(id board.Identity) (Wiring, error) {
		w := Wiring{Bench: bench}
		for _, in := range id.Inputs {
			w.Inputs = append(w.Inputs, wiring.Input{
				Name: in.Name, Role: roleOf(in.Kind), ActiveHigh: in.ActiveHigh, Go: rigGesture(in.Kind),
			})
		}
		for role, in := range map[wiring.Role]*shot.Sensor{
			wiring.Gate: bench.Gate, wiring.Beam: bench.Beam, wiring.Microphone: bench.Microphone,
		} {
			if in != nil && int(in.Index) < len(w.Inputs) {
				w.Inputs[in.Index].Role, w.Inputs[in.Index].ActiveHigh = role, !in.Falling
			}
		}
		return w, nil
	}
}

func rigGesture(kind wire.InputKind) wiring.Gesture {
	if kind == wire.InputButton {
		return wiring.TwoPresses
	}
	return wiring.NoGesture
}

func roleOf(kind wire.InputKind) wiring.Role {
	switch kind {
	case wire.InputBeam:
		return wiring.Beam
	case wire.InputMicrophone:
		return wiring.Microphone
	case wire.InputSync:
		return wiring.Sync
	case wire.InputKill:
		return wiring.Kill
	}
	return wiring.Button
}
