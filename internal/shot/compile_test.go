package shot

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/ballistics"
	"stillwater/internal/liquids"
	"stillwater/internal/phys"
	"stillwater/internal/splash"
)

// farSet is the usual set with a throw that leaves the camera its time: the beams far from the focus spot, 10 cm apart,
// and the shutter opened after the edge.
func farSet() Set {
	s := DefaultSet()
	s.Throw.Gate, s.Throw.ToFocus, s.Throw.BeamHeight, s.Throw.SpeedLow = 10*cm, 80*cm, 0, 3
	s.Light.Shutter = ByEdge
	return s
}

func testBench() Bench {
	return Bench{
		Beam: &Sensor{Index: 1, Name: "beam", Falling: true}, Gate: &Sensor{Index: 0, Name: "gate"},
		Microphone: &Sensor{Index: 2, Name: "microphone"},
		Shutter:    &Output{Index: 0, Name: "shutter", MaxOn: 30 * time.Second},
		Flash:      &Output{Index: 1, Name: "flash", MaxOn: 50 * time.Millisecond},
		Valves:     []Output{{Index: 2, Name: "valve", MaxOn: 200 * time.Millisecond}},
		Lead:       300 * time.Microsecond, EdgeLead: 600 * time.Microsecond, Tick: 500 * time.Nanosecond, TableLen: 32,
		Late:    time.Millisecond,
		HoldOff: 5 * time.Millisecond,
	}
}

func TestDropInTheDark(t *testing.T) {
	s, b := farSet(), testBench()
	b.Beam.Delay, b.Flash.Delay, b.Shutter.Delay = 150*time.Microsecond, 80*time.Microsecond, 2*time.Millisecond
	s.Trim.Drop, s.Drop.Nth = 4*ms, 2
	p, tl, err := Compile(s, b)
	require.NoError(t, err)

	water, err := liquids.Named("water")
	require.NoError(t, err)
	leaves, err := splash.StartOf(3*mm, water)
	require.NoError(t, err)
	release := leaves.Release
	fall, err := ballistics.Between(mustDiameter(t, s), 5*cm-release, 40*cm-release, 0)
	require.NoError(t, err)
	w, err := splash.When(splash.ColumnHighest,
		splash.Impact{Diameter: mustDiameter(t, s), Speed: fall.Speed, Drop: water, Pool: water})
	require.NoError(t, err)
	want := (fall.Time + w.Central + 4*ms).Duration() - 150*time.Microsecond
	assert.Equal(t, &Source{Input: 1, Falling: true}, p.Clock)
	assert.Nil(t, p.Gate)
	assert.Equal(t, 2, p.Nth)
	require.Len(t, p.Table, 1)
	assert.InDelta(t, want, p.Table[0].Delay, 2)
	// Lag 60 ms, three times 3 ms of scatter and 2 ms before; the output's own 2 ms earlier still; until 20 ms after.
	assert.Equal(t, []Cue{
		{Output: 0, Name: "shutter", Offset: -73 * time.Millisecond, Width: 93 * time.Millisecond},
		{Output: 1, Name: "flash", Offset: -80 * time.Microsecond, Width: 10 * time.Millisecond},
	}, p.Cues)
	assert.Empty(t, p.Opening)
	assert.Equal(t, 2*time.Second, p.Rest)
	assert.Equal(t, minDropHoldOff, p.HoldOff, "a satellite is no drop")
	assert.Equal(t, time.Millisecond, p.Late)

	assert.Equal(t, p.Table[0].Delay, tl.Delay)
	require.Len(t, tl.Marks, 3)
	assert.Equal(t, Mark{"edge", 0}, tl.Marks[0])
	assert.InDelta(t, fall.Time.Duration()-150*time.Microsecond, tl.Marks[1].At, 2)
	assert.Equal(t, Mark{"moment", tl.Delay}, tl.Marks[2])
	start := tl.Delay - 80*time.Microsecond
	assert.Equal(t, Bar{Name: "flash", From: start, To: start + 10*time.Millisecond}, tl.Bars[1])
	assert.Less(t, tl.Low, tl.Delay)
	assert.Greater(t, tl.High, tl.Delay)
}

