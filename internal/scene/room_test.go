package scene

import (
	"fmt"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/ballistics"
	"stillwater/internal/liquids"
	"stillwater/internal/phys"
	"stillwater/internal/record"
	"stillwater/internal/shot"
	"stillwater/internal/splash"
)

func dropSet() shot.Set { return shot.DefaultSet() }

func throwSet() shot.Set {
	s := shot.DefaultSet()
	s.Kind = shot.Throw
	s.Throw.Gate, s.Throw.ToFocus, s.Throw.BeamHeight, s.Throw.SpeedLow = 0.1, 0.8, 0, 3
	// far from the spot, so that all that differs shows
	return s
}

func soundSet() shot.Set {
	s := shot.DefaultSet()
	s.Kind = shot.Sound
	return s
}

// calm is a room in which nothing goes wrong beside what its spreads say.
func calm(seed uint64) *Room { return newWith(seed, calmSpreads()) }

func calmSpreads() spreads {
	s := defaultSpreads()
	s.mishaps, s.handDrift = mishaps{}, handDrift{}
	return s
}

// release lets n flights go in one room, well apart.
func release(t *testing.T, r *Room, set shot.Set, n int) []Flight {
	t.Helper()
	var flights []Flight
	at := time.Duration(0)
	for range n {
		f, err := r.Release(set, at)
		require.NoError(t, err)
		flights = append(flights, f)
		at = f.Ends + time.Second
	}
	return flights
}

// first is the first edge of a sensor that means something came.
func first(t *testing.T, f Flight, s Sensor) time.Duration {
	t.Helper()
	for _, e := range f.Edges {
		if e.Sensor == s && e.Active {
			return e.At
		}
	}
	t.Fatalf("no edge of sensor %d in flight %d", s, f.Number)
	return 0
}

// meanSD is the mean and the standard deviation of a sample.
func meanSD(x []float64) (mean, sd float64) {
	for _, v := range x {
		mean += v / float64(len(x))
	}
	for _, v := range x {
		sd += (v - mean) * (v - mean) / float64(len(x)-1)
	}
	return mean, math.Sqrt(sd)
}

// cut3 is the standard deviation of a normal distribution cut at three of them.
var cut3 = math.Sqrt(1 - 6*math.Exp(-4.5)/math.Sqrt(2*math.Pi)/math.Erf(3/math.Sqrt2))

// spreadIs checks a sample's standard deviation: that of a sample of n is known to sd/sqrt(2n), four of which are
// allowed.
func spreadIs(t *testing.T, want float64, x []float64, what string) {
	t.Helper()
	_, sd := meanSD(x)
	assert.InDelta(t, want, sd, 4*want/math.Sqrt(2*float64(len(x))), "spread of %s", what)
}

// meanIs checks a sample's mean within four of its standard errors.
func meanIs(t *testing.T, want float64, x []float64, what string) {
	t.Helper()
	mean, sd := meanSD(x)
	assert.InDelta(t, want, mean, 4*sd/math.Sqrt(float64(len(x))), "mean of %s", what)
}

func TestTheSameSeedIsTheSameRoom(t *testing.T) {
	play := func(seed uint64) (all []any) {
		r := New(seed)
		for i, set := range []shot.Set{dropSet(), throwSet(), soundSet(), throwSet()} {
			at := time.Duration(i) * 10 * time.Second
			f, err := r.Release(set, at)
			require.NoError(t, err)
			all = append(all, f, r.Drive(Shutter, true, at), r.Drive(Flash, true, f.Best), r.Drive(Shutter, false, f.Ends),
				r.Look(f))
		}
		return all
	}
	assert.Equal(t, play(5), play(5))
	assert.NotEqual(t, play(5), play(6))
}

// What the camera does does not change what is thrown next.
func TestFlightsDoNotDependOnTheCamera(t *testing.T) {
	a, b := New(9), New(9)
	b.Drive(Shutter, true, 0)
	b.Drive(Shutter, false, time.Second)
	assert.Equal(t, release(t, a, throwSet(), 3), release(t, b, throwSet(), 3))
}

func TestUnknownKindsAreRefused(t *testing.T) {
	set := dropSet()
	set.Kind = "smoke"
	_, err := New(1).Release(set, 0)
	assert.ErrorContains(t, err, "smoke")
	set = dropSet()
	set.Drop.Liquid = "mercury"
	_, err = New(1).Release(set, 0)
	assert.Error(t, err)
}

