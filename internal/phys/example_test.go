package phys_test

import (
	"fmt"

	"stillwater/internal/phys"
)

func ExampleParseLength() {
	height, err := phys.ParseLength("400 mm")
	fmt.Println(height, float64(height), err)
	_, err = phys.ParseLength("400")
	fmt.Println(err)
	// Output:
	// 40 cm 0.4 <nil>
	// "400" is not a length: the unit is missing; write it like 40 cm, 0.4 m or 400 mm
}

func ExampleTime_UnmarshalText() {
	var exposure phys.Time
	err := exposure.UnmarshalText([]byte("1/125 s"))
	fmt.Println(exposure, exposure.Duration(), err)
	// Output: 8 ms 8ms <nil>
}
