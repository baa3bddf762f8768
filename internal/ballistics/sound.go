package ballistics

import (
	"math"

	"stillwater/internal/phys"
)

// Domains of the sound functions.
const (
	minTemperature, maxTemperature phys.Temperature = -20, 50
	maxSoundDistance               phys.Length      = 100
)

// SpeedOfSound is the speed of sound in air: 343.2 m/s times the square root of T/293.15 K, ISO 9613-1:1993.
// Temperature: -20 to 50 °C. Handbooks differ by 0.3 m/s; damp air is faster by 0.1 to 0.6 %.
func SpeedOfSound(temperature phys.Temperature) (phys.Speed, error) {
	if err := phys.Within("temperature", temperature, minTemperature, maxTemperature); err != nil {
		return 0, err
	}
	return phys.Speed(343.2 * math.Sqrt(temperature.Kelvin()/293.15)), nil
}

// SoundDelay is the travel time of sound over distance, 0 to 100 m, in air of that temperature.
func SoundDelay(distance phys.Length, temperature phys.Temperature) (phys.Time, error) {
	if err := phys.Within("distance", distance, 0, maxSoundDistance); err != nil {
		return 0, err
	}
	speed, err := SpeedOfSound(temperature)
	if err != nil {
		return 0, err
	}
	return phys.Time(float64(distance) / float64(speed)), nil
}