// Sensors alternate, bounce stays far inside any hold-off, and everything ends as it began.
func TestEdges(t *testing.T) {
	for seed := range uint64(20) {
		r := New(seed)
		for _, set := range []shot.Set{dropSet(), throwSet(), soundSet()} {
			for _, f := range release(t, r, set, 20) {
				level := map[Sensor]bool{}
				settled := map[Sensor]time.Duration{}
				last := f.Released
				for _, e := range f.Edges {
					require.GreaterOrEqual(t, e.At, last, "seed %d: in order", seed)
					require.LessOrEqual(t, e.At, f.Ends, "seed %d: before the end", seed)
					require.NotEqual(t, level[e.Sensor], e.Active, "seed %d: levels alternate", seed)
					if e.At-settled[e.Sensor] > 2*maxBounces*maxBounceGap {
						settled[e.Sensor] = e.At
					}
					level[e.Sensor], last = e.Active, e.At
				}
				for s, active := range level {
					require.False(t, active, "seed %d: sensor %d ends at rest", seed, s)
				}
			}
		}
	}
}

func TestSensorsBounce(t *testing.T) {
	bursts, edges := 0, 0
	for _, f := range release(t, New(3), soundSet(), 400) {
		began := first(t, f, Microphone)
		n := 0
		for _, e := range f.Edges {
			if e.At-began <= 2*maxBounces*maxBounceGap {
				n++
			}
		}
		bursts++
		edges += n - 1
	}
	// 0 to 3 pairs of edges, each as likely: three extra edges on average.
	assert.InDelta(t, 3, float64(edges)/float64(bursts), 4*2.24/math.Sqrt(float64(bursts)))
}

// Drops fall as package ballistics has it, from the beam to the surface, with the spread the room claims.
func TestDropsFallAsBallisticsSays(t *testing.T) {
	set := dropSet()
	set.Drop.Diameter = 4e-3
	s := calmSpreads()
	s.BeamPlace = 0 // one for the room: not what this looks at
	var took, sizes []float64
	for _, f := range release(t, newWith(21, s), set, 1000) {
		took = append(took, (f.Contact - first(t, f, Beam)).Seconds())
		sizes = append(sizes, float64(f.Diameter))
	}
	leaves, err := leaveNozzle(set.Drop, 4e-3)
	require.NoError(t, err)
	room := newWith(21, s)
	in := slitAt(room, func(part float64) phys.Length {
		place, _ := set.Beam.DropAt(4e-3, part, room.way)
		return place
	})
	want, err := ballistics.Between(4e-3, set.Drop.Beam+in.Mean-leaves.lowest, set.Drop.Height-leaves.lowest, leaves.speed)
	require.NoError(t, err)
	beam, err := leaves.fall(set.Drop.Beam)
	require.NoError(t, err)
	meanIs(t, float64(want.Time), took, "beam to surface")
	edge := math.Hypot(float64(s.DropEdge), float64(in.SD)) / float64(beam.Speed)
	spreadIs(t, cut3*math.Hypot(edge, float64(s.BeamJitter)), took, "beam to surface")
	spreadIs(t, cut3*0.01*4e-3, sizes, "diameter")
}

// The room's drops leave the nozzle by a law of their own, from centre and speed; shot has the height of release. They
// agree within twice what shot says it does not know.
func TestDropsLeaveAsPlanned(t *testing.T) {
	for _, liquid := range []string{"water", "milk", "soapy-water"} {
		for nozzle := phys.Length(1.5e-3); nozzle < 7e-3; nozzle += 0.5e-3 {
			set := dropSet().Drop
			set.Liquid, set.Nozzle = liquid, nozzle
			known, err := liquids.Named(liquid)
			require.NoError(t, err)
			start, err := splash.StartOf(nozzle, known)
			require.NoError(t, err)
			d, err := splash.DropDiameter(nozzle, known)
			require.NoError(t, err)
			leaves, err := leaveNozzle(set, d)
			require.NoError(t, err)
			if float64(nozzle) > 2.6*math.Sqrt(float64(known.SurfaceTension)/(float64(known.Density)*phys.Gravity)) {
				continue // wider than the room's law holds for
			}
			release := float64(leaves.lowest) - float64(leaves.speed*leaves.speed)/(2*phys.Gravity)
			assert.InDelta(t, float64(start.Release), release, 2*float64(start.Spread), "%s %s", liquid, nozzle)
		}
	}
}