// Whoever only chooses what flies is not met by a refusal.
func TestDefaultSetWorksForEachKind(t *testing.T) {
	for _, kind := range Kinds() {
		s := farSet()
		s.Kind = kind
		_, _, err := Compile(s, testBench())
		assert.NoError(t, err, kind)
	}
}

func TestWaysToExpose(t *testing.T) {
	for _, c := range []struct {
		expose  Exposure
		shutter ShutterBy
		cues    []string
		opening []string
	}{
		{FlashInDark, ByEdge, []string{"shutter", "flash"}, nil},
		{FlashInDark, ByGo, []string{"flash"}, []string{"shutter"}},
		{FlashInDark, ByHand, []string{"flash"}, nil},
		{LagLed, ByEdge, []string{"shutter"}, nil},
	} {
		for _, kind := range Kinds() {
			t.Run(fmt.Sprint(kind, c.expose, c.shutter), func(t *testing.T) {
				s := farSet()
				s.Kind, s.Light.Expose, s.Light.Shutter, s.Sound.After = kind, c.expose, c.shutter, 100*ms
				p, tl, err := Compile(s, testBench())
				require.NoError(t, err)
				opening := c.opening
				if kind == Drops { // gap and column have bars of their own
					opening, tl.Bars = append(slices.Clone(opening), "valve", "valve"), tl.Bars[2:]
				}
				assert.Equal(t, c.cues, names(p.Cues))
				assert.Equal(t, opening, names(p.Opening))
				require.Len(t, tl.Bars, len(p.Cues)+len(p.Opening))
				assert.Equal(t, len(c.opening) > 0, tl.Bars[0].Opening)
			})
		}
	}
	s := farSet()
	s.Light.Expose = LagLed
	p, _, err := Compile(s, testBench())
	require.NoError(t, err)
	assert.Equal(t, -60*time.Millisecond, p.Cues[0].Offset, "lag-led: earlier by the lag alone")
	s = farSet()
	s.Light.Shutter = ByGo
	p, _, err = Compile(s, testBench())
	require.NoError(t, err)
	assert.Equal(t, []Cue{{Output: 0, Name: "shutter", Width: 5 * time.Second}}, p.Opening)
}

func names(cues []Cue) (names []string) {
	for _, c := range cues {
		names = append(names, c.Name)
	}
	return names
}

func TestSoundDelay(t *testing.T) {
	s, b := farSet(), testBench()
	s.Kind, s.Light.Shutter, s.Sound.After = Sound, ByHand, 20*ms
	b.Microphone.Delay = 40 * time.Microsecond
	p, tl, err := Compile(s, b)
	require.NoError(t, err)
	// 343.2 m/s at 20 °C: ISO 9613-1:1993, clause 5.
	assert.InDelta(t, 20e6-1.5/343.2*1e9-40e3, p.Table[0].Delay, 2e3)
	assert.Equal(t, uint8(2), p.Clock.Input)
	assert.Equal(t, []string{"sound", "edge", "moment"}, []string{tl.Marks[0].Name, tl.Marks[1].Name, tl.Marks[2].Name})
}

// Two flashes, of which one answers later, make one moment.
func TestCompileTwoFlashes(t *testing.T) {
	b := testBench()
	b.Flash.Delay = 80 * time.Microsecond
	b.MoreFlash = []Output{{Index: 5, Name: "flash2", MaxOn: 20 * time.Millisecond, Delay: 300 * time.Microsecond}}
	program, tl, err := Compile(farSet(), b)
	require.NoError(t, err)
	require.Len(t, program.Cues, 3)
	assert.Equal(t, "shutter", program.Cues[0].Name)
	assert.Equal(t, []Cue{
		{Output: 5, Name: "flash 2", Offset: -300 * time.Microsecond, Width: 10 * time.Millisecond},
		{Output: b.Flash.Index, Name: "flash", Offset: -80 * time.Microsecond, Width: 10 * time.Millisecond},
	}, program.Cues[1:])
	assert.Len(t, tl.Bars, 3)

	b.MoreFlash[0].MaxOn = 50 * time.Microsecond
	_, _, err = Compile(farSet(), b)
	assert.ErrorContains(t, err, `"flash2"`)
}

