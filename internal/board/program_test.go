package board

import (
	"errors"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/shot"
	"stillwater/internal/wire"
)

func anIdentity(hz uint32) Identity {
	return Identity{
		Version: wire.Version, TickHz: hz, Tick: time.Second / time.Duration(hz),
		Lead: 200 * time.Microsecond, EdgeLead: 200 * time.Microsecond, GateLead: 200 * time.Microsecond, TableLen: 32,
		CueLen: 8,
		Inputs: []InputInfo{{wire.InputBeam, "gate", false}, {wire.InputBeam, "beam", false}, {wire.InputKill, "kill", true}},
		Outputs: []OutputInfo{
			{wire.OutputShutter, "shutter", 10 * time.Second},
			{wire.OutputFlash, "flash", 10 * time.Millisecond},
		},
	}
}

func TestProgramsBecomeTicks(t *testing.T) {
	for _, hz := range []uint32{10_000_000, 2_000_000, 16_000_000} {
		w, err := programInTicks(gatedProgram(), anIdentity(hz))
		require.NoError(t, err)
		ms := hz / 1000
		assert.Equal(t, wire.Source{Input: 1, Falling: true}, w.Clock)
		assert.Equal(t, wire.Source{Input: 0, Falling: true}, w.Gate)
		assert.Equal(t, []uint32{20 * ms, 50 * ms, 2 * ms, ms, 1000 * ms},
			[]uint32{w.GateMin, w.GateMax, w.HoldOff, w.Late, w.Rest})
		assert.Equal(t, []wire.Point{{Interval: 20 * ms, Delay: 150 * ms}, {Interval: 35 * ms, Delay: 290 * ms},
			{Interval: 50 * ms, Delay: 420 * ms}}, w.Table[:w.TableLen])
		assert.Equal(t, []wire.CueSpec{{Output: 0, Offset: -65 * int32(ms), Width: 200 * ms}, {Output: 1, Width: ms}},
			w.Cues[:w.CueLen])
	}
}

func TestProgramsWithoutAClockInputStartAtGo(t *testing.T) {
	p := aProgram()
	p.Clock = nil
	w, err := programInTicks(p, anIdentity(1_000_000))
	require.NoError(t, err)
	assert.Equal(t, uint8(wire.NoInput), w.Clock.Input)
}

// Each time is within half a tick of what was asked for.
func TestTicksAreTheNearest(t *testing.T) {
	rng := rand.New(rand.NewPCG(11, 0))
	for range 2000 {
		id := anIdentity(1_000_000 + rng.Uint32N(15_000_000))
		p := aProgram()
		p.Table[0].Delay = 70*time.Millisecond + time.Duration(rng.Int64N(int64(20*time.Second)))
		p.Cues[0].Offset = -time.Duration(rng.Int64N(int64(60 * time.Millisecond)))
		w, err := programInTicks(p, id)
		require.NoError(t, err)
		half := 0.5e9/float64(id.TickHz) + 1
		require.InDelta(t, float64(p.Table[0].Delay), float64(w.Table[0].Delay)*1e9/float64(id.TickHz), half)
		require.InDelta(t, float64(p.Cues[0].Offset), float64(w.Cues[0].Offset)*1e9/float64(id.TickHz), half)
	}
}

