package optics

import "math"

// Linear is the light, as a part of white, that a camera shows at a level: the curve of IEC 61966-2-1 (sRGB; constants
// from memory). A camera's own curve lifts or lowers it, by half a stop or so in the middle and more at the ends.
func (l Level) Linear() float64 {
	if x := float64(l); x > 0.04045 {
		return math.Pow((x+0.055)/1.055, 2.4)
	}
	return float64(l) / 12.92
}

// Stops is the exposure of what is shown at a level, from white.
func (l Level) Stops() Stops { return Stops(math.Log2(l.Linear())) }

// LevelOf is the level at which that part of white is shown; all from white up is white.
func LevelOf(linear float64) Level {
	switch {
	case !(linear > 0):
		return 0
	case linear <= 0.0031308:
		return Level(12.92 * linear)
	}
	return Level(min(1.055*math.Pow(linear, 1/2.4)-0.055, 1))
}

// LevelAt is the level of something exposed that far from white.
func LevelAt(s Stops) Level { return LevelOf(math.Exp2(float64(s))) }

// Where a background behind clear liquid belongs: light grey, with room for the brighter lines in the water. Common
// practice, no source.
const (
	BackgroundAim  Level = 0.80
	BackgroundLow  Level = 0.60 // darker, and dark edges stand out less
	BackgroundHigh Level = 0.93 // brighter, and the lines in the water burn out
)

// LowerBy is by how many stops to lower a background that is exposed that far from white; negative: raise it.
func LowerBy(exposed Stops) Stops { return exposed - BackgroundAim.Stops() }