// Three flashes in any second are the most by default: WCAG 2.x, success criterion 2.3.1.
func TestNeverAboveThreeFlashesASecond(t *testing.T) {
	s := farSet()
	s.Light.Recycle = 0
	p, _, err := Compile(s, testBench())
	require.NoError(t, err)
	assert.Greater(t, 3*p.Rest, time.Second)
}

func TestThrowTakesInTheSensorsDelays(t *testing.T) {
	s, b := farSet(), testBench()
	s.Kind = Throw
	plain, tl, err := Compile(s, b)
	require.NoError(t, err)
	assert.Equal(t, &Source{Input: 0}, plain.Gate)
	assert.Equal(t, "gate", tl.Marks[0].Name)
	assert.Less(t, tl.Marks[0].At, time.Duration(0))
	assert.Equal(t, plain.Table[0].Interval, plain.GateMin)
	assert.Equal(t, plain.Table[len(plain.Table)-1].Interval, plain.GateMax)
	b.Gate.Delay, b.Beam.Delay = 100*time.Microsecond, 350*time.Microsecond
	slow, _, err := Compile(s, b)
	require.NoError(t, err)
	for i := range plain.Table {
		assert.Equal(t, 250*time.Microsecond, slow.Table[i].Interval-plain.Table[i].Interval)
		assert.Equal(t, -350*time.Microsecond, slow.Table[i].Delay-plain.Table[i].Delay)
	}
	v, err := s.Throw.speed(phys.Seconds(plain.GateMin))
	require.NoError(t, err)
	assert.InDelta(t, 6, float64(v), 1e-5)
	v, err = s.Throw.speed(phys.Seconds(plain.GateMax))
	require.NoError(t, err)
	assert.InDelta(t, 3, float64(v), 1e-5)
}

