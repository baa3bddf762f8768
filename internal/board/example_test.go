package board_test

import (
	"context"
	"fmt"

	"stillwater/internal/board"
	"stillwater/internal/rig"
	"stillwater/internal/shot"
	"stillwater/internal/wire"
)

// The client arms the simulated rig with a compiled plan, and disarms it.
func ExampleDial() {
	simulated, err := rig.New(rig.Options{})
	if err != nil {
		fmt.Println(err)
		return
	}
	defer simulated.Close()
	ctx := context.Background()
	client, err := board.Dial(ctx, simulated.Link(), board.Options{InProcess: true})
	if err != nil {
		fmt.Println(err)
		return
	}
	defer client.Close()
	fmt.Println("board:", client.Identity().Firmware)
	program, _, err := shot.Compile(shot.DefaultSet(), rig.Bench())
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(client.Load(ctx, program), client.Arm(ctx, 3))
	for e := range client.Events() {
		if e.State != nil && e.State.State == wire.Armed {
			fmt.Println(e.State.State, "for", e.State.Left, "shots")
			break
		}
	}
	fmt.Println(client.Disarm(ctx))
	// Output:
	// board: simulated
	// <nil> <nil>
	// armed for 3 shots
	// <nil>
}
