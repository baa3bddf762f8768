package shot

import (
	"math"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/ballistics"
	"stillwater/internal/phys"
	"stillwater/internal/splash"
)

func dropsSet() Set {
	s := DefaultSet()
	s.Kind = Drops
	return s
}

// Fields that are possible alone and not together.
func TestDropsThatCannotBe(t *testing.T) {
	for _, c := range []struct {
		name          string
		change        func(*DropsSet)
		field, remedy string
	}{
		{"beam at the surface", func(d *DropsSet) { d.Beam = d.Height }, "drops.beam", "use less than 40 cm"},
		{"one drop meets nothing", func(d *DropsSet) { d.Count = 1 }, "drops.count", "use 2, or choose a phase"},
		{"collision above the tip", func(d *DropsSet) { d.Meet = 40 * cm }, "drops.meet", "use less than 40 cm"},
		{"bore wider than the tip", func(d *DropsSet) { d.Bore = 5 * mm }, "drops.bore", "use 3 mm or less"},
		{"column up to the tip", func(d *DropsSet) { d.ColumnHeight = 40 * cm }, "drops.column_height", "less than 40 cm"},
	} {
		t.Run(c.name, func(t *testing.T) {
			d := defaultDrops()
			c.change(&d)
			refused := new(FieldError)
			require.ErrorAs(t, d.checkTogether(), &refused)
			assert.Equal(t, c.field, refused.Field)
			assert.Contains(t, refused.Remedy, c.remedy)
		})
	}
	assert.NoError(t, defaultDrops().checkTogether())
}

// What no opening, valve or place can be is refused field by field.
func TestDropsFieldsOutOfRange(t *testing.T) {
	for field, values := range map[string][]string{
		"drops.count":        {"0", "4", "-1", "two"},
		"drops.first.valve":  {"0", "9", "valve1"},
		"drops.first.open":   {"0 ms", "-24 ms", "2 s", "24"},
		"drops.second.gap":   {"-1 ms", "11 s"},
		"drops.beam":         {"0 cm", "-5 cm"},
		"drops.discharge":    {"0", "1.1", "NaN", "0.6 m"},
		"drops.weighed":      {"heavy", "20 drops 1.1 g"},
		"drops.from":         {"sound"},
		"drops.column":       {"highest"},
		"drops.third.weight": {"1 g"},
	} {
		for _, value := range values {
			s := DefaultSet()
			refused := new(FieldError)
			require.ErrorAs(t, s.Put(field, value), &refused, "%s %s", field, value)
			assert.Equal(t, DefaultSet(), s)
		}
	}
	s := dropsSet()
	require.NoError(t, s.Put("drops.weighed", "20 drops weigh 1.4 g at 30ms; 20 drops 1.1 g at 24 ms"))
	assert.EqualValues(t, "20 drops 1.1 g at 24 ms; 20 drops 1.4 g at 30 ms", s.Drops.Weighed)
	require.NoError(t, s.Put("drops.weighed", ""))
	s.Drops.Weighed, s.Drops.First.Open, s.Drops.Discharge = "much", phys.Time(math.NaN()), Coefficient(math.Inf(1))
	err := s.checkFields()
	for _, field := range []string{"drops.weighed", "drops.first.open", "drops.discharge"} {
		assert.ErrorContains(t, err, field)
	}
}

// twoValves is a bench with a second valve.
func twoValves() Bench {
	b := testBench()
	b.Valves = append(b.Valves, Output{Index: 3, Name: "valve2", MaxOn: 200 * time.Millisecond})
	return b
}

// The drop's fall, the column and the meeting agree with each other whatever the delay runs from, and the second drop
// is at the height wanted when the column is.
func TestCollisionIsWherePlanned(t *testing.T) {
	for _, side := range []ColumnSide{ColumnRising, ColumnSinking} {
		s := dropsSet()
		s.Drops.Column = side
		p, err := s.DropsPath()
		require.NoError(t, err)
		assert.InDelta(t, float64(s.Drops.Meet), float64(p.Meeting.Height), 20e-6)
		after := p.Meeting.At - p.Drops[0].Lands
		assert.InDelta(t, float64(s.Drops.Meet), float64(p.Column.TipAt(after)), 20e-6)
		assert.Equal(t, side == ColumnSinking, after > p.Column.Highest)
		assert.Equal(t, side == ColumnSinking, p.Meeting.ColumnSpeed < 0)
		// The second drop's fall to there, by the fall's own function.
		start, err := splash.StartOf(s.Drops.Tip, s.Drops.liquid())
		require.NoError(t, err)
		fall, err := ballistics.Fall(p.Drops[1].Diameter, s.Drops.Height-p.Meeting.Height-start.Release, 0)
		require.NoError(t, err)
		assert.InDelta(t, float64(p.Drops[1].Falls+fall.Time), float64(p.Meeting.At), 5e-6)
		assert.InDelta(t, float64(fall.Speed), float64(p.Meeting.DropSpeed), 0.01)
	}
}

