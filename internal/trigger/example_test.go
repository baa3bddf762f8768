package trigger_test

import (
	"fmt"

	"stillwater/internal/trigger"
	"stillwater/internal/wire"
)

// name is a wire.Name of a valid text.
func name(text string) (n wire.Name) { copy(n[:], text); return n }

// A board with one beam and one flash at 1 MHz is armed for one shot; an edge fires the flash 60 ms later.
func ExampleStep() {
	config := trigger.Config{TickHz: 1_000_000, Lead: 1000, EdgeLead: 2000, GateLead: 2000, SafeWithin: 1000,
		Firmware: name("example"), InputLen: 1, OutputLen: 1}
	config.Inputs[0] = trigger.Input{Kind: wire.InputBeam, Name: name("beam")}
	config.Outputs[0] = trigger.Output{Kind: wire.OutputFlash, Name: name("flash"), MaxOn: 100_000}
	state, err := trigger.New(config)
	if err != nil {
		fmt.Println(err)
		return
	}
	step := func(e trigger.Event) {
		var actions []trigger.Action
		state, actions = trigger.Step(state, e, nil)
		for _, a := range actions {
			if a.Kind == trigger.ActionDrive {
				fmt.Printf("%d: drive %b\n", e.Now, a.Levels)
			} else if a.Frame.Type != wire.TypeAck {
				fmt.Printf("%d: send %s\n", e.Now, a.Frame.Type)
			}
		}
	}
	receive := func(now wire.Tick, m wire.Message) {
		step(trigger.Event{Kind: trigger.EventReceived, Now: now, Frame: m.Frame(0)})
	}
	program := wire.Program{
		Nth: 1, Gate: wire.Source{Input: wire.NoInput}, Late: 1000, Rest: 1000, TableLen: 1, CueLen: 1,
	}
	program.Table[0].Delay = 60_000
	program.Cues[0].Width = 10_000
	encoded := wire.AppendProgram(nil, &program)
	part := wire.LoadPart{N: uint8(len(encoded))}
	copy(part.Data[:], encoded)

	step(trigger.Event{Kind: trigger.EventStart})
	receive(100, part)
	receive(200, wire.Commit{Length: uint16(len(encoded)), CRC: wire.CRC(encoded)})
	receive(300, wire.Arm{Shots: 1})
	step(trigger.Event{Kind: trigger.EventEdge, Now: 5000, At: 4990, High: true})
	for now, ok := state.Wake(); ok && now < 200_000; now, ok = state.Wake() {
		step(trigger.Event{Kind: trigger.EventWake, Now: now})
	}
	// Output:
	// 0: drive 0
	// 0: send identity
	// 0: send state
	// 300: send state
	// 5000: send state
	// 5000: send edge
	// 64990: drive 1
	// 74990: drive 0
	// 74990: send cue
	// 74990: send shot
	// 74990: send state
	// 74990: drive 0
	// 74990: send state
}
