package splash_test

import (
	"fmt"

	"stillwater/internal/liquids"
	"stillwater/internal/splash"
)

// Water drips from a 3 mm nozzle and reaches a deep pool at 2.7 m/s: when its column is highest.
func ExampleWhen() {
	water, err := liquids.Named("water")
	if err != nil {
		fmt.Println(err)
		return
	}
	diameter, err := splash.DropDiameter(3e-3, water)
	if err != nil {
		fmt.Println(err)
		return
	}
	window, err := splash.When(splash.ColumnHighest,
		splash.Impact{Diameter: diameter, Speed: 2.7, Drop: water, Pool: water})
	fmt.Printf("a %.1f mm drop: %.0f ms after contact, eight in ten from %.0f to %.0f ms, extrapolated %v (error: %v)\n",
		float64(diameter)*1e3, float64(window.Central)*1e3, float64(window.Low)*1e3, float64(window.High)*1e3,
		window.Extrapolated, err)
	// Output: a 4.5 mm drop: 95 ms after contact, eight in ten from 82 to 110 ms, extrapolated true (error: <nil>)
}