// From the beam the board waits for the second drop, within a window, and a hold-off longer than that; from the valve
// Go starts everything.
func TestCompileDrops(t *testing.T) {
	s, b := dropsSet(), testBench()
	b.Valves[0].Delay, b.Beam.Delay, b.Flash.Delay = time.Millisecond, 150*time.Microsecond, 80*time.Microsecond
	s.Drops.First.Gap, s.Trim.Drops = 30*ms, 4*ms
	p, tl, err := Compile(s, b)
	require.NoError(t, err)
	path, err := s.DropsPath()
	require.NoError(t, err)
	second := path.Drops[1]
	assert.Equal(t, &Source{Input: 1, Falling: true}, p.Clock)
	assert.Equal(t, 2, p.Nth)
	require.Len(t, p.Table, 1)
	assert.InDelta(t, (path.Moment-second.Beam+4*ms).Duration()-150*time.Microsecond, p.Table[0].Delay, 2)
	gap := (second.On - path.Drops[0].On).Duration()
	assert.Equal(t, []string{"valve", "valve"}, names(p.Opening))
	for i, cue := range p.Opening {
		assert.EqualValues(t, 2, cue.Output)
		assert.Equal(t, 19*time.Millisecond, cue.Width)
		assert.InDelta(t, 29*time.Millisecond+time.Duration(i)*gap, cue.Offset, 2, "sooner by the valve's own delay")
	}
	due := second.Beam.Duration() + 150*time.Microsecond
	assert.InDelta(t, due, (p.GateMin+p.GateMax)/2, 2)
	assert.Greater(t, p.HoldOff, p.GateMax-p.GateMin, "what follows a drop after a missed one comes after the window")
	assert.Less(t, p.HoldOff, gap)
	assert.Equal(t, p.Table[0].Delay, tl.Delay)
	assert.False(t, tl.FromGo)
	gaps := 0
	for _, bar := range tl.Bars {
		assert.False(t, bar.Opening, "all on one clock")
		if bar.Name == "gap" {
			gaps++
			assert.InDelta(t, gap, bar.To-bar.From, 2)
			assert.InDelta(t, tl.Marks[0].At+(path.Drops[0].On-second.Beam).Duration()-150*time.Microsecond, bar.From, 2)
		}
	}
	assert.Equal(t, 1, gaps)

	s.Drops.From = FromValve
	p, tl, err = Compile(s, b)
	require.NoError(t, err)
	assert.Nil(t, p.Clock)
	assert.Equal(t, []any{1, time.Duration(0), time.Duration(0)}, []any{p.Nth, p.GateMin, p.GateMax})
	assert.InDelta(t, (path.Moment + 4*ms).Duration(), p.Table[0].Delay, 2)
	assert.True(t, tl.FromGo)
	assert.Equal(t, Mark{"Go", 0}, tl.Marks[0])

	s.Drops.Want, s.Drops.Count, s.Drops.Phase = WantPhase, 3, splash.ColumnHighest
	s.Drops.Second.Gap, s.Drops.Third.Gap, s.Drops.From = 400*ms, 400*ms, FromBeam
	s.Drops.Third.Valve = 2
	p, _, err = Compile(s, twoValves())
	require.NoError(t, err)
	assert.Equal(t, 3, p.Nth)
	assert.Equal(t, []string{"valve 1", "valve 1", "valve 2"}, names(p.Opening))
	assert.EqualValues(t, 3, p.Opening[2].Output)
}

// A third drop of a collision is in the air above it, where the plan says; the delay runs from the second all the same.
func TestThirdDropOfACollision(t *testing.T) {
	s := dropsSet()
	two, err := s.Estimate()
	require.NoError(t, err)
	s.Drops.Count = 3
	for _, from := range []ClockFrom{FromBeam, FromValve} {
		s.Drops.From = from
		e, err := s.Estimate()
		require.NoError(t, err)
		if from == FromBeam {
			assert.Equal(t, two.Delay, e.Delay)
		}
		assert.Contains(t, e.Summary, "The third drop is ")
		third := e.Drops.Drops[2]
		above, err := s.Drops.heightAt(third, e.Drops.Moment)
		require.NoError(t, err)
		assert.Greater(t, above, e.Drops.Meeting.Height)
		start, err := splash.StartOf(s.Drops.Tip, s.Drops.liquid())
		require.NoError(t, err)
		fall, err := ballistics.Fall(third.Diameter, s.Drops.Height-start.Release-above, 0)
		require.NoError(t, err)
		assert.InDelta(t, float64(e.Drops.Moment), float64(third.Falls+fall.Time), 1e-4)

		p, tl, err := Compile(s, testBench())
		require.NoError(t, err)
		assert.Equal(t, []string{"valve", "valve", "valve"}, names(p.Opening))
		if from == FromBeam {
			assert.Equal(t, 2, p.Nth)
		}
		var marks []string
		for _, m := range tl.Marks {
			marks = append(marks, m.Name)
		}
		assert.Contains(t, marks, "meeting")
		s.Trim.Drops = 200 * ms
		_, err = s.Estimate()
		require.ErrorContains(t, err, "the third drop would hit the collision", "a trim that late")
		s.Trim.Drops = 0
	}
}

