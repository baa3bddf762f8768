package ballistics

import "stillwater/internal/phys"

// SpeedOfSound is the speed of sound in dry air, -20 to 50 degrees Celsius.
func SpeedOfSound(t phys.Temperature) (phys.Speed, error) { return 0, nil }

// SoundDelay is how long sound takes over distance.
func SoundDelay(distance phys.Length, t phys.Temperature) (phys.Time, error) { return 0, nil }
