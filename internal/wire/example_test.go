package wire_test

import (
	"fmt"

	"stillwater/internal/wire"
)

// A frame is encoded for the wire and decoded from a stream that begins with garbage.
func ExampleDecoder() {
	stream := append([]byte("garbage\x00"), wire.AppendFrame(nil, wire.Ping{Token: 7}.Frame(1))...)
	fmt.Printf("% x\n", stream[8:])
	var decoder wire.Decoder
	for _, b := range stream {
		if f, ok := decoder.Push(b); ok {
			m, err := wire.Parse(f)
			fmt.Printf("%s %+v %v, bad pieces: %d\n", f.Type, m, err, decoder.Bad())
		}
	}
	// Output:
	// 04 02 01 07 01 01 03 2c 7e 00
	// ping {Token:7} <nil>, bad pieces: 1
}

// A board checks a program against its limits before it accepts it.
func ExampleProgram_Check() {
	p := wire.Program{
		Clock: wire.Source{Input: 0}, Nth: 1, Gate: wire.Source{Input: wire.NoInput}, TableLen: 1, CueLen: 1,
	}
	p.Table[0].Delay = 60_000
	p.Cues[0] = wire.CueSpec{Output: 1, Width: 10_000}
	limits := wire.Limits{Inputs: 1, Outputs: 2, Table: 32, Cues: 8, Lead: 1000, MaxOn: [wire.MaxPins]uint32{5000, 5000}}
	fmt.Println(p.Check(&limits).Err())
	p.Cues[0].Width = 5000
	fmt.Println(p.Check(&limits).Err())
	// Output:
	// wire: program: an output would be on for longer than it may: 5000 ticks at most
	// <nil>
}
