package main

import (
	"context"
	"flag"
	"fmt"
	"math"

	"stillwater/internal/phys"
	"stillwater/internal/shot"
)

// sound says how long a sound takes to the microphone and, with --after, how long the board then waits.
func (m *Main) sound(ctx context.Context, args []string) error {
	c := newCalculator("sound", "says how long a sound takes to the microphone.", shot.Sound)
	n := &c.set.Sound
	n.After = 0
	c.text(&n.Distance, "distance", "sound.distance", "from the sound to the microphone", n.Distance)
	c.text(&n.Temperature, "temperature", "sound.temperature", "of the air", n.Temperature)
	c.text(&n.After, "after", "sound.after", "the moment wanted, from the sound", phys.Time(0))
	if err := c.parse(m, args); err != nil {
		return err
	}
	wanted := false
	c.flags.Visit(func(f *flag.Flag) { wanted = wanted || f.Name == "after" })
	e, err := c.set.Estimate()
	if err != nil {
		return c.explain(err)
	}
	if wanted && e.Delay < 0 {
		return c.tooSoon(e)
	}
	keys := map[string]any{
		"delay_ms": millis(e.Travel), "delay_low_ms": millis(e.TravelLow), "delay_high_ms": millis(e.TravelHigh),
		"speed_m_s": metresPerSec(e.Speed), "distance_mm": millimetres(n.Distance), "temperature_c": celsius(n.Temperature),
	}
	lines := []string{fmt.Sprintf("The sound takes %.2f ms to the microphone, at %.1f m/s in air of %v.", millis(e.Travel),
		e.Speed, n.Temperature), fmt.Sprintf("%.2f to %.2f ms when distance and temperature are off by %v and %v.",
		millis(e.TravelLow), millis(e.TravelHigh), shot.DefaultSpread().Distance, shot.DefaultSpread().Temperature)}
	if wanted {
		keys["edge_to_moment_ms"], keys["after_ms"] = millis(e.Delay), millis(n.After)
		lines = append(lines, fmt.Sprintf("For a moment %v after the sound the board waits %.2f ms more.", n.After,
			millis(e.Delay)))
	}
	return c.answer(m, e, lines, keys)
}

// tooSoon says what would make the moment come after the sound is heard.
func (c *calculator) tooSoon(e shot.Estimate) error {
	n := c.set.Sound
	remedy := fmt.Sprintf("ask for a moment at least %.2f ms later", math.Ceil(-millis(e.Delay)*100)/100)
	if within := math.Floor(float64(e.Speed) * float64(n.After) * 1e3); within >= 10 {
		remedy = fmt.Sprintf("move the microphone to within %.0f mm, or %s", within, remedy)
	}
	return fmt.Errorf("sound: %v after the sound it has not reached the microphone, which takes it %.2f ms: %s", n.After,
		millis(e.Travel), remedy)
}
