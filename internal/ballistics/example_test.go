package ballistics_test

import (
	"errors"
	"fmt"

	"stillwater/internal/ballistics"
)

// A 4 mm drop falls 40 cm: how long it takes, and how far the drag models disagree.
func ExampleFall() {
	fall, err := ballistics.Fall(4e-3, 0.4, 0)
	if err != nil {
		fmt.Println(err)
		return
	}
	early, late, err := ballistics.Spread(4e-3, 0, 0.4, 0)
	fmt.Printf("%.1f ms, %.2f m/s; models differ by %.2f ms (error: %v)\n",
		float64(fall.Time)*1e3, float64(fall.Speed), float64(late.Time-early.Time)*1e3, err)
	// Output: 288.5 ms, 2.73 m/s; models differ by 0.35 ms (error: <nil>)
}

// A throw takes 25 ms from beam to beam, 10 cm apart: when it passes the focus spot 80 cm further on.
func ExampleThrown_Flight() {
	water := ballistics.Thrown{Diameter: 36e-3}
	speed, err := water.SpeedAtSecondBeam(0.1, 25e-3, 0.35)
	if err != nil {
		fmt.Println(err)
		return
	}
	pass, err := water.Flight(speed, 0.35, 0.8, 1)
	fmt.Printf("%.2f m/s at the beam, %.1f ms to the focus spot (error: %v)\n",
		float64(speed), float64(pass.Time)*1e3, err)
	_, err = water.Flight(1, 0.35, 0.8, 1)
	if short := new(ballistics.FallsShortError); errors.As(err, &short) {
		fmt.Printf("a throw at 1 m/s is %.0f cm short\n", float64(short.Short)*100)
	}
	// Output:
	// 3.95 m/s at the beam, 216.3 ms to the focus spot (error: <nil>)
	// a throw at 1 m/s is 34 cm short
}