func TestRefusalsSayWhatToChange(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(*Set, *Bench)
		field  string
		why    []string
		remedy []string
		fix    string
	}{
		{"camera slower than the drop", func(s *Set, b *Bench) {
			s.Drop.Beam, s.Drop.Phase, s.Light.LagScatter = 35*cm, splash.Contact, 0
		}, "drop.beam", []string{"the camera needs 62.", "the drop reaches the surface 19."},
			[]string{"raise the beam by at least", "open the shutter beforehand"}, "light.shutter=go"},
		{"lag-led camera too slow", func(s *Set, b *Bench) {
			s.Drop.Beam, s.Drop.Phase, s.Light.Expose = 35*cm, splash.Contact, LagLed
		}, "drop.beam", []string{"the camera needs 60."}, []string{"raise the beam", "flash fire in the dark"}, ""},
		{"fast throw", func(s *Set, b *Bench) {
			s.Kind, s.Throw.SpeedLow, s.Throw.SpeedHigh = Throw, 5, 20
		}, "throw.to_focus",
			[]string{"fastest throw accepted"}, []string{"move both beams back", "lower the fastest throw accepted"},
			"light.shutter=hand"},
		{"slow throw", func(s *Set, b *Bench) { s.Kind, s.Throw.SpeedLow = Throw, 1.5 }, "throw.speed_low",
			[]string{"1.50 m/s", "short of the focus spot"}, []string{"raise the slowest throw accepted", "nearer"}, ""},
		{"steep throw down", func(s *Set, b *Bench) {
			s.Kind, s.Throw.Angle, s.Throw.SpeedLow, s.Throw.ToFocus = Throw, -70*degree, 0.5, 5*cm
			s.Light.Shutter = ByHand
		}, "throw.speed_low", []string{"falling through the gate alone"}, []string{"raise the slowest throw accepted"}, ""},
		{"sound over before it is heard", func(s *Set, b *Bench) {
			s.Kind, s.Sound.After, s.Light.Shutter = Sound, 2*ms, ByHand
		}, "sound.distance", []string{"over 2.4 ms before the sound reaches"}, []string{"nearer by at least", "later"}, ""},
		{"trimmed away", func(s *Set, b *Bench) { s.Trim.Drop = -300 * ms; s.Light.Shutter = ByHand }, "drop.beam", nil,
			[]string{"trim later by at least"}, ""},
		{"no beam", func(s *Set, b *Bench) { b.Beam = nil }, "kind", []string{"no beam input"}, []string{`role "beam"`}, ""},
		{"no gate", func(s *Set, b *Bench) { s.Kind = Throw; b.Gate = nil }, "kind", []string{"second beam"},
			[]string{`role "gate"`}, ""},
		{"no microphone", func(s *Set, b *Bench) { s.Kind = Sound; b.Microphone = nil }, "kind", []string{"no microphone"},
			[]string{`role "microphone"`}, ""},
		{"no flash", func(s *Set, b *Bench) { b.Flash = nil }, "light.expose", []string{"no flash"},
			[]string{`role "flash"`, "lag-led"}, "light.expose=lag-led"},
		{"no shutter", func(s *Set, b *Bench) { b.Shutter = nil }, "light.shutter", []string{"no shutter"},
			[]string{`role "shutter"`, "by hand"}, "light.shutter=hand"},
		{"lag-led without shutter", func(s *Set, b *Bench) { b.Shutter, s.Light.Expose = nil, LagLed }, "light.expose",
			[]string{"no shutter"}, []string{`role "shutter"`}, ""},
		{"shutter held too long", func(s *Set, b *Bench) { b.Shutter.MaxOn = 50 * time.Millisecond }, "light.shutter",
			[]string{"held for 91.0 ms", "only be on for 50.0 ms"},
			[]string{"at least 91 ms in the configuration"}, "light.shutter=hand"},
		{"opened for too long", func(s *Set, b *Bench) { s.Light.Shutter, s.Light.OpenFor = ByGo, 60 }, "light.open_for",
			[]string{"held for 60.00 s"}, []string{"30 s at most"}, "light.open_for=30 s"},
		{"closes before the moment", func(s *Set, b *Bench) { s.Light.Shutter, s.Light.OpenFor = ByGo, 100*ms },
			"light.open_for", []string{"held for 100.0 ms from Go"}, []string{"longer"}, ""},
		{"flash contact too short", func(s *Set, b *Bench) { b.Flash.MaxOn = 50 * time.Microsecond }, "light.expose",
			[]string{"only be on for 50µs"}, []string{"10ms in the configuration"}, ""},
		{"board without a table", func(s *Set, b *Bench) { s.Kind = Throw; b.TableLen = 1 }, "kind", []string{"no table"},
			[]string{"another board"}, ""},
		{"short table", func(s *Set, b *Bench) { s.Kind = Throw; b.TableLen = 5 }, "throw.speed_low",
			[]string{"table of 5 points"}, []string{"raise the slowest throw accepted", "lower the fastest throw accepted"}, ""},
		{"sensors slower than the throw", func(s *Set, b *Bench) {
			s.Kind, s.Throw.Gate, b.Gate.Delay = Throw, 5*mm, 5*time.Millisecond
		}, "throw.gate", []string{"0.8 ms through the gate", "5.0 ms"}, []string{"widen the gate by at least"}, ""},
		{"nothing helps alone", func(s *Set, b *Bench) {
			s.Light.Lag, s.Light.Expose = 2, LagLed
			s.Light.Shutter = ByEdge
		}, "light.expose", []string{"the camera needs 2.00 s"}, []string{"open the shutter beforehand and let the flash " +
			"fire in the dark, and open the shutter beforehand, at Go"}, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			s, b := farSet(), testBench()
			c.change(&s, &b)
			_, _, err := Compile(s, b)
			r := new(Refusal)
			require.ErrorAs(t, err, &r)
			t.Log(r)
			assert.Equal(t, c.field, r.Field)
			for _, w := range c.why {
				assert.Contains(t, r.Why, w)
			}
			for _, w := range c.remedy {
				assert.Contains(t, r.Remedy, w)
			}
			if field, value, ok := strings.Cut(c.fix, "="); ok {
				assert.Contains(t, r.Fixes, Fix{Field: field, Value: value})
			}
			checkFixes(t, s, b, r, map[string]int{})
		})
	}
}