// A coil is on for a tenth of the time at most, from shot to shot.
func TestValvesRest(t *testing.T) {
	s := dropsSet()
	s.Light.Recycle = 0
	p, _, err := Compile(s, testBench())
	require.NoError(t, err)
	on := time.Duration(0)
	for _, c := range p.Opening {
		on += c.Width
	}
	assert.LessOrEqual(t, float64(on)/float64(on+p.Rest), maxCoilDuty+1e-9)
	assert.GreaterOrEqual(t, p.Rest, minRest)
}

// Each refusal says what to change and by how much. Each change that it gives was tried: with it alone the plan
// compiles.
func TestDropsRefusals(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(*Set, *Bench)
		field  string
		why    string
		remedy string
		fixes  int
	}{
		{"opening too short", func(s *Set, _ *Bench) { s.Drops.First.Open = 10 * ms }, "drops.first.open", "less than a drop",
			"at least 4 ms longer, 14 ms", 1},
		{"opening too long", func(s *Set, _ *Bench) { s.Drops.Second.Open = 90 * ms }, "drops.second.open", "more " +
			"than one drop",
			"make the second opening at least 63 ms shorter, 27 ms", 1},
		{"two equal openings too short", func(s *Set, _ *Bench) { s.Drops.First.Open, s.Drops.Second.Open = 9*ms, 9*ms },
			"drops.first.open", "less than a drop", "make the first opening at least 5 ms longer, 14 ms, and make the second " +
				"opening at least 7 ms longer, 16 ms, or ", 1},
		{"one too short and one too long", func(s *Set, _ *Bench) {
			s.Drops.First.Open, s.Drops.Second.Open = 9*ms, 60*ms
		}, "drops.first.open", "less than a drop", "make the first opening at least 5 ms longer, 14 ms, and make the " +
			"second opening at least 33 ms shorter, 27 ms", 1},
		{"a bore through which hardly anything flows", func(s *Set, _ *Bench) { s.Drops.Bore = 0.1 * mm },
			"drops.bore", "less than a drop", "take a valve whose narrowest bore is at least 1.8 mm wider, 1.9 mm, or weigh", 1},
		{"a valve that closes late", func(s *Set, _ *Bench) { s.Drops.Closes = 100 * ms },
			"drops.head", "more than one drop", "lower the liquid by at least", 1},
		{"not weighed", func(s *Set, _ *Bench) { s.Drops.Weighed, s.Drops.First.Open = "20 drops 1.3 g at 26 ms", 40*ms },
			"drops.first.open", "too far from those that were weighed", "weigh 20 drops at 40 ms and give their mass", 1},
		{"column not so high", func(s *Set, _ *Bench) { s.Drops.Meet = 5 * cm }, "drops.meet", "rises to about 22.5 mm",
			"at least 2.8 cm lower, at 2.2 cm", 1},
		{"before the column", func(s *Set, b *Bench) {
			s.Drops.Second.Gap, s.Drops.Second.Valve = 40*ms, 2
			b.Valves = twoValves().Valves
		}, "drops.second.gap", "the " +
			"column emerges at",
			"have the second opening come at least 17 ms later, 57 ms after the one before", 2},
		{"after the column", func(s *Set, _ *Bench) { s.Drops.Second.Gap = 400 * ms }, "drops.second.gap", "when the " +
			"column has sunk",
			"have the second opening come at least 233 ms sooner, 167 ms", 2},
		{"merges at the tip", func(s *Set, b *Bench) {
			s.Drops.Want, s.Drops.Second.Gap, s.Drops.Second.Valve = WantPhase, 27*ms, 2
			b.Valves = twoValves().Valves
		}, "drops.second.gap", "merges with it", "at least 141 ms later, 168 ms after", 1},
		{"pours into the drop before", func(s *Set, _ *Bench) { s.Drops.Second.Gap = 60 * ms }, "drops.second.gap",
			"would start to flow 64.0 ms after the first one began, but the drop of that hangs on the tip until 67.0 ms",
			"have the second opening come at least 3 ms later, 63 ms after the one before, or leave out the gap to have it " +
				"worked out",
			2},
		{"pours into it, where the gap is worked out", func(s *Set, _ *Bench) { s.Drops.Meet = 5 * mm }, "drops.column",
			"would take it up", "meet the column as it sinks, or meet it at least 1 mm higher, at 6 mm", 2},
		{"a third into the second", func(s *Set, _ *Bench) { s.Drops.Count, s.Drops.Third.Gap = 3, 60*ms }, "drops.third.gap",
			"the third opening would start to flow 64.0 ms after the second one began",
			"at least 3 ms later, 63 ms after the one before, or let two drops fall", 2},
		{"most shots without a collision", func(s *Set, _ *Bench) { s.Drops.Column, s.Drops.Meet = ColumnSinking, 3*mm },
			"drops.meet", "28 of 100 shots", "meet it at least 2 mm higher, at 5 mm", 1},
		{"a column measured to be lower", func(s *Set, _ *Bench) { s.Drops.ColumnHeight = 1 * mm }, "drops.column_height",
			"was measured to rise to 1.0 mm, not to 10.0 mm", "leave out the height to have it estimated, or measure", 1},
		{"a column that is highest long after it has sunk", func(s *Set, _ *Bench) {
			s.Drops.Meet, s.Drops.ColumnTime = 15*mm, 900*ms
		}, "drops.column_time", "a column is highest about", "leave out the time to have it estimated", 1},
		{"a coefficient that none has", func(s *Set, _ *Bench) { s.Drops.Discharge = 0.05 }, "drops.discharge",
			"less than a drop", "would have to be at least 0.", 1},
		{"weighed too light", func(s *Set, _ *Bench) { s.Drops.Weighed = "20 drops 0.2 g at 19 ms" }, "drops.weighed",
			"a drop was weighed as 10 mg, and one from this tip has about 48 mg to", "leave out the weighing", 1},
		{"weighed too heavy", func(s *Set, _ *Bench) { s.Drops.Weighed = "20 drops 4 g at 19 ms" }, "drops.weighed",
			"weighed as 200 mg", "leave out the weighing", 1},
		{"a splash where a column stands", func(s *Set, _ *Bench) {
			s.Drops.Want, s.Drops.Second.Gap = WantPhase, 120*ms
		}, "drops.second.gap", "drop 2 lands 120.0 ms after drop 1, whose column is gone 167.1 ms after it landed",
			"at least 48 ms later, 168 ms after the one before, or choose a collision", 2},
		{"a third one there", func(s *Set, _ *Bench) {
			s.Drops.Want, s.Drops.Count, s.Drops.Second.Gap, s.Drops.Third.Gap = WantPhase, 3, 64*ms, 76*ms
		}, "drops.third.gap", "drop 3 lands 140.0 ms after drop 1", "at least 92 ms later, 168 ms", 1},
		{"opening of a phase too short", func(s *Set, _ *Bench) {
			s.Drops.Want, s.Drops.Count, s.Drops.First.Open = WantPhase, 1, 10*ms
		}, "drops.first.open", "less than a drop", "at least 4 ms longer, 14 ms", 1},
		{"opening of a phase too long", func(s *Set, _ *Bench) {
			s.Drops.Want, s.Drops.Second.Gap, s.Drops.Second.Open = WantPhase, 210*ms, 60*ms
		}, "drops.second.open", "more than one drop", "at least 33 ms shorter, 27 ms", 1},
		{"opening with a gap too short", func(s *Set, _ *Bench) {
			s.Drops.Second.Gap, s.Drops.Second.Open = 160*ms, 10*ms
		}, "drops.second.open", "less than a drop", "make the second opening at least 7 ms longer, 17 ms", 1},
		{"opening of a third too short", func(s *Set, _ *Bench) {
			s.Drops.Count, s.Drops.Third.Open = 3, 10*ms
		}, "drops.third.open", "less than a drop", "at least 4 ms longer, 14 ms", 1},
		{"a third one in the collision", func(s *Set, _ *Bench) {
			s.Drops.Count, s.Drops.Third.Gap, s.Trim.Drops = 3, 64*ms, 80*ms
		}, "drops.third.gap", "the third drop would hit the collision", "at least 24 ms later, 88 ms", 2},
		{"phase not weighed", func(s *Set, _ *Bench) {
			s.Drops.Want, s.Drops.Count, s.Drops.First.Open = WantPhase, 1, 40*ms
			s.Drops.Weighed = "20 drops 1.3 g at 26 ms"
		}, "drops.first.open", "too far from those that were weighed", "weigh 20 drops at 40 ms and give their mass", 1},
		{"a phase without a gap", func(s *Set, _ *Bench) { s.Drops.Want = WantPhase }, "drops.second.gap",
			"when the second opening comes is not given", "have the second opening begin 168 ms after the one before, or " +
				"later, or choose a collision", 2},
		{"a third without a gap", func(s *Set, _ *Bench) { s.Drops.Count, s.Drops.Third.Gap = 3, 0 }, "drops.third.gap",
			"when the third opening comes is not given", "have the third opening begin", 1},
		{"a shutter too slow for the beam", func(s *Set, _ *Bench) { s.Light.Shutter, s.Light.Lag = ByEdge, 0.3 },
			"drops.from", "the camera needs", "let the delay run from the valve alone", 2},
		{"beam too low for the column", func(s *Set, _ *Bench) { s.Drops.Beam = 38 * cm }, "drops.beam", "would " +
			"break the beam",
			"raise the beam by at least", 1},
		{"beam at the hanging drop", func(s *Set, _ *Bench) { s.Drops.Beam = 5 * mm }, "drops.beam", "would break a beam",
			"lower the beam by at least", 1},
		{"no valve", func(_ *Set, b *Bench) { b.Valves = nil }, "kind", "no valve output", `the kind "valve"`, 0},
		{"a valve that is not there", func(s *Set, _ *Bench) { s.Drops.Second.Valve = 2 }, "drops.second.valve",
			"uses valve 2, but the board has 1", "use valve 1", 1},
		{"no beam", func(_ *Set, b *Bench) { b.Beam = nil }, "drops.from", "no beam input", "from the valve alone", 1},
		{"on for longer than the output may", func(_ *Set, b *Bench) { b.Valves[0].MaxOn = 12 * time.Millisecond },
			"drops.first.open", "may only be on for 12.0 ms", "longest on-time of at least 19.0 ms", 0},
		{"more openings than cues", func(s *Set, b *Bench) {
			s.Drops.Count, b.MaxOpening, s.Light.Shutter = 3, 3, ByGo
		}, "drops.count", "3 openings are asked for, but the board takes 2", "let 2 drops fall", 1},
		{"closed too briefly", func(s *Set, b *Bench) { b.Lead = 200 * time.Millisecond }, "drops.second.gap",
			"the board needs 200.0 ms", "", 0},
		{"shutter closes before", func(s *Set, _ *Bench) { s.Light.Shutter, s.Light.OpenFor = ByGo, 300*ms },
			"light.open_for",
			"the moment comes at 403.9 ms", "hold it open for at least", 1},
		{"too low for a column", func(s *Set, _ *Bench) { s.Drops.Height, s.Drops.Beam, s.Drops.Meet = 5*cm, 2*cm, 2*mm },
			"drops.height",
			"raises no column", "raise the tip by at least", 1},
	} {
		t.Run(c.name, func(t *testing.T) {
			s, b := dropsSet(), testBench()
			c.change(&s, &b)
			_, _, err := Compile(s, b)
			r := new(Refusal)
			require.ErrorAs(t, err, &r)
			assert.Equal(t, c.field, r.Field)
			assert.Contains(t, r.Why, c.why)
			assert.Contains(t, r.Remedy, c.remedy)
			assert.GreaterOrEqual(t, len(r.Fixes), c.fixes)
			for _, fix := range r.Fixes {
				changed := s
				require.NoError(t, fix.Put(&changed))
				_, _, err := Compile(changed, b)
				assert.NoError(t, err, "%+v", fix)
			}
		})
	}
}

