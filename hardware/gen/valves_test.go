package main

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/hardware/circuit"
	"stillwater/internal/phys"
	"stillwater/internal/shot"
)

// valveLoad is what a program asks of one valve's channel, shot after shot as soon as the board allows.
type valveLoad struct {
	duty     float64 // part of the time that it is on
	switches float64 // a second
	longest  time.Duration
}

// loads works out the loads of a program's valves, and how many are on together at most.
func loads(p shot.Program, moment time.Duration) (byOutput map[uint8]valveLoad, together int) {
	period := (moment + p.Rest).Seconds()
	byOutput = map[uint8]valveLoad{}
	for i, c := range p.Opening {
		l := byOutput[c.Output]
		l.duty += c.Width.Seconds() / period
		l.switches += 1 / period
		l.longest = max(l.longest, c.Width)
		byOutput[c.Output] = l
		on := 1
		for j, other := range p.Opening {
			if i != j && other.Offset <= c.Offset && c.Offset < other.Offset+other.Width {
				on++
			}
		}
		together = max(together, on)
	}
	return byOutput, together
}

// dropsAsked are sets that ask as much of valves as a set can, with a flash that recycles at once.
func dropsAsked() (sets []shot.Set) {
	for _, count := range []int{1, 2, 3} {
		for open := phys.Time(0.020); open < 0.060; open += 0.001 {
			for _, gap := range []phys.Time{0.03, 0.06, 0.12} {
				for second := 1; second <= 2; second++ {
					set := shot.DefaultSet()
					set.Kind, set.Light.Shutter, set.Light.Recycle = shot.Drops, shot.ByHand, 0
					d := &set.Drops
					d.Want, d.Phase, d.Count, d.From = shot.WantPhase, "contact", count, shot.FromValve
					if count > 1 {
						d.Want = shot.WantCollision // a last drop's splash takes longer gaps
					}
					d.First.Open, d.Second.Open, d.Third.Open = open, open, open
					d.Second.Valve, d.Second.Gap, d.Third.Gap = second, gap, gap
					sets = append(sets, set)
				}
			}
		}
	}
	return sets
}

// TestValveChannelsBearWhatIsAsked: what Compile may ask of the valves stays within the ratings of the parts list, with
// the currents and energies of the simulation. A coil's own rating is on the valve: it is taken to bear a tenth of the
// heat of one that is on for good.
func TestValveChannelsBearWhatIsAsked(t *testing.T) {
	most := map[string]float64{}
	rows, err := circuit.ParseTable(read(t, "generated", "measured.csv"))
	require.NoError(t, err)
	for _, r := range rows {
		most[r.Deck+" "+r.Measure] = r.Most
	}
	amps, joules := most["valve i_valve"], most["valve e_zener"]
	require.Positive(t, amps)
	require.Positive(t, joules)
	types := design(t).Types
	for name, rating := range map[string]float64{"fet_valve": types["fet_valve"].Rating["i"],
		"rectifier": types["rectifier"].Rating["i"], "terminal": types["terminal"].Rating["i"]} {
		assert.Greater(t, rating, amps, name)
	}

	bench := shot.Bench{Flash: &shot.Output{Index: 0, Name: "flash", MaxOn: time.Second},
		Valves: []shot.Output{{Index: 1, Name: "valve1", MaxOn: 500 * time.Millisecond},
			{Index: 2, Name: "valve2", MaxOn: 500 * time.Millisecond}},
		Lead: time.Millisecond, Tick: time.Microsecond, TableLen: 32, Late: time.Millisecond, HoldOff: 5 * time.Millisecond}
	compiled, worst, both := 0, valveLoad{}, 0
	for _, set := range dropsAsked() {
		p, timeline, err := shot.Compile(set, bench)
		if err != nil {
			continue // refused: nothing is asked
		}
		compiled++
		byOutput, together := loads(p, timeline.Delay)
		both = max(both, together)
		for _, l := range byOutput {
			worst.duty, worst.switches = max(worst.duty, l.duty), max(worst.switches, l.switches)
			worst.longest = max(worst.longest, l.longest)
		}
	}
	t.Logf("%d programs; at most %.1f %% of the time on, %.1f openings a second, %v at once, %d valves together", compiled,
		100*worst.duty, worst.switches, worst.longest, both)
	require.Greater(t, compiled, 50)
	assert.LessOrEqual(t, worst.duty, 0.1, "heat of the coil")
	assert.Less(t, worst.switches*joules, types["zener24"].Rating["p"]/2, "heat of the zener diode")
	assert.Less(t, float64(len(bench.Valves))*amps, types["fuse12"].Rating["hold"], "current of both valves together")

	hot := shot.Program{Rest: 334 * time.Millisecond, Opening: []shot.Cue{{Output: 1, Width: 100 * time.Millisecond}}}
	load, _ := loads(hot, 0)
	assert.Greater(t, load[1].duty, 0.1, "without a longer rest the coil would get hotter")
}
