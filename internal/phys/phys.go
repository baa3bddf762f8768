// Package phys defines one float64 type per physical quantity, in SI units, and the constants the models need, each
// with its source.
//
// Quantities parse and print with their unit ("40 cm", "3.2 m/s", "1/125 s"). The types implement
// encoding.TextUnmarshaler and encoding.TextMarshaler, so flags, the configuration file and the page's messages share
// one parser. A number without a unit is an error.
package phys

import "time"

// Length is in metres.
type Length float64

// Speed is in metres per second.
type Speed float64

// Angle is in radians, positive above the horizontal.
type Angle float64

// Temperature is in degrees Celsius.
type Temperature float64

// Time is in seconds. Physical models use it; board programs and the journal use time.Duration.
type Time float64

// Density is in kilograms per cubic metre.
type Density float64

// SurfaceTension is in newtons per metre.
type SurfaceTension float64

// Volume is in cubic metres.
type Volume float64

// Mass is in kilograms.
type Mass float64

// Duration rounds t to the nearest nanosecond.
func (t Time) Duration() time.Duration {
	if t < 0 {
		return -time.Duration(-t*1e9 + 0.5)
	}
	return time.Duration(t*1e9 + 0.5)
}

// Milliseconds is a duration in milliseconds, as JSON and texts have it.
func Milliseconds(d time.Duration) float64 { return float64(d) / float64(time.Millisecond) }

// Seconds converts a duration to a Time.
func Seconds(d time.Duration) Time { return Time(d) / 1e9 }