// The budget against shots drawn at random: each cause by itself, normal. It adds them as if they were small.
func TestDropsBudgetByMonteCarlo(t *testing.T) {
	r := seeded(t)
	for _, from := range []ClockFrom{FromBeam, FromValve} {
		s := dropsSet()
		s.Drops.From = from
		e, err := s.Estimate()
		require.NoError(t, err)
		b, err := Errors(s, e, DefaultSpread(), 100*time.Nanosecond)
		require.NoError(t, err)
		const shots = 1500
		var moments, heights []float64
		for range shots {
			var off deviation
			for _, cause := range s.Drops.scatters(e.Drops, DefaultSpread()) {
				if !cause.steady {
					cause.apply(&off, r.NormFloat64())
				}
			}
			x, err := s.Drops.deviate(e.Drops, off)
			require.NoError(t, err)
			moments, heights = append(moments, float64(x.moment)), append(heights, float64(x.height))
		}
		edge := float64(b.term(termOnDrop).Mistiming)
		moment, height := math.Hypot(sdOf(moments), edge), sdOf(heights)
		t.Logf("%s: moment %.3f ms drawn, %.3f predicted; height %.2f mm drawn, %.2f predicted", from, moment*1e3,
			b.Repeat.Mistiming*1e3, height*1e3, b.Repeat.Displaced*1e3)
		assert.InEpsilon(t, moment, float64(b.Repeat.Mistiming), 0.15)
		assert.InEpsilon(t, height, float64(b.Repeat.Displaced), 0.15)
	}
}

