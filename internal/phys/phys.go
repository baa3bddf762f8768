// Package phys holds the quantities the project works in, one type a quantity, each a float64 in SI units, and the
// constants the models need, each with its source.
//
// Every quantity parses and prints itself with its unit ("40 cm", "3.2 m/s", "1/125 s"): the types are
// encoding.TextUnmarshaler and encoding.TextMarshaler, so flags, the configuration file and the page's messages all
// read them through this one place. A bare number is an error: the unit is part of the value.
package phys

import "time"

// Length is in metres.
type Length float64

// Speed is in metres per second.
type Speed float64

// Angle is in radians, above level positive.
type Angle float64

// Temperature is in degrees Celsius.
type Temperature float64

// Time is in seconds. Models use it; programs and the record use time.Duration.
type Time float64

// Density is in kilograms per cubic metre.
type Density float64

// SurfaceTension is in newtons per metre.
type SurfaceTension float64

// Duration rounds t to the nearest nanosecond.
func (t Time) Duration() time.Duration {
	if t < 0 {
		return -time.Duration(-t*1e9 + 0.5)
	}
	return time.Duration(t*1e9 + 0.5)
}

// Seconds converts a duration to a Time.
func Seconds(d time.Duration) Time { return Time(d) / 1e9 }