// The remedies of a refusal work, and a step less of a number does not.
func TestRemediesAreExact(t *testing.T) {
	r := seeded(t)
	seen := map[string]int{}
	refused := 0
	for range 450 {
		s, b := randomPlan(r)
		_, _, err := Compile(s, b)
		refusal := new(Refusal)
		if !errors.As(err, &refusal) {
			continue
		}
		refused++
		if !checkFixes(t, s, b, refusal, seen) {
			t.Logf("%+v\n%+v\n%v", s, b, refusal)
			t.FailNow()
		}
	}
	t.Logf("%d plans refused; fixes checked: %v", refused, seen)
	for _, field := range []string{"drop.beam", "drop.height", "throw.to_focus", "throw.speed_high", "throw.speed_low",
		"sound.distance", "sound.after", "trim.drop", "trim.throw", "trim.sound", "light.open_for",
		"light.shutter", "light.expose"} {
		assert.GreaterOrEqual(t, seen[field], 5, "%s was hardly tried", field)
	}
}

// checkFixes applies each fix, and for a number the one a step short of it.
func checkFixes(t *testing.T, s Set, b Bench, r *Refusal, seen map[string]int) bool {
	t.Helper()
	ok := assert.NotEmpty(t, r.Remedy)
	for _, f := range r.Fixes {
		seen[f.Field]++
		fixed := s
		ok = assert.NoError(t, f.Put(&fixed)) && ok
		_, _, err := Compile(fixed, b)
		ok = assert.NoError(t, err, "with %v", f) && ok
		step, unit := 1e-3, "m"
		switch f.Field {
		case "throw.speed_high", "throw.speed_low":
			step, unit = 1e-2, "m/s"
		case "trim.drop", "trim.throw", "trim.sound", "sound.after", "light.open_for":
			unit = "s"
		case "light.shutter", "light.expose":
			continue
		}
		short := 0
		for _, back := range []float64{-step, step} {
			less := s
			value := fmt.Sprintf("%.3f %s", fieldValue(fixed, f.Field)+back, unit)
			if less.Put(f.Field, value) != nil || !between(fieldValue(less, f.Field), fieldValue(s, f.Field),
				fieldValue(fixed, f.Field)) {
				continue
			}
			short++
			_, _, err := Compile(less, b)
			ok = assert.Error(t, err, "%v, a step short of %v, is enough", value, f) && ok
		}
		ok = assert.LessOrEqual(t, short, 1) && ok
	}
	return ok
}

func between(x, a, b float64) bool { return x >= min(a, b) && x <= max(a, b) }

// fieldValue is a field's number in SI units.
func fieldValue(s Set, field string) float64 {
	return map[string]float64{
		"drop.beam": float64(s.Drop.Beam), "drop.height": float64(s.Drop.Height), "throw.to_focus": float64(s.Throw.ToFocus),
		"throw.speed_high": float64(s.Throw.SpeedHigh), "throw.speed_low": float64(s.Throw.SpeedLow),
		"trim.drop":  float64(s.Trim.Drop),
		"trim.throw": float64(s.Trim.Throw), "trim.sound": float64(s.Trim.Sound),
		"sound.distance": float64(s.Sound.Distance), "sound.after": float64(s.Sound.After),
		"light.open_for": float64(s.Light.OpenFor), "throw.gate": float64(s.Throw.Gate),
	}[field]
}