func sdOf(x []float64) float64 {
	var sum, squares float64
	for _, v := range x {
		sum += v
	}
	for _, v := range x {
		squares += (v - sum/float64(len(x))) * (v - sum/float64(len(x)))
	}
	return math.Sqrt(squares / float64(len(x)-1))
}

// From the beam, what valves scatter by reaches the picture only through the column; from the valve alone it reaches it
// in full.
func TestBeamTakesTheValveOut(t *testing.T) {
	repeat := func(from ClockFrom) Term {
		s := dropsSet()
		s.Drops.From = from
		e, err := s.Estimate()
		require.NoError(t, err)
		spread := DefaultSpread()
		spread.ValveTime = 5 * ms
		b, err := Errors(s, e, spread, 0)
		require.NoError(t, err)
		return b.term(termLetGo)
	}
	beam, alone := repeat(FromBeam), repeat(FromValve)
	assert.Less(t, float64(beam.Mistiming), float64(alone.Mistiming)/2.5)
	assert.InEpsilon(t, float64(alone.Displaced), float64(beam.Displaced), 1e-6, "where they meet is the valves' doing")
}

// What is called good of a collision is a part of its sheet's time, whatever the delay runs from; of a phase a part of
// the splash's age.
// The band is that of the whole budget: in a collision by its standard deviations, for a phase no narrower than the
// published times of that phase, and like that of a falling drop of the same impact.
func TestBandOfDrops(t *testing.T) {
	for name, change := range map[string]func(*Set){
		"estimated column": func(*Set) {},
		"measured column":  func(s *Set) { s.Drops.ColumnHeight = 0.03 },
		"measured in time": func(s *Set) { s.Drops.ColumnHeight, s.Drops.ColumnTime = 0.03, 0.13 },
		"from the valve":   func(s *Set) { s.Drops.From = FromValve },
	} {
		s := dropsSet()
		change(&s)
		e, err := s.Estimate()
		require.NoError(t, err, name)
		b, err := Errors(s, e, DefaultSpread(), defaultTick)
		require.NoError(t, err, name)
		assert.InDelta(t, normalTenth*float64(b.Total.Mistiming), float64(e.High-e.Delay), 1e-9, name)
		assert.InDelta(t, normalTenth*float64(b.Total.Mistiming), float64(e.Delay-e.Low), 1e-9, name)
	}

	s := dropsSet()
	s.Drops.Want, s.Drops.Count, s.Drops.Phase = WantPhase, 1, splash.ColumnHighest
	e, err := s.Estimate()
	require.NoError(t, err)
	falling := DefaultSet()
	falling.Drop.Phase, falling.Drop.Height, falling.Drop.Liquid = s.Drops.Phase, s.Drops.Height, s.Drops.Liquid
	falling.Drop.PoolDepth, falling.Drop.Diameter = s.Drops.PoolDepth, e.Diameter
	like, err := falling.Estimate()
	require.NoError(t, err)
	assert.InEpsilon(t, float64(like.Delay-like.Low), float64(e.Delay-e.Low), 0.15)
	assert.InEpsilon(t, float64(like.High-like.Delay), float64(e.High-e.Delay), 0.15)
}