// inWater is a flight's impact, of water in water.
func inWater(f Flight) splash.Impact {
	water := liquids.All()[0]
	return splash.Impact{Diameter: f.Diameter, Speed: f.Speed, Drop: water, Pool: water}
}

// Rooms differ in where a splash lies in the band that is shown for it; splashes in one room differ little. Room and
// band have each a law of their own, and agree as well as either is known.
func TestSplashesLieInThePublishedBand(t *testing.T) {
	set := dropSet()
	var rooms []float64
	for seed := range uint64(500) {
		var places, ratios []float64
		for _, f := range release(t, New(seed), set, 4) {
			w, err := splash.When(splash.ColumnHighest, inWater(f))
			require.NoError(t, err)
			after := phys.Seconds(f.Best - f.Contact)
			places = append(places, float64((after-w.Low)/(w.High-w.Low)))
			ratios = append(ratios, float64(after/w.Central))
			for i := 1; i < len(f.Phases); i++ {
				require.Greater(t, f.Phases[i].At, f.Phases[i-1].At, "seed %d: phases in order", seed)
			}
		}
		_, sd := meanSD(ratios)
		require.Less(t, sd, 3*0.02, "seed %d: one room, one splash", seed)
		room, _ := meanSD(places)
		rooms = append(rooms, room)
	}
	mean, sd := meanSD(rooms)
	inside := 0
	for _, place := range rooms {
		if place > 0 && place < 1 {
			inside++
		}
	}
	t.Logf("place in the band: mean %.2f, SD %.2f; %d of %d rooms inside", mean, sd, inside, len(rooms))
	assert.GreaterOrEqual(t, float64(inside), splash.Probability*float64(len(rooms)))
	assert.Greater(t, sd, 0.15, "there is something to learn: 0.7 of the band evenly is 0.2")
}

func TestATrainOfDropsHasItsNth(t *testing.T) {
	set := dropSet()
	set.Drop.Nth = 3
	f := release(t, calm(4), set, 1)[0]
	breaks := 0
	last := time.Duration(-time.Hour)
	for _, e := range f.Edges {
		if e.Active && e.At-last > 20*time.Millisecond {
			breaks++
			last = e.At
		}
	}
	assert.Equal(t, 3, breaks)
	leaves, err := leaveNozzle(set.Drop, f.Diameter)
	require.NoError(t, err)
	want, err := ballistics.Between(f.Diameter, set.Drop.Beam-leaves.lowest, set.Drop.Height-leaves.lowest, leaves.speed)
	require.NoError(t, err)
	assert.InDelta(t, float64(want.Time), (f.Contact - last).Seconds(), 3e-3)
}

// The room's own equation of motion and package ballistics agree when a thrown mass is the sphere the latter takes it
// for: two independent ways to the same flight.
func TestThrowsFlyAsBallisticsSays(t *testing.T) {
	for _, speed := range []phys.Speed{2.5, 4, 6, 8} {
		for _, degrees := range []float64{-10, 0, 20, 45} {
			angle := phys.Angle(degrees * math.Pi / 180)
			want, err := ballistics.Thrown{Diameter: 36e-3}.Flight(speed, angle, 0.8, 2)
			require.NoError(t, err)
			m := mass{diameter: 36e-3, drag: 1}
			there, after, ok := m.flyTo(launchState(speed, angle), 0.8, -2)
			require.True(t, ok)
			name := fmt.Sprintf("%v at %v degrees", speed, degrees)
			assert.InEpsilon(t, float64(want.Time), float64(after), 0.002, name)
			assert.InDelta(t, float64(want.Rise), there.y, 0.002, name)
			assert.InEpsilon(t, float64(want.Speed), math.Hypot(there.vx, there.vy), 0.002, name)

			interval := m.timeFromGate(launchState(speed, angle), 0.1)
			back, err := ballistics.Thrown{Diameter: 36e-3}.SpeedAtSecondBeam(0.1, interval, angle)
			require.NoError(t, err)
			assert.InEpsilon(t, float64(speed), float64(back), 0.005, name)
		}
	}
}