// randomPlan is a plan of possible fields, often one that cannot work.
func randomPlan(r *rand.Rand) (Set, Bench) {
	in := func(low, high float64) float64 { return low * math.Pow(high/low, r.Float64()) }
	s, b := farSet(), testBench()
	s.Kind = Kinds()[r.IntN(3)]
	s.Drop.Height = phys.Length(in(0.05, 2))
	s.Drop.Beam = s.Drop.Height * phys.Length(0.2+0.79*r.Float64())
	s.Drop.Nozzle = phys.Length(in(0.5e-3, 5e-3))
	s.Drop.Phase = splash.Phases()[r.IntN(3)]
	s.Throw = randomThrow(r)
	s.Sound = SoundSet{Distance: phys.Length(in(0.05, 20)), Temperature: phys.Temperature(-20 + 70*r.Float64()),
		After: phys.Time(in(1e-3, 0.2))}
	s.Light.Expose = []Exposure{FlashInDark, FlashInDark, LagLed}[r.IntN(3)]
	s.Light.Shutter = []ShutterBy{ByEdge, ByGo, ByHand}[r.IntN(3)]
	s.Light.Lag, s.Light.LagScatter = phys.Time(in(10e-3, 0.3)), phys.Time(in(0.1e-3, 10e-3))
	s.Light.OpenFor = phys.Time(in(0.05, 60))
	if r.IntN(3) == 0 {
		trim := phys.Time(-0.3 * r.Float64())
		s.Trim = TrimSet{Drop: trim, Throw: trim, Sound: trim}
	}
	b.TableLen = []int{4, 8, 32, 32, 32, 32}[r.IntN(6)]
	b.Shutter.MaxOn = time.Duration(in(0.05e9, 30e9))
	b.Beam.Delay, b.Gate.Delay = time.Duration(in(1e3, 1e6)), time.Duration(in(1e3, 1e6))
	b.Flash.Delay, b.Shutter.Delay = time.Duration(in(1e3, 1e6)), time.Duration(in(1e3, 5e6))
	b.EdgeLead = time.Duration(in(10e3, 3e6))
	return s, b
}

func randomThrow(r *rand.Rand) ThrowSet {
	in := func(low, high float64) float64 { return low * math.Pow(high/low, r.Float64()) }
	low := in(0.5, 5)
	return ThrowSet{Gate: phys.Length(in(0.02, 0.5)), ToFocus: phys.Length(in(0.1, 3)),
		Angle: phys.Angle(-60+135*r.Float64()) * degree, SpeedLow: phys.Speed(low), SpeedHigh: phys.Speed(low * in(1.05, 4)),
		Mass: phys.Length(in(5e-3, 0.1)), AboveFloor: phys.Length(in(0.3, 3))}
}

// Delays read from the compiled table, as a board interpolates, are within MaxTableError of the exact physics,
// everywhere between the slowest and the fastest throw accepted.
func TestTableFollowsThePhysics(t *testing.T) {
	r := seeded(t)
	var worst time.Duration
	compiled, refused := 0, 0
	for range 90 {
		s, b := farSet(), testBench()
		s.Kind, s.Light.Shutter, s.Throw = Throw, ByHand, randomThrow(r)
		b.TableLen = []int{4, 8, 16, 32}[r.IntN(4)]
		b.EdgeLead = 0
		p, _, err := Compile(s, b)
		if err != nil {
			refused++
			continue
		}
		compiled++
		require.LessOrEqual(t, len(p.Table), b.TableLen)
		for range 40 {
			at := p.GateMin + time.Duration(r.Int64N(int64(p.GateMax-p.GateMin)+1))
			exact, err := s.Throw.delay(phys.Seconds(at))
			require.NoError(t, err, "%+v", s.Throw)
			off := interpolate(p.Table, at) - exact.Duration()
			worst = max(worst, off.Abs())
			require.LessOrEqual(t, off.Abs(), MaxTableError+10*time.Nanosecond, "%v in %+v", at, s.Throw)
		}
	}
	t.Logf("%d throws compiled, %d refused; worst table error %v", compiled, refused, worst)
	assert.Greater(t, compiled, 25)
	assert.Greater(t, worst, time.Microsecond, "a table cannot be exact: is the check looking?")
}

