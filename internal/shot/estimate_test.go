package shot

import (
	"math"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/ballistics"
	"stillwater/internal/phys"
	"stillwater/internal/splash"
)

// The band needs no room beyond the accepted values: what may be asked for is answered.
func TestSoundAtTheEndsOfWhatIsAccepted(t *testing.T) {
	for _, put := range [][2]string{{"sound.distance", "100 m"}, {"sound.distance", "1 cm"},
		{"sound.temperature", "-20 C"}, {"sound.temperature", "50 C"}} {
		s := farSet()
		s.Kind, s.Sound.After = Sound, 1
		require.NoError(t, s.Put(put[0], put[1]))
		e, err := s.Estimate()
		require.NoError(t, err, put)
		assert.Less(t, e.TravelLow, e.Travel)
		assert.Less(t, e.Travel, e.TravelHigh)
	}
}

// 1.5 m, a centimetre and a degree off (SD), by the root of the absolute temperature: four in five, 1.2816 SD.
func TestBandOfASound(t *testing.T) {
	s := farSet()
	s.Kind = Sound
	e, err := s.Estimate()
	require.NoError(t, err)
	far, warm := 1.51/343.2-1.5/343.2, 1.5/343.2-1.5/343.7849
	assert.InDelta(t, 1.5/343.2-1.2816*math.Hypot(far, warm), float64(e.TravelLow), 1e-7)
	assert.InDelta(t, 1.5/343.2+1.2816*math.Hypot(far, warm), float64(e.TravelHigh), 1e-7)
	assert.InDelta(t, 343.2, float64(e.Speed), 1e-9)
}

// A drop whose splash is not known is refused with what would do, and that does.
func TestDropsWithoutAKnownSplash(t *testing.T) {
	s := farSet()
	s.Drop.Height, s.Drop.Beam, s.Drop.Nozzle = 1*cm, 6*mm, 1*mm
	_, err := s.Estimate()
	assert.EqualError(t, err, "drop.height: splashes of drops that reach the surface at 0.32 m/s cannot be predicted; "+
		"use at least 7.8 cm, or choose the contact as the moment")
	s.Drop.Height = 7.8 * cm
	_, err = s.Estimate()
	assert.NoError(t, err)
	s.Drop.Height = 7.7 * cm
	_, err = s.Estimate()
	assert.ErrorContains(t, err, "raises no column; use at least 7.8 cm")

	for _, d := range []phys.Length{0.05 * mm, 0.1 * mm, 0.9 * mm} {
		s = farSet()
		s.Drop.Diameter = d
		_, err = s.Estimate()
		require.Error(t, err)
		assert.Contains(t, err.Error(), "drop.diameter: splashes of drops of ")
		assert.Contains(t, err.Error(), "use a drop of 1 mm to 1 cm")
	}
	s.Drop.Diameter = 1 * mm
	_, err = s.Estimate()
	assert.NoError(t, err)
	s.Drop.Diameter, s.Drop.Phase = 0.1*mm, splash.Contact
	e, err := s.Estimate()
	require.NoError(t, err, "a contact needs no splash")
	// 35 cm at the 27 cm/s of R. Gunn and G. D. Kinzer 1949: it falls at that speed within centimetres.
	assert.InDelta(t, 0.35/0.27, float64(e.Delay), 0.02*0.35/0.27)
	_, err = Errors(s, e, DefaultSpread(), defaultTick)
	assert.NoError(t, err)
}

// Advice on the beam is given where it gains something.
func TestNoAdviceThatGainsNothing(t *testing.T) {
	s := farSet()
	s.Drop.Height, s.Drop.Beam = 5, 4.9
	e, err := s.Estimate()
	require.NoError(t, err)
	advice, err := Advice(s, e, DefaultSpread(), defaultTick)
	require.NoError(t, err)
	assert.NotContains(t, strings.Join(advice, " "), "passes the beam")
}

