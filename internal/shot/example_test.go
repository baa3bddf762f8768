package shot_test

import (
	"errors"
	"fmt"
	"time"

	"stillwater/internal/shot"
)

// bench is a board with one beam, a shutter and a flash.
func bench() shot.Bench {
	return shot.Bench{
		Beam:     &shot.Sensor{Name: "beam", Falling: true},
		Shutter:  &shot.Output{Index: 0, Name: "shutter", MaxOn: time.Minute},
		Flash:    &shot.Output{Index: 1, Name: "flash", MaxOn: 100 * time.Millisecond},
		EdgeLead: 2 * time.Millisecond,
		Tick:     time.Microsecond,
		TableLen: 32,
	}
}

// A set that works at home becomes a fixed delay and two cues around the moment.
func ExampleCompile() {
	program, _, err := shot.Compile(shot.DefaultSet(), bench())
	fmt.Println("delay", program.Table[0].Delay.Round(100*time.Microsecond), err)
	for _, cue := range program.Cues {
		fmt.Println(cue.Name, cue.Offset, cue.Width)
	}
	// Output:
	// delay 287.1ms <nil>
	// shutter -71ms 91ms
	// flash 0s 10ms
}

// A refusal lists changes of the set, each of which makes the plan compile.
func ExampleRefusal() {
	set := shot.DefaultSet()
	for field, value := range map[string]string{
		"light.lag": "300 ms", "light.shutter": "edge", "drop.phase": "contact",
	} {
		if err := set.Put(field, value); err != nil {
			fmt.Println(err)
		}
	}
	_, _, err := shot.Compile(set, bench())
	if refusal := new(shot.Refusal); errors.As(err, &refusal) {
		fmt.Println("refused because of", refusal.Field)
		for _, fix := range refusal.Fixes {
			fmt.Println(fix.Field, fix.Value)
		}
	}
	// Output:
	// refused because of drop.height
	// drop.height 79.4 cm
	// light.shutter go
	// light.shutter hand
}

// Put parses a value with its unit; on error the set is unchanged.
func ExampleSet_Put() {
	set := shot.DefaultSet()
	fmt.Println(set.Put("drop.height", "60 cm"), set.Drop.Height)
	fmt.Println(set.Put("drop.height", "60 m"), set.Drop.Height)
	// Output:
	// <nil> 60 cm
	// drop.height: 60 m is more than 5 m; use 1 cm to 5 m 60 cm
}