func TestToleranceOfDrops(t *testing.T) {
	for _, from := range []ClockFrom{FromBeam, FromValve} {
		s := dropsSet()
		s.Drops.From = from
		e, err := s.Estimate()
		require.NoError(t, err)
		p, err := TuningPlan(s, DefaultSpread(), defaultTick)
		require.NoError(t, err)
		assert.InDelta(t, (goodSheet * e.Drops.Meeting.Widest).Duration(), p.Tolerance, 1)
		assert.Equal(t, e.Delay.Duration(), p.Delay)

		s.Drops.Want, s.Drops.Count = WantPhase, 1
		e, err = s.Estimate()
		require.NoError(t, err)
		p, err = TuningPlan(s, DefaultSpread(), defaultTick)
		require.NoError(t, err)
		assert.InDelta(t, (goodPhase * (e.Drops.Moment - e.Drops.Drops[0].Lands)).Duration(), p.Tolerance, 1)
	}
}

// A light that smears the falling drop by more than was asked for is refused for drops on command too.
func TestBlurOfDrops(t *testing.T) {
	s := dropsSet()
	s.Camera.MaxBlur = 1e-6
	require.NoError(t, s.Put("flash.figures", "1/1 1/300 s"))
	require.NoError(t, s.Put("flash.power", "1/1"))
	_, _, err := Compile(s, testBench())
	r := new(Refusal)
	require.ErrorAs(t, err, &r)
	assert.Contains(t, r.Why, "lasts longer than the sharpness you asked for")
}

// adviceOf is all advice on a set that can be estimated, in one text.
func adviceOf(t *testing.T, s Set) string {
	t.Helper()
	e, err := s.Estimate()
	require.NoError(t, err)
	says, err := Advice(s, e, DefaultSpread(), defaultTick)
	require.NoError(t, err)
	return strings.Join(says, "\n")
}

// A column that rises higher than most is gone later: a last drop that may meet it is said, one that comes later not.
func TestAdviceOnPerhapsColumn(t *testing.T) {
	s := dropsSet()
	s.Drops.Want, s.Drops.Second.Gap = WantPhase, 170*ms
	assert.Contains(t, adviceOf(t, s), "Drop 2 lands 170.0 ms after drop 1. Most columns are gone by then, but 1 of 10")
	s.Drops.Second.Gap = 300 * ms
	assert.NotContains(t, adviceOf(t, s), "Most columns are gone")
}

