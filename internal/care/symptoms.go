package care

import (
	"fmt"
	"strings"
)

// Symptom is something that goes wrong, with what may be the cause: the likeliest first.
type Symptom struct {
	What   string
	Causes []Cause
}

// Cause is one cause of a symptom, and what to do.
type Cause struct{ Why, Do string }

// Symptoms returns what people are stuck at. The order of causes is common practice, no source.
func Symptoms() []Symptom {
	return []Symptom{
		{"Nothing fires", []Cause{
			{"It is not armed", "The page has to say Armed; before that, every point of the checklist is ticked. Press " +
				"and hold."},
			{"The kill switch is pressed, or its lead is off", "The page says stop then. Release it; look at the lead."},
			{"The sensor sees nothing", "Break the beam with a finger and watch its meter in Set up. If it stays as it " +
				"is: the lead, the supply, the light, the pin. sudo stillwater setup lets you try each one."},
			{"What it saw was refused", "The last shot says why: too slow, too fast, too late. A dry run shows what " +
				"would have fired."},
			{"The outputs have no power", "Both indicator LEDs of the hardware are lit while Stillwater runs. If not: the 12 " +
				"V " +
				"supply, the heartbeat, the kill switch."},
			{"The flash is asleep, or its leads are swapped", "Test flash1 in Set up. Wake the unit, and switch its " +
				"sleep off. If it fires once when it is plugged in and then never, swap the two leads."},
		}},
		{"It fires too early", []Cause{
			{"Something else breaks the beam first", "A finger, a droplet ahead, the satellite of the previous drop. Look " +
				"at the meter: one drop is one break."},
			{"The light flickers", "The meter says chatter. Shade the receiver, and keep mains lamps off it."},
			{"A distance is wrong", "Measure again: nozzle to surface, nozzle to beam, and the outer diameter of the " +
				"nozzle."},
			{"The delay is short", "Say early, take the suggested trim, and repeat: three shots, not one."},
		}},
		{"Black frames", []Cause{
			{"The flash did not fire", "Look at it, not at the camera. Then see: nothing fires."},
			{"The shutter was not open", "Open it before the drop, for longer than the whole wait: 1 s or bulb. If the " +
				"camera fires the flash itself, measure its lag in Set up first."},
			{"There is too little light", "stillwater light says by how many stops. Open the aperture, raise ISO or power, " +
				"move closer."},
			{"The lens is covered, or focus hunts", "Take the cap off; focus on a stand-in, then switch to manual focus."},
		}},
		{"Two exposures in one frame", []Cause{
			{"The flash fires twice", "Switch off pre-flash, red-eye and multi-flash, and the optical slave of a second " +
				"unit."},
			{"Two drops fall while the shutter is open", "Arm for one shot, and let one fall; or a shorter exposure."},
			{"The room's own light draws a second picture", "Take a frame without flash: it has to be black. Darken the room " +
				"or shorten the exposure. stillwater light works out how short."},
			{"The camera's own flash fires too", "Close it, or switch it off in the camera's menu."},
		}},
	}
}

// SymptomText is all of them for people to read on a terminal.
func SymptomText() string {
	var out strings.Builder
	for _, s := range Symptoms() {
		fmt.Fprintf(&out, "%s\n", s.What)
		for _, c := range s.Causes {
			fmt.Fprintf(&out, "- %s.\n  %s\n", c.Why, c.Do)
		}
		out.WriteByte('\n')
	}
	return out.String()
}