// A plan leaves the board the time it needs from the edge to the first cue.
func TestLead(t *testing.T) {
	for spare, ok := range map[time.Duration]bool{-1: false, 1: true} { // ticks
		s, b := farSet(), testBench()
		s.Kind, s.Light.Shutter, s.Sound.After, s.Sound.Distance = Sound, ByHand, 20*ms, 1
		at, _, err := Compile(s, b)
		require.NoError(t, err)
		first := at.Table[0].Delay + at.Cues[0].Offset
		b.EdgeLead = first - (2+spare)*b.Tick
		_, _, err = Compile(s, b)
		assert.Equal(t, ok, err == nil, "%d ticks to spare: %v", spare, err)
	}
}

// A board that reads its table slowly gets the time for it, with a gate and only then.
func TestGateLead(t *testing.T) {
	for _, kind := range []Kind{Throw, Sound} {
		s, b := farSet(), testBench()
		s.Kind, s.Light.Shutter = kind, ByHand
		at, _, err := Compile(s, b)
		require.NoError(t, err)
		shortest := at.Table[0].Delay
		for _, p := range at.Table {
			shortest = min(shortest, p.Delay)
		}
		b.GateLead = shortest + at.Cues[0].Offset + time.Millisecond
		_, _, err = Compile(s, b)
		assert.Equal(t, kind != Throw, err == nil, "%s: %v", kind, err)
		b.GateLead -= 2 * time.Millisecond
		_, _, err = Compile(s, b)
		assert.NoError(t, err, kind)
	}
}

func TestDefaultTable(t *testing.T) {
	s := farSet()
	s.Kind = Throw
	for _, n := range []int{8, 16, 32} {
		b := testBench()
		b.TableLen = n
		p, _, err := Compile(s, b)
		require.NoError(t, err)
		var worst time.Duration
		for at := p.GateMin; at <= p.GateMax; at += (p.GateMax - p.GateMin) / 2000 {
			exact, err := s.Throw.delay(phys.Seconds(at))
			require.NoError(t, err)
			worst = max(worst, (interpolate(p.Table, at) - exact.Duration()).Abs())
		}
		t.Logf("%d points: worst error %v", n, worst)
		assert.LessOrEqual(t, worst, MaxTableError)
	}
}

// interpolate reads a table as a board does: linearly.
func interpolate(table []Point, at time.Duration) time.Duration {
	for i := 1; i < len(table); i++ {
		if a, b := table[i-1], table[i]; at <= b.Interval {
			return a.Delay + time.Duration(float64(b.Delay-a.Delay)*float64(at-a.Interval)/float64(b.Interval-a.Interval))
		}
	}
	return table[len(table)-1].Delay
}

func mustDiameter(t *testing.T, s Set) phys.Length {
	t.Helper()
	d, err := s.DropDiameter()
	require.NoError(t, err)
	return d
}

// A throw whose way is 5 % longer than measured is late by 5 % of its time at every speed. A trim found in the middle
// takes that out at both ends too, which one and the same time for all would not: it would leave 3 ms there.
func TestTrimOfThrowsIsInProportion(t *testing.T) {
	s := farSet()
	s.Kind = Throw
	plain, _, err := Compile(s, testBench())
	require.NoError(t, err)
	middle, err := s.Throw.middleDelay()
	require.NoError(t, err)
	s.Trim.Throw = middle * 0.05
	trimmed, _, err := Compile(s, testBench())
	require.NoError(t, err)
	require.Equal(t, len(plain.Table), len(trimmed.Table))
	for i := range plain.Table {
		assert.InEpsilon(t, 1.05*float64(plain.Table[i].Delay), float64(trimmed.Table[i].Delay), 1e-6)
	}
	last := len(plain.Table) - 1
	assert.Greater(t, (trimmed.Table[last].Delay-plain.Table[last].Delay)-s.Trim.Throw.Duration(), 2*time.Millisecond)
	e, err := s.EstimateAt(phys.Seconds(trimmed.Table[last].Interval))
	require.NoError(t, err)
	assert.InDelta(t, trimmed.Table[last].Delay.Seconds(), float64(e.Delay), 1e-6, "the estimate says the same")
}