// A drop whose crown may close into a bubble, or that is unlike those whose splashes are known: the advice is that of a
// falling drop, in the same words.
func TestAdviceOnUnlikePublished(t *testing.T) {
	const unlike = " is smaller, slower or faster than those whose splashes were timed."
	const bubble = " falls so fast that the crown may close into a bubble; the column then comes late or not at all."
	s := dropsSet()
	assert.Contains(t, adviceOf(t, s), "The first drop"+unlike)
	assert.NotContains(t, adviceOf(t, s), "bubble")

	s.Drops.Tip = 6 * mm
	s.Drops.Weighed, s.Drops.First.Open, s.Drops.Second.Open = "20 drops 4 g at 24 ms", 24*ms, 24*ms
	assert.NotContains(t, adviceOf(t, s), unlike, "of 7.26 mm, at 2.6 m/s")
	s.Drops.Height = 1.2
	assert.Contains(t, adviceOf(t, s), "The first drop"+bubble)

	s.Drops.Want, s.Drops.Count = WantPhase, 1
	assert.Contains(t, adviceOf(t, s), "Drop 1"+bubble)
	s.Drops.Height = 5
	assert.Contains(t, adviceOf(t, s), "Drop 1"+unlike+" It"+bubble)
	s.Drops.Phase = splash.Contact
	assert.NotContains(t, adviceOf(t, s), "splashes were timed")

	one := DefaultSet()
	one.Drop.Nozzle, one.Drop.Height = 5*mm, 5
	assert.Contains(t, adviceOf(t, one), "This drop"+unlike+" It"+bubble)
}

// An opening that begins hardly later than the drop before lets go is in the advice.
func TestAdviceOnPouringSoon(t *testing.T) {
	s := dropsSet()
	assert.NotContains(t, adviceOf(t, s), "they ran together")
	s.Drops.First.Open, s.Drops.Second.Open = 17*ms, 17*ms
	assert.Regexp(t, `starts to flow only \d\.\d ms after the drop before it lets go, and that is known to \d\.\d ms`,
		adviceLine(t, s, "they ran together"))
	s.Drops.Second.Valve = 2
	assert.NotContains(t, adviceOf(t, s), "they ran together")
}

// A column is met as it rises unless one asks for the other, and the advice says what that is worth. One that was
// measured is met within less, and a time that no column of that height can have is refused.
func TestRisingIsTheUsualWay(t *testing.T) {
	s := dropsSet()
	assert.Equal(t, ColumnRising, s.Drops.Column)
	assert.Regexp(t, `scatters by 1\.\d mm \(SD\), as the column rises\. Met as it sinks, by [3-9]\.\d mm`, adviceOf(t, s))
	assert.Contains(t, adviceOf(t, s), "how high it rises and how long after contact")
	s.Drops.Column = ColumnSinking
	assert.Regexp(t, `as the column sinks\. Met as it rises, by 1\.\d mm`, adviceOf(t, s))

	s.Drops.ColumnHeight = 24 * mm
	assert.Contains(t, adviceOf(t, s), "find how long after contact it is highest")
	first := budgetOf(t, s).Total.Displaced
	s.Drops.ColumnTime = 0.13
	assert.NotContains(t, adviceOf(t, s), "known badly")
	assert.Less(t, budgetOf(t, s).Total.Displaced, first)
	s.Drops.Meet = 6 * mm
	assert.Regexp(t, `Of 100 shots, once trimmed, \d+ have no collision`, adviceOf(t, s))
	s.Drops.Column = ColumnRising
	assert.NotContains(t, adviceOf(t, s), "no collision")
	assert.Greater(t, budgetOf(t, s).Meets, 0.999)

	s.Drops.ColumnTime = 10 * ms
	refused := new(Refusal)
	_, err := s.Estimate()
	require.ErrorAs(t, err, &refused)
	assert.Equal(t, "drops.column_time", refused.Field)
	require.NotEmpty(t, refused.Fixes)
}

func budgetOf(t *testing.T, s Set) Budget {
	t.Helper()
	e, err := s.Estimate()
	require.NoError(t, err)
	b, err := Errors(s, e, DefaultSpread(), defaultTick)
	require.NoError(t, err)
	return b
}

