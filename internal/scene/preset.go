package scene

import "fmt"

// Preset is a kind of evening to practise in.
type Preset struct {
	Name    string // in a configuration
	Words   string // for people
	spreads spreads
}

// Presets lists them from easy to hard. The second is the usual one. For their figures and sources see defaultSpreads;
// how far the others differ is own choice.
func Presets() []Preset {
	usual := defaultSpreads()
	return []Preset{
		{"still", "nothing goes wrong, and the hand is a practised one", stillSpreads(usual)},
		{"kitchen", "an ordinary evening: droplets, a missed edge, a hand that warms up and tires", usual},
		{"squall", "an uneven hand, much spray, a camera that hesitates, a door that opens", squallSpreads(usual)},
	}
}

// UsualPreset is the name of the preset used where none is given.
const UsualPreset = "kitchen"

// PresetNamed is the preset of that name.
func PresetNamed(name string) (Preset, error) {
	names := ""
	for _, p := range Presets() {
		if p.Name == name {
			return p, nil
		}
		names += ", " + p.Name
	}
	return Preset{}, fmt.Errorf("there is no room %q: use one of %s", name, names[2:])
}

func stillSpreads(s spreads) spreads {
	s.mishaps, s.handDrift = mishaps{}, handDrift{}
	s.DropDiameter, s.DropEdge, s.BeamPlace, s.PhaseTime = s.DropDiameter/2, s.DropEdge/2, s.BeamPlace/2, s.PhaseTime/2
	s.BandLow, s.BandHigh = 0.4, 0.6
	s.ThrowSpeed, s.ThrowAngle, s.RaggedEdge, s.Strength = s.ThrowSpeed/2, s.ThrowAngle/2, s.RaggedEdge/2, s.Strength/2
	s.LagOff = 0.01
	return s
}

func squallSpreads(s spreads) spreads {
	s.ThrowSpeed, s.ThrowAngle, s.RaggedEdge, s.Strength = 0.15, 0.1, 6e-3, 0.1
	s.PhaseTime, s.LagOff = 0.03, 0.08
	s.mishaps = mishaps{Satellite: 0.8, Spray: 0.25, Hole: 0.7, Missed: 0.06, Sag: 0.1, Door: 0.1, LagOutlier: 0.04}
	s.handDrift = handDrift{WarmUp: 0.6, Tires: 0.08}
	return s
}