func TestThrowsSpreadAsTheRoomSays(t *testing.T) {
	set, s := throwSet(), defaultSpreads()
	const n = 2000
	var speeds, angles, ragged []float64
	r := calm(31)
	for _, f := range release(t, r, set, n) {
		speeds = append(speeds, float64(f.Passing))
		angles = append(angles, float64(f.Angle))
		ragged = append(ragged, (first(t, f, Beam)-f.Contact).Seconds()*float64(f.Passing))
	}
	hand := r.strength * 1.5 * math.Sqrt(9.80665*0.8)
	meanIs(t, hand, speeds, "speed")
	spreadIs(t, cut3*s.ThrowSpeed*hand, speeds, "speed")
	meanIs(t, float64(set.Throw.Angle), angles, "angle")
	spreadIs(t, cut3*float64(s.ThrowAngle), angles, "angle")
	in := slitAt(r, func(part float64) phys.Length { return set.Beam.SheetAt(part, r.way) })
	spreadIs(t, cut3*math.Hypot(float64(s.RaggedEdge), float64(in.SD)), ragged, "leading edge")
}

// A hand does not know which speeds the set accepts: the same room throws the same throws.
func TestTheHandDoesNotKnowTheSettings(t *testing.T) {
	wide, narrow := throwSet(), throwSet()
	narrow.Throw.SpeedLow, narrow.Throw.SpeedHigh = 5, 5.4
	a, b := release(t, New(5), wide, 50), release(t, New(5), narrow, 50)
	outside := 0
	for i := range a {
		assert.Equal(t, a[i].Passing, b[i].Passing)
		if b[i].Passing < narrow.Throw.SpeedLow || b[i].Passing > narrow.Throw.SpeedHigh {
			outside++
		}
	}
	assert.Greater(t, outside, 40, "what lies outside is thrown all the same")
}

func TestThrowsThatFallShort(t *testing.T) {
	set := throwSet()
	set.Throw.AboveFloor = 0.05
	set.Throw.ToFocus = 3
	set.Throw.Angle = -20 * math.Pi / 180
	r := New(2)
	f := release(t, r, set, 1)[0]
	assert.False(t, f.Arrives)
	r.Drive(Shutter, true, f.Released)
	r.Drive(Flash, true, f.Contact+100*time.Millisecond)
	frame := r.Look(f)
	assert.Equal(t, record.Nothing, frame.Verdict)
	assert.Contains(t, frame.Seen, "fell short")
}

// Sound travels as ISO 9613-1 has it (package ballistics cites it); each room's air and tape measure differ.
func TestSoundsAreHeardLater(t *testing.T) {
	set := soundSet()
	want, err := ballistics.SoundDelay(set.Sound.Distance, set.Sound.Temperature)
	require.NoError(t, err)
	var rooms, within []float64
	for seed := range uint64(300) {
		var heard []float64
		for _, f := range release(t, New(seed), set, 20) {
			heard = append(heard, (first(t, f, Microphone) - f.Contact).Seconds())
			require.Equal(t, set.Sound.After.Duration(), f.Best-f.Contact)
		}
		mean, sd := meanSD(heard)
		rooms, within = append(rooms, mean), append(within, sd)
	}
	meanIs(t, float64(want), rooms, "delay over rooms")
	mean, _ := meanSD(within)
	assert.InDelta(t, 0.2e-3, mean, 0.02e-3, "within a room")
	// The tape, the air (sound's speed goes with the root of the temperature in kelvin), and the mean of 20 sounds.
	tape, air, jitter := 0.01/343*cut3, 1.5/343*0.5/293*cut3, 0.2e-3/math.Sqrt(20)
	spreadIs(t, math.Sqrt(tape*tape+air*air+jitter*jitter), rooms, "delay over rooms")
}

// A drop too slow for a column, by package splash and by this room's own law, shows none and is never good.
func TestSlowDropsRaiseNoColumn(t *testing.T) {
	set := dropSet()
	set.Drop.Height, set.Drop.Beam, set.Light.Shutter = 3e-2, 2e-2, shot.ByHand
	none := new(splash.NoColumnError)
	r := New(3)
	f := release(t, r, set, 1)[0]
	_, err := splash.When(splash.ColumnHighest, inWater(f))
	require.ErrorAs(t, err, &none)
	assert.False(t, f.Arrives)
	r.Drive(Flash, true, f.Phases[len(f.Phases)-1].At-FlashDelay)
	frame := r.Look(f)
	assert.Equal(t, record.Nothing, frame.Verdict)
	assert.Contains(t, frame.Seen, "raises no column")
}
