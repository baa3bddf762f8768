package gpioboard

import (
	"io"

	"stillwater/internal/executor"
	"stillwater/internal/realtime"
	"stillwater/internal/trigger"
	"stillwater/internal/wire"
)

// instant is a board's outputs that are not there and take no time.
type instant struct{ now wire.Tick }

// Drive does nothing.
func (i *instant) Drive(_, _ uint8) (wire.Tick, error) { return i.now, nil }

// warmUp fires one shot of a board that is not there, so that no code is executed for the first time during a shot: the
// kernel reads it from the disk on first use.
func warmUp() {
	c := trigger.Config{TickHz: realtime.TickHz, InputLen: 1, OutputLen: 1}
	c.Outputs[0].MaxOn = realtime.TickHz
	state, err := trigger.New(c)
	if err != nil { // a board like this can be made, or the tests fail
		return
	}
	p := wire.Program{Clock: wire.Source{Input: 0}, Nth: 1, Gate: wire.Source{Input: wire.NoInput}, Late: 1, TableLen: 1,
		CueLen: 1}
	p.Table[0].Delay = 100
	p.Cues[0] = wire.CueSpec{Width: 100}
	encoded := wire.AppendProgram(nil, &p)
	part := wire.LoadPart{N: uint8(len(encoded))}
	copy(part.Data[:], encoded)
	said := wire.AppendFrame(nil, part.Frame(1))
	said = wire.AppendFrame(said, wire.Commit{Length: uint16(len(encoded)), CRC: wire.CRC(encoded)}.Frame(2))
	said = wire.AppendFrame(said, wire.Arm{Shots: 1}.Frame(3))
	pins := &instant{}
	x := executor.New(state, pins, io.Discard)
	x.Start(pins.now)
	x.Bytes(pins.now, said)
	x.Edge(pins.now, 0, true, pins.now)
	for at, ok := x.Next(); ok && x.State().Left() > 0; at, ok = x.Next() {
		pins.now = at
		x.Wake(pins.now)
	}
}
