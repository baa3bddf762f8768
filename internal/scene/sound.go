package scene

import (
	"time"

	"stillwater/internal/ballistics"
	"stillwater/internal/phys"
)

// sound adds a sound and the microphone's edges.
func (r *Room) sound(f *Flight, rng dice, made time.Duration) error {
	set := f.Set.Sound
	air := set.Temperature + r.airOffset
	travel, err := ballistics.SoundDelay(max(set.Distance+r.distanceOffset, 1e-3), air)
	if err != nil {
		return err
	}
	if f.Speed, err = ballistics.SpeedOfSound(air); err != nil {
		return err
	}
	late := phys.Time(rng.normal(float64(r.spreads.SoundJitter)))
	heard := made + max(travel+late, 0).Duration()
	// How long a clap sounds: own choice, no source.
	f.addPass(rng, Microphone, heard, heard+time.Duration(rng.between(5, 25)*float64(time.Millisecond)))
	f.Contact = made
	f.Best, f.Arrives = made+set.After.Duration(), true
	f.Ends = max(f.Best, heard) + settleTime
	return nil
}