// Where the two meet, found on the way near the surface by an even gain of speed, against the fall integrated anew for
// every height, and the column's own law: also for columns that reach half way up to the tip or nearly to it.
func TestMeetingAgainstTheWholeFall(t *testing.T) {
	for _, c := range []struct{ height, column, meet phys.Length }{
		{40 * cm, 0, 12 * mm}, {40 * cm, 15 * cm, 8 * cm}, {40 * cm, 15 * cm, 14 * cm}, {40 * cm, 30 * cm, 15 * cm},
		{40 * cm, 30 * cm, 29 * cm}, {1.5, 60 * cm, 30 * cm}, {10 * cm, 8 * cm, 5 * cm},
	} {
		for _, side := range []ColumnSide{ColumnRising, ColumnSinking} {
			s := dropsSet()
			s.Drops.Height, s.Drops.ColumnHeight, s.Drops.Meet, s.Drops.Column = c.height, c.column, c.meet, side
			s.Drops.From = FromValve
			p, err := s.DropsPath()
			if err != nil {
				t.Log(c, side, err)
				continue
			}
			low, high := phys.Length(0), min(p.Column.Height, c.height)
			for high-low > 1e-7 {
				middle := (low + high) / 2
				there, err := s.Drops.arrival(p.Drops[1], middle, deviation{})
				require.NoError(t, err)
				if p.Column.TipAt(there.Time-p.Drops[0].Lands) > middle {
					low = middle
				} else {
					high = middle
				}
			}
			there, err := s.Drops.arrival(p.Drops[1], low, deviation{})
			require.NoError(t, err)
			t.Logf("%v %v %s: %.4f mm off, %.2f us off", c, side, inMm(low), float64(p.Meeting.Height-low)*1e3,
				float64(p.Meeting.At-there.Time)*1e6)
			assert.InEpsilon(t, float64(low), float64(p.Meeting.Height), 0.001)
			assert.InDelta(t, float64(there.Time), float64(p.Meeting.At), 50e-6)
			assert.InEpsilon(t, float64(there.Speed), float64(p.Meeting.DropSpeed), 0.01)
			assert.InEpsilon(t, float64(c.meet), float64(low), 0.001)
		}
	}
}

// A pool of another liquid than the drops' has the times of its own surface, as for a drop that falls by itself.
func TestPoolOfAnotherLiquid(t *testing.T) {
	s := dropsSet()
	require.NoError(t, s.Put("drops.pool_liquid", "soapy-water"))
	require.NoError(t, s.Put("drops.liquid", "milk"))
	p, err := s.DropsPath()
	require.NoError(t, err)
	highest, err := splash.When(splash.ColumnHighest, splash.Impact{Diameter: p.Drops[0].Diameter,
		Speed: p.Drops[0].Speed, Drop: s.Drops.liquid(), Pool: s.Drops.pool()})
	require.NoError(t, err)
	assert.Equal(t, highest.Central, p.Column.Highest)
	assert.Equal(t, "soapy-water", s.Drops.pool().Name)
	own := s
	require.NoError(t, own.Put("drops.pool_liquid", SameLiquid))
	q, err := own.DropsPath()
	require.NoError(t, err)
	assert.NotEqual(t, q.Column.Highest, p.Column.Highest)
	assert.Equal(t, q.Drops[0].Diameter, p.Drops[0].Diameter, "what hangs from the tip is the drops' own")
	assert.Error(t, s.Put("drops.pool_liquid", "mercury"))

	older, err := ParseSet(`{"kind":"drops","drops":{"liquid":"milk"}}`)
	require.NoError(t, err)
	assert.Equal(t, SameLiquid, older.Drops.PoolLiquid, "stored before pools had liquids of their own")
}

// What stays on the tip is said with what it does to a first drop: none falls, or a smaller one.
func TestAdviceOnTheFirstDrop(t *testing.T) {
	s := dropsSet()
	assert.Regexp(t, `^\d+ µl stay on the tip, and the next drop begins with them\.`,
		adviceLine(t, s, "stay on the tip"))
	s.Drops.First.Open, s.Drops.Second.Open, s.Drops.Column = 14*ms, 15*ms, ColumnSinking
	assert.Contains(t, adviceLine(t, s, "stay on the tip"), "an opening of 14.0 ms then lets no drop fall")
	s.Drops.First.Open, s.Drops.Second.Open = 25*ms, 25*ms
	assert.Regexp(t, `then lets one of \d\.\d mm fall, and not of \d\.\d mm`, adviceLine(t, s, "stay on the tip"))
}

// Drops of openings that are not equal let go differently late: their collision is higher or lower by that. Of equal
// ones, both do.
func TestUnequalOpeningsLetGoDifferently(t *testing.T) {
	s := dropsSet()
	assert.InDelta(t, 0, float64(budgetOf(t, s).term("when drops let go, as computed").Displaced), 1e-9)
	s.Drops.Second.Open = 25 * ms
	term := budgetOf(t, s).term("when drops let go, as computed")
	assert.Greater(t, term.Displaced, 0.1*mm)

	p, err := s.DropsPath()
	require.NoError(t, err)
	takes := func(d FallingDrop) phys.Time { return d.Falls - d.On }
	apart := DefaultSpread().LetsGo * math.Abs(float64(takes(p.Drops[1])-takes(p.Drops[0])))
	closing := float64(p.Meeting.DropSpeed) + float64(p.Meeting.ColumnSpeed)
	assert.InEpsilon(t, apart*float64(p.Meeting.DropSpeed)*float64(p.Meeting.ColumnSpeed)/closing,
		float64(term.Displaced), 0.02, "the second is later against the column by what they differ, both moving evenly")
}

// adviceLine is the piece of advice that contains words.
func adviceLine(t *testing.T, s Set, words string) string {
	t.Helper()
	for line := range strings.SplitSeq(adviceOf(t, s), "\n") {
		if strings.Contains(line, words) {
			return line
		}
	}
	return ""
}