// Each interval asked for is enough for the next answer to be about something else.
func TestIntervalsThatCannotBe(t *testing.T) {
	s := farSet()
	s.Kind, s.Throw.ToFocus = Throw, 1*cm
	for _, interval := range []phys.Time{142 * ms, 180 * ms, 1, 1e9} {
		_, err := s.EstimateAt(interval)
		require.ErrorContains(t, err, "interval: gravity would have stopped a throw")
		require.ErrorContains(t, err, "use 138.8 ms or less")
	}
	_, err := s.EstimateAt(138.8 * ms)
	assert.NoError(t, err)
	for _, interval := range []phys.Time{1e-6, 1e-3} {
		_, err = s.EstimateAt(interval)
		require.ErrorContains(t, err, "it must be 3.34 ms or more: shorter is faster than 30 m/s over the gate")
	}
	_, err = s.EstimateAt(3.34 * ms)
	assert.NoError(t, err)
}

// What is said to carry further does, a little of it at a time.
func TestThrowsThatFallShort(t *testing.T) {
	for _, test := range []struct {
		angle, turned phys.Angle
		says          string
	}{
		{-45 * degree, -40 * degree, "throw faster or less steeply down, or"},
		{0, 5 * degree, "throw faster or steeper, or"},
		{80 * degree, 75 * degree, "throw faster or flatter, or"},
		{30 * degree, 25 * degree, "throw faster or flatter, or"},
		{15 * degree, 15 * degree, "throw faster, or"},
	} {
		s := farSet()
		s.Kind, s.Throw.ToFocus, s.Throw.Angle = Throw, 5, test.angle
		reach := func(v phys.Speed) phys.Length {
			_, err := s.Throw.flight(v)
			short := new(ballistics.FallsShortError)
			require.ErrorAs(t, err, &short)
			require.ErrorContains(t, s.speedError(err, v), test.says)
			return short.Reach
		}
		before := reach(1.5)
		s.Throw.Angle = test.turned
		_, err := s.Throw.flight(1.5)
		short := new(ballistics.FallsShortError)
		require.ErrorAs(t, err, &short)
		assert.GreaterOrEqual(t, short.Reach, before)
	}
}

// A drop does not fall from the tip at rest: without drag, the lowest point of one from 3 mm falls 39.3 cm to the
// surface and 4.3 cm to the beam, not 40 and 5. That is 5 ms later than from the tip.
func TestDropStartsBelowTheTip(t *testing.T) {
	s := farSet()
	e, err := s.Estimate()
	require.NoError(t, err)
	from := func(start float64) float64 {
		return math.Sqrt(2*(0.4-start)/phys.Gravity) - math.Sqrt(2*(0.05-start)/phys.Gravity)
	}
	// Drag slows it by less than it would a drop whose terminal speed is 8 m/s: Gunn and Kinzer 1949 have that at 3 mm.
	slowed := func(h float64) float64 { return 8 / phys.Gravity * math.Acosh(math.Exp(phys.Gravity*h/64)) }
	assert.Greater(t, float64(e.EdgeToSurface), from(7.4e-3))
	assert.Less(t, float64(e.EdgeToSurface), slowed(0.4-7.4e-3)-slowed(0.05-7.4e-3))
	assert.Greater(t, float64(e.EdgeToSurface)-from(0), 4e-3)
}

// The least distance of the beam is the length of the drop as it lets go, and what the refusal asks for is enough.
func TestLeastBeamDistance(t *testing.T) {
	s := farSet()
	s.Drop.Beam = 8 * mm
	err := s.Validate()
	assert.EqualError(t, err, "drop.beam: a drop from this nozzle is 8.6 mm long when it lets go, and would break a beam "+
		"8 mm below the tip before that; use at least 8.6 mm")
	require.NoError(t, s.Put("drop.beam", "8.6 mm"))
	assert.NoError(t, s.Validate())
}