func TestProgramsThatDoNotFit(t *testing.T) {
	tooMany := make([]shot.Cue, 9)
	for i := range tooMany {
		tooMany[i] = shot.Cue{Output: 1, Offset: time.Duration(i) * time.Second, Width: time.Millisecond}
	}
	for _, c := range []struct {
		name   string
		change func(p *shot.Program, id *Identity)
		want   []string
	}{
		{"clock input", func(p *shot.Program, _ *Identity) { p.Clock.Input = 3 }, []string{"clock", "no input 3"}},
		{"gate input", func(p *shot.Program, _ *Identity) { p.Gate.Input = 9 }, []string{"gate", "no input 9"}},
		{"kill as clock", func(p *shot.Program, _ *Identity) { p.Clock.Input = 2 }, []string{"as a whole"}},
		{"nth", func(p *shot.Program, _ *Identity) { p.Nth = 0 }, []string{"nth edge", "0"}},
		{"nth with gate", func(p *shot.Program, _ *Identity) { p.Nth = 2 }, []string{"nth edge", "gate"}},
		{"table length", func(_ *shot.Program, id *Identity) { id.TableLen = 2 }, []string{"table", "3 points", "takes 2"}},
		{"table without gate", func(p *shot.Program, _ *Identity) { p.Gate = nil }, []string{"table", "one delay, not 3"}},
		{"table with gate", func(p *shot.Program, _ *Identity) { p.Table = p.Table[:1] }, []string{"table", "two points"}},
		{"table order", func(p *shot.Program, _ *Identity) { p.Table[1].Interval = p.Table[0].Interval },
			[]string{"table point 2", "20ms"}},
		{"same tick", func(p *shot.Program, _ *Identity) { p.Table[1].Interval = p.Table[0].Interval + 10 },
			[]string{"table point 2", "20.00001ms"}},
		{"negative delay", func(p *shot.Program, _ *Identity) { p.Table[0].Delay = -1 * time.Second },
			[]string{"table point 1", "negative"}},
		{"far delay", func(p *shot.Program, _ *Identity) { p.Table[2].Delay = 20 * time.Minute },
			[]string{"table point 3", "longer than"}},
		{"gate outside table", func(p *shot.Program, _ *Identity) { p.GateMax = 60 * time.Millisecond },
			[]string{"gate", "outside the table"}},
		{"gate reversed", func(p *shot.Program, _ *Identity) { p.GateMin, p.GateMax = p.GateMax, p.GateMin },
			[]string{"gate", "longer than the longest"}},
		{"many cues", func(p *shot.Program, _ *Identity) { p.Cues = tooMany }, []string{"cues", "9", "takes 8"}},
		{"many opening cues", func(p *shot.Program, _ *Identity) { p.Opening = tooMany }, []string{"opening cues", "9"}},
		{"output", func(p *shot.Program, _ *Identity) { p.Cues[1].Output = 2 }, []string{"flash cue", "no output 2"}},
		{"max on", func(p *shot.Program, _ *Identity) { p.Cues[1].Width = 11 * time.Millisecond },
			[]string{"flash cue", "11ms", `output "flash"`, "10ms"}},
		{"no width", func(p *shot.Program, _ *Identity) { p.Cues[1].Width = 10 * time.Nanosecond },
			[]string{"flash cue", "less than a tick"}},
		{"lead", func(p *shot.Program, _ *Identity) { p.Cues[0].Offset = -150 * time.Millisecond },
			[]string{"shutter cue", "0s after the clock edge", "200µs"}},
		{"before the edge", func(p *shot.Program, _ *Identity) { p.Cues[0].Offset = -151 * time.Millisecond },
			[]string{"shutter cue", "-1ms"}},
		{"far offset", func(p *shot.Program, _ *Identity) { p.Cues[1].Offset = time.Hour }, []string{"flash cue", "1h0m0s"}},
		{"opening before go", func(p *shot.Program, _ *Identity) {
			p.Opening = []shot.Cue{{Output: 0, Offset: -time.Second, Width: time.Second}}
		}, []string{"opening cue 1", "before Go"}},
		{"opening and cue on one output", func(p *shot.Program, _ *Identity) {
			p.Opening = []shot.Cue{{Output: 0, Width: time.Second}}
		}, []string{"as a whole"}},
		{"rest", func(p *shot.Program, _ *Identity) { p.Rest = -1 }, []string{"rest", "negative"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			p, id := gatedProgram(), anIdentity(1_000_000)
			c.change(&p, &id)
			_, err := programInTicks(p, id)
			var unfit *ProgramError
			require.True(t, errors.As(err, &unfit), "%v", err)
			for _, want := range c.want {
				assert.ErrorContains(t, err, want)
			}
		})
	}
}
