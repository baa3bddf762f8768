package lighting

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/optics"
	"stillwater/internal/phys"
	"stillwater/internal/shot"
)

func judge(t *testing.T, set shot.Set, puts ...string) Report {
	t.Helper()
	for i := 0; i < len(puts); i += 2 {
		require.NoError(t, set.Put(puts[i], puts[i+1]))
	}
	r, err := Judge(set)
	require.NoError(t, err)
	return r
}

func (r Report) step(t *testing.T, id string) Step {
	t.Helper()
	for _, s := range r.Steps {
		if s.ID == id {
			return s
		}
	}
	require.Fail(t, "no such step", id)
	return Step{}
}

func of(kind shot.Kind) shot.Set {
	s := shot.DefaultSet()
	s.Kind = kind
	s.Throw.Gate, s.Throw.ToFocus, s.Throw.BeamHeight, s.Throw.SpeedLow = 0.1, 0.8, 0, 3
	// far from the spot, so that throws differ much
	return s
}

// What is usual works, and says by what margin: f/16, ISO 400, 1/125 s, a light of 1/2000 s at low power, a frame that
// is black without flash. Common practice, no source.
func TestPracticeWorks(t *testing.T) {
	for _, kind := range []shot.Kind{shot.Drop, shot.Throw} {
		for _, speed := range []optics.ISO{320, 400} {
			set := Practice(of(kind))
			set.Camera.Speed = speed
			r := judge(t, set)
			for _, s := range r.Steps {
				assert.Equal(t, Works, s.Verdict, "%s of a %s: %s", s.ID, kind, s.Says)
			}
			assert.Greater(t, r.Margin, optics.MinMargin+1)
			assert.Contains(t, r.step(t, "dark").Says, "below the flash, and you asked for 5 stops")
			says := map[shot.Kind]string{shot.Throw: "It is not seen on a print 10 cm wide, nor on one up to 11 cm",
				shot.Drop: "the liquid hardly moves: its motion is frozen"}[kind]
			assert.Contains(t, r.step(t, "freeze").Says, says)
		}
	}
	assert.NoError(t, Practice(of(shot.Drop)).Validate())
}

// One setting moves from what is usual, the one verdict that depends on it changes, and its words say what to do.
func TestWrongSettings(t *testing.T) {
	for _, c := range []struct {
		step, field, value string
		verdict            Verdict
		says, next         string
	}{
		{"dark", "room.frame_seen", "45 %", Change, "what moves would leave a ghost", "Darken by"},
		{"dark", "camera.shutter", `30"`, Change, "what moves might leave a ghost", "open the shutter for no more than"},
		{"dark", "room.by", "unknown", Unknown, "has not been typed", "Type what"},
		{"dark", "room.by", "meter", Unknown, "has not been typed", "what the light meter shows"},
		{"dark", "room.frame_open", "unknown", Unknown, "has not been typed", "shutter time of the frame"},
		{"dark", "room.frame_seen", "unknown", Unknown, "has not been typed", "0 % if all of it is black"},
		{"background", "background.seen", "100 %", Change, "clear water vanishes", "Lower it by a stop and look again"},
		{"background", "background.seen", "97 %", Change, "nearly white", "Lower it by 0.6 stops"},
		{"background", "background.seen", "40 %", Caution, "dark edges stand out less", "Raise it by"},
		{"background", "background.width", "3 m", Caution, "Edges: with 3 m bright", "hang black on both sides, 1.9 m apart"},
		{"key", "flash.reading", "f/45", Change, "over, so it burns out", "less"},
		{"key", "flash.reading", "f/5.6", Change, "under, so the liquid would be dark", "Any one of: the flash at"},
		{"key", "flash.seen", "0 %", Change, "The card is black", "See that the flash fires"},
		{"key", "flash.seen", "50 %", Change, "by the flash meter it would be 2.1 stops more", "correct one of the two"},
		{"key", "flash.guide", "5 m", Caution, "by the guide number it would be 3.4 stops less",
			"the flash meter or the guide number"},
		{"background", "background.reading", "f/5.6", Caution, "by the flash meter it would be 2.5 stops less",
			"correct one of the two"},
		{"key", "flash.reading", "none", Unknown, "has not been typed", "guide number"},
		{"freeze", "flash.figures", "1/16 1/500 s", Change, "It is seen on a print wider than", "At 1/64 power"},
		{"freeze", "flash.smear", "40", Change, "Blur of 40 pixels was seen", "shorter light"},
		{"freeze", "flash.smear", "0", Caution, "No blur was seen. From the flash duration it should be 11 pixels", ""},
		{"freeze", "flash.smear", "5", Works, "Blur of 5 pixels was seen", ""},
		{"focus", "camera.print", "4 m", Change, "All of the liquid is sharp in", ""},
		{"framing", "camera.focal", "40 cm", Change, "all of it is in the frame in", "Step back to"},
	} {
		set := Practice(of(shot.Throw))
		r := judge(t, set, c.field, c.value)
		s := r.step(t, c.step)
		assert.Equal(t, c.verdict, s.Verdict, "%s %s: %s", c.field, c.value, s.Says)
		assert.Contains(t, s.Says, c.says)
		assert.Contains(t, s.Next, c.next)
		for _, fix := range s.Fixes {
			again := judge(t, r.Set, fix.Field, fix.Value).step(t, c.step)
			if !strings.Contains(s.Says, "contradict") { // taking back one of two leaves what the other says
				assert.NotEqual(t, Change, again.Verdict, "%s %s: %s", c.step, fix, again.Says)
			}
		}
	}
}

// How the room is known is chosen before anything is measured: that alone proves nothing, for any kind and way.
func TestChoosingAWayIsNoMeasurement(t *testing.T) {
	for _, kind := range shot.Kinds() {
		for _, way := range []string{"meter", "black-frame"} {
			assert.Equal(t, Unknown, judge(t, of(kind), "room.by", way).step(t, "dark").Verdict, "%s by %s", kind, way)
		}
	}
	typed := judge(t, of(shot.Drop), "room.ev", "-6 EV")
	assert.Equal(t, optics.RoomMetered, typed.Set.Room.By, "what was typed is not left aside")
	assert.Equal(t, Works, typed.step(t, "dark").Verdict)
}

// The longest opening is at the margin, to a third of a stop below.
func TestLongestOpeningIsAtTheMargin(t *testing.T) {
	set := Practice(of(shot.Drop))
	set.Camera.Shutter, set.Light.Shutter, set.Light.OpenFor = optics.Bulb, shot.ByGo, 20
	r := judge(t, set)
	s := r.step(t, "dark")
	require.Equal(t, Change, s.Verdict)
	require.Len(t, s.Fixes, 1)
	assert.Equal(t, "light.open_for", s.Fixes[0].Field)
	r = judge(t, set, s.Fixes[0].Field, s.Fixes[0].Value)
	assert.Equal(t, Works, r.step(t, "dark").Verdict)
	assert.InDelta(t, float64(set.Room.Margin)+1./6, float64(r.Margin), 0.25)
}

// f/22 that costs more than it gives is named, where a wider opening is sharper at the ends of where the liquid is.
func TestDiffractionIsNamed(t *testing.T) {
	r := judge(t, Practice(of(shot.Throw)), "camera.aperture", "f/22", "camera.print", "60 cm")
	s := r.step(t, "focus")
	assert.Equal(t, Caution, s.Verdict, "a disc of 32 µm is not the point that 12 µm is")
	assert.Contains(t, s.Says, "diffraction alone makes a disc of 32 µm of a point, and 12 µm is what a print 60 cm wide")
	assert.Contains(t, s.Next, "f/8, or wider, keeps diffraction below that")
	assert.Contains(t, s.Says, "f/22 costs more by diffraction than it gives in depth")
	assert.Greater(t, r.DiscNow, r.DiscBest)
	assert.Less(t, r.Best, optics.FNumber(22))
}

// What serves best is an aperture that the lens has.
func TestBestApertureIsTheLenss(t *testing.T) {
	for _, kind := range shot.Kinds() {
		r := judge(t, Practice(of(kind)), "camera.print", "2 cm", "camera.widest", "f/4", "camera.narrowest", "f/11")
		assert.True(t, r.Best >= 4 && r.Best <= 11, "%s: %v", kind, r.Best)
	}
	set := of(shot.Drop)
	set.Camera.Widest, set.Camera.Narrowest = 16, 8
	_, err := Judge(set)
	assert.ErrorContains(t, err, "camera.narrowest")
}

// A column is as tall as it is: a frame that is wide enough and too low for it cuts it, and one that is high enough
// does not. Of an upright frame the same lens shows half as much again.
func TestTallLiquid(t *testing.T) {
	low := judge(t, Practice(of(shot.Drop)), "camera.sensor_height", "10 mm")
	s := low.step(t, "framing")
	assert.Greater(t, low.Subject.Tall, low.Subject.Size/2)
	assert.NotEqual(t, Works, s.Verdict, s.Says)
	assert.Contains(t, s.Says, "tall (9 of 10 no taller than")
	assert.Contains(t, s.Next, "Step back to")
	upright := judge(t, low.Set, "camera.field_seen", "0 m", "camera.sensor", "24 mm", "camera.sensor_height", "36 mm")
	assert.Greater(t, upright.InFrame, low.InFrame)
	assert.Equal(t, Works, upright.step(t, "framing").Verdict)
	contact := judge(t, low.Set, "drop.phase", "contact")
	assert.Equal(t, contact.Subject.Size, contact.Subject.Tall, "a drop")
	assert.Greater(t, contact.InFrame, low.InFrame)
	measured := judge(t, of(shot.Drops), "drops.count", "1", "drops.want", "phase",
		"drops.phase", "column-highest", "drops.column_height", "60 mm")
	assert.InDelta(t, 0.06, float64(measured.Subject.Tall), 1e-9, "what was measured counts")
}

// How often the height is in the frame, against as many drawn columns (seed 16, 4); 0.006 are four standard errors.
func TestTallInFrame(t *testing.T) {
	for _, change := range []struct {
		high string
		sd   phys.Length
	}{{"8 mm", 1e-3}, {"10 mm", 1e-4}, {"12 mm", 5e-3}, {"12 mm", 0}, {"9 mm", 0.02}} {
		r := judge(t, Practice(of(shot.Drop)), "camera.sensor_height", change.high)
		r.HighSD = change.sd
		random, in := rand.New(rand.NewPCG(16, 4)), 0
		const n = 100_000
		for range n {
			tall := float64(r.Subject.Tall) * math.Exp(r.Subject.TallSpread*random.NormFloat64())
			off := float64(r.HighSD) * random.NormFloat64()
			if foot := float64(-r.Tallest()/2) + off; foot > float64(-r.High/2) && foot+tall < float64(r.High/2) {
				in++
			}
		}
		assert.InDelta(t, float64(in)/n, r.tallInFrame(0, r.HighSD), 0.006, "%+v", change)
	}
}

// How often a throw is in the frame, against drawn places of which those that are farther are lower (seed 16, 5).
func TestThrowInFrame(t *testing.T) {
	r := judge(t, of(shot.Throw), "throw.to_focus", "80 cm", "throw.speed_low", "3 m/s", "camera.field_seen", "18 cm")
	require.Less(t, r.Correlation, -0.3)
	random, in := rand.New(rand.NewPCG(16, 5)), 0
	const n = 20000
	wide, high := float64(r.Wide-r.Subject.Size)/2, float64(r.High-r.Subject.Tall)/2
	for range n {
		z := random.NormFloat64()
		across := z * float64(r.WideSD)
		up := float64(r.HighSD) * (z*r.Correlation + math.Sqrt(1-r.Correlation*r.Correlation)*random.NormFloat64())
		if math.Abs(across) < wide && math.Abs(up) < high {
			in++
		}
	}
	t.Logf("%.3f by dice, %.3f said; %v and %v (SD), correlation %.2f",
		float64(in)/n, r.InFrame, r.WideSD, r.HighSD, r.Correlation)
	assert.Greater(t, r.InFrame, 0.1)
	assert.Less(t, r.InFrame, 0.95)
	assert.InDelta(t, float64(in)/n, r.InFrame, 4*math.Sqrt(0.25/n)+0.005, "in sixty steps")
}

// A lens and a ruler that contradict each other are not both believed, and nobody is sent back with a camera for it.
func TestMistypedRuler(t *testing.T) {
	s := judge(t, Practice(of(shot.Drop)), "camera.field_seen", "1 cm").step(t, "framing")
	assert.Equal(t, Change, s.Verdict)
	assert.Contains(t, s.Says, "50 cm from a lens of 100 mm the frame would be 14 cm wide")
	assert.Contains(t, s.Next, "Read the ruler again")
	assert.NotContains(t, s.Next, "Step back")
	assert.Equal(t, Works, judge(t, Practice(of(shot.Drop)), "camera.field_seen", "15 cm").step(t, "framing").Verdict)
	set := of(shot.Drop)
	require.NoError(t, set.Put("camera.field_seen", "1 mm"))
	_, err := Judge(set)
	assert.ErrorContains(t, err, "camera.field_seen: no lens shows a piece 1 mm wide")
	steps, ok := Unjudged(set)
	require.True(t, ok)
	require.Len(t, steps[5].Fixes, 1)
	require.NoError(t, steps[5].Fixes[0].Put(&set))
	_, err = Judge(set)
	assert.NoError(t, err)
}

// Of a lens that nobody has typed, the frame is not known.
func TestUntypedLens(t *testing.T) {
	s := judge(t, of(shot.Drop)).step(t, "framing")
	assert.Equal(t, Unknown, s.Verdict)
	assert.Contains(t, s.Says, "with the usual lens")
	sharp := judge(t, of(shot.Drop)).step(t, "focus")
	assert.Equal(t, Unknown, sharp.Verdict)
	assert.Contains(t, sharp.Says, "with the usual lens, 100 mm, 50 cm away")
	assert.Empty(t, judge(t, of(shot.Drop), "camera.iso", "800").Budget(), "nothing of depth and frame")
	assert.Equal(t, Works, judge(t, of(shot.Drop), "camera.field_seen", "14 cm").step(t, "focus").Verdict)
	faster := judge(t, of(shot.Drop), "camera.iso", "800").step(t, "framing")
	assert.Equal(t, Unknown, faster.Verdict, "it says nothing of the lens")
	assert.Equal(t, Works, judge(t, of(shot.Drop), "camera.field_seen", "14 cm").step(t, "framing").Verdict)
}

// That t0.1 was worked out is said where it is used, and not of a unit's own t0.1.
func TestIdealDecayIsSaid(t *testing.T) {
	const says = "That is for an ideal decay"
	assert.Contains(t, judge(t, of(shot.Drop), "flash.duration", "1 ms").step(t, "freeze").Says, says)
	own := judge(t, of(shot.Drop), "flash.measured", "t0.1", "flash.figures", "1/1 1/300 s, 1/16 1/4000 s")
	assert.NotContains(t, own.step(t, "freeze").Says, says)
	assert.Contains(t, judge(t, own.Set, "flash.power", "1/64").step(t, "freeze").Says, says, "beyond the figures")
}

// Turned along the path, the lens sees the error along it as depth; across it, none of it.
func TestTurnedLens(t *testing.T) {
	square := judge(t, of(shot.Throw))
	turned := judge(t, of(shot.Throw), "camera.turn", "60°")
	assert.InDelta(t, float64(square.Subject.AsideSD), float64(square.DepthSD), 1e-12)
	assert.InEpsilon(t, math.Hypot(0.5*float64(square.Subject.AsideSD), math.Sqrt(0.75)*float64(square.Subject.ForwardSD)),
		float64(turned.DepthSD), 1e-9)
	e, err := turned.Set.Estimate()
	require.NoError(t, err)
	sin, cos := math.Sincos(float64(e.FocusAngle)) // the level part of the speed is seen at the cosine of 60 degrees
	assert.InEpsilon(t, float64(e.FocusSpeed)*math.Hypot(cos/2, sin), float64(turned.Subject.Speed), 1e-9)
	drop := judge(t, of(shot.Drop), "camera.turn", "60°")
	assert.InDelta(t, float64(drop.Subject.AsideSD), float64(drop.DepthSD), 1e-12,
		"an upright path is as far away at any angle")
}

// What bursts has no known size or speed, and nothing is said of either.
func TestSoundSaysWhatIsNotKnown(t *testing.T) {
	r := judge(t, Practice(of(shot.Sound)))
	for _, id := range []string{"freeze", "focus", "framing"} {
		assert.Equal(t, Unknown, r.step(t, id).Verdict, id)
	}
	assert.Equal(t, Works, r.step(t, "dark").Verdict)
}

// Milk needs no black beside it.
func TestMilkHasNoClearEdges(t *testing.T) {
	says := judge(t, Practice(of(shot.Drop)), "drop.liquid", "milk").step(t, "background").Says
	assert.NotContains(t, says, "radius")
	assert.Contains(t, says, "White")
}

// A set that cannot be worked out is an error, and every default can.
func TestJudge(t *testing.T) {
	for _, kind := range shot.Kinds() {
		r := judge(t, of(kind))
		assert.Len(t, r.Steps, 7)
		in := map[string]string{}
		for _, field := range CameraFields() {
			in[field] = "all"
		}
		for _, s := range r.Steps {
			assert.NotEmpty(t, s.Do+s.Expect+s.Says)
			for _, field := range append(s.Seen, s.Fields...) {
				assert.Empty(t, in[field], "%s is in two steps", field)
				in[field] = s.ID
				set := of(kind)
				assert.NotContains(t, set.Put(field, "?").Error(), "no such field", "%s", field)
			}
		}
	}
	set := of(shot.Drop)
	set.Camera.Distance = 0.1
	_, err := Judge(set)
	assert.ErrorContains(t, err, "camera.distance")
}

// The budget's words are of what was typed, and of nothing else.
func TestBudgetWords(t *testing.T) {
	assert.Empty(t, judge(t, of(shot.Throw)).Budget())
	words := judge(t, Practice(of(shot.Throw))).Budget()
	require.Len(t, words, 2)
	assert.Contains(t, words[0], "in which liquid at 4.21 m/s moves 2.10 mm")
	assert.Contains(t, words[1], "within the frame in nearly all shots")
}

// A column at its highest is not sharp in just any light: in 100 ms it falls 12 mm and rises as much before.
func TestTurningPointsBlurToo(t *testing.T) {
	long := judge(t, of(shot.Drop), "flash.duration", "100 ms", "flash.measured", "t0.1", "flash.power", "full")
	s := long.step(t, "freeze")
	assert.Equal(t, Change, s.Verdict, s.Says)
	assert.InEpsilon(t, phys.Gravity*0.1*0.1/8, float64(long.Blur.Subject), 1e-6)
	short := judge(t, of(shot.Drop), "flash.duration", "1 ms", "flash.power", "full")
	assert.Equal(t, Works, short.step(t, "freeze").Verdict)
	asked := judge(t, of(shot.Drop), "flash.duration", "1 ms", "flash.power", "full", "camera.max_blur", "0.3 mm")
	s = asked.step(t, "freeze")
	assert.Equal(t, Change, s.Verdict, "the plan is refused for it, too: %s", s.Says)
	assert.Contains(t, s.Says, "you asked for 0.3")
}

// Less power takes from what is too bright first.
func TestShorterLightOfABrightFlash(t *testing.T) {
	r := judge(t, of(shot.Drop), "drop.phase", "contact", "flash.duration", "1 ms", "flash.power", "1/2",
		"flash.guide", "36 m")
	s := r.step(t, "freeze")
	require.Equal(t, Change, s.Verdict, s.Says)
	after := judge(t, r.Set, "flash.power", s.Fixes[0].Value)
	if after.Light.Key > 0 {
		assert.Contains(t, s.Next, "still", s.Next)
		assert.NotContains(t, s.Next, "Any one of")
	} else {
		assert.Contains(t, s.Next, "Any one of")
	}
}

// A distance that cannot work is fixed at its step: the others stay, and the fix works.
func TestUnjudged(t *testing.T) {
	for _, set := range []shot.Set{of(shot.Drop), of(shot.Throw), of(shot.Sound), of(shot.Drops)} {
		_, ok := Unjudged(set)
		assert.False(t, ok, "nothing is wrong")
		require.NoError(t, set.Put("camera.distance", "12 cm"))
		steps, ok := Unjudged(set)
		require.True(t, ok)
		require.Len(t, steps, 7)
		fixed := set
		for _, s := range steps {
			if s.ID != "focus" {
				assert.Equal(t, Unknown, s.Verdict)
				continue
			}
			assert.Contains(t, s.Says, "nearer than this lens focuses")
			require.Len(t, s.Fixes, 1)
			require.NoError(t, s.Fixes[0].Put(&fixed))
		}
		_, err := Judge(fixed)
		assert.NoError(t, err)
	}
	set := of(shot.Drop)
	set.Drop.Height = 0
	_, ok := Unjudged(set)
	assert.False(t, ok, "something else is wrong")
}

// Of a flash that is under the power is raised first, as far as it goes.
func TestMorePower(t *testing.T) {
	r := judge(t, of(shot.Drop), "flash.guide", "28 m", "flash.power", "1/16", "flash.distance", "4 m")
	s := r.step(t, "key")
	require.Equal(t, Change, s.Verdict, s.Says)
	assert.Contains(t, s.Next, "Full power gives 4 stops of it")
	for _, fix := range s.Fixes {
		assert.NotEqual(t, "flash.power", fix.Field)
		assert.Equal(t, Works, judge(t, r.Set, fix.Field, fix.Value).step(t, "key").Verdict, "%v", fix)
	}
	r = judge(t, r.Set, "flash.distance", "1 m")
	s = r.step(t, "key")
	require.Equal(t, []shot.Fix{{Field: "flash.power", Value: "1/8"}}, s.Fixes, s.Says)
	assert.Equal(t, Works, judge(t, r.Set, "flash.power", "1/8").step(t, "key").Verdict)
}

// Two different flashes: their light adds, the longer one decides the blur, and what is said names it.
func TestUnlikeFlashes(t *testing.T) {
	one := judge(t, of(shot.Throw), "flash.guide", "20 m", "flash.power", "1/16", "flash.figures", "1/16 1/9000 s",
		"flash.measured", "t0.1")
	two := judge(t, one.Set, "flash.others", "20 m, 1/16, 50 cm, 1/500 s")
	assert.InDelta(t, 1, float64(two.Light.Key-one.Light.Key), 1e-9, "twice the light")
	assert.InEpsilon(t, float64(one.Blur.Subject)*9000/500, float64(two.Blur.Subject), 1e-6)
	s := judge(t, two.Set, "camera.print", "50 cm").step(t, "freeze")
	assert.Equal(t, Change, s.Verdict)
	assert.Contains(t, s.Next, "Set flash 2 to a power at which it is as short as")
	assert.Empty(t, s.Fixes, "no power of the first helps")
	s = judge(t, two.Set, "flash.others", "20 m, 1/16, 50 cm").step(t, "freeze")
	assert.Equal(t, Unknown, s.Verdict)
	assert.Contains(t, s.Says, "How long each flash lasts")
	far := judge(t, two.Set, "flash.distance", "4 m", "flash.others", "20 m, 1/16, 4 m, 1/9000 s").step(t, "key")
	assert.Equal(t, Change, far.Verdict)
	assert.Contains(t, far.Next, "power of each flash")
	assert.NotContains(t, far.Next, "units alike")
}

// A flash that is lit for long counts by its light: with half of it for the blur, five stops below not at all, and in
// between as a ghost. The stops are those of its guide number: half of it is two stops.
func TestWeakFlashLeavesAGhost(t *testing.T) {
	of := func(others string) (Report, Step) {
		r := judge(t, of(shot.Throw), "flash.guide", "20 m", "flash.power", "1/16", "flash.figures", "1/16 1/9000 s",
			"flash.measured", "t0.1", "camera.print", "5 cm", "flash.others", others)
		return r, r.step(t, "freeze")
	}
	r, s := of("20 m, 1/16, 50 cm, 1/100 s")
	assert.Equal(t, Change, s.Verdict, s.Says)
	assert.Empty(t, r.Light.Ghosts)
	long := r.Blur
	r, s = of("5 m, 1/16, 50 cm, 1/100 s") // four stops below the first
	assert.Equal(t, Caution, s.Verdict, s.Says)
	assert.Contains(t, s.Says, "Flash 2 lasts 1/100 s")
	assert.Contains(t, s.Says, "a ghost 4.1 stops fainter than the picture")
	assert.Contains(t, s.Next, "Lower flash 2 by 1 stop")
	assert.InEpsilon(t, float64(long.Subject)*100/9000, float64(r.Blur.Subject), 1e-6, "the first one's")
	_, s = of("5 m, 1/32, 50 cm, 1/100 s")
	assert.Equal(t, Works, s.Verdict, s.Says)
	assert.Contains(t, s.Says, "a ghost 5 stops fainter than the picture")
	_, s = of("5 m, 1/16, 50 cm")
	assert.Equal(t, Caution, s.Verdict, s.Says)
	assert.Contains(t, s.Says, "How long flash 2 lasts has not been typed: it may leave a ghost")
	_, s = of("5 m, 1/16, 50 cm, 1/8000 s")
	assert.NotContains(t, s.Says, "ghost", "what the print does not show")
}

// Each flash that is too long is named, the first with the power that makes it short enough.
func TestEachFlashThatIsTooLong(t *testing.T) {
	r := judge(t, of(shot.Throw), "flash.guide", "20 m", "flash.power", "1/4", "flash.figures",
		"1/4 1/500 s, 1/16 1/4000 s, 1/64 1/9000 s", "flash.measured", "t0.1", "camera.print", "2 cm", "flash.others",
		"20 m, 1/16, 50 cm, 1/1000 s")
	s := r.step(t, "freeze")
	assert.Equal(t, Change, s.Verdict)
	assert.Contains(t, s.Next, "the first flash is short enough")
	assert.Contains(t, s.Next, "Set flash 2 to a power")
	alone := judge(t, r.Set, "flash.others", "20 m, 1/16, 50 cm, 1/9000 s").step(t, "freeze")
	require.NotEmpty(t, alone.Fixes, "%s", alone.Next)
	assert.Equal(t, Works, judge(t, r.Set, "flash.others", "20 m, 1/16, 50 cm, 1/9000 s", "flash.power",
		alone.Fixes[0].Value).step(t, "freeze").Verdict)
}

// The last step says that all is ready only if it is, and names what is not.
func TestLastStepNamesWhatIsLeft(t *testing.T) {
	usual := judge(t, Practice(of(shot.Drop))).step(t, "away")
	assert.Equal(t, "Then light, focus and framing are ready, if 5 (Focus on a stand-in, and lock it) is done.",
		usual.Says)
	says := judge(t, Practice(of(shot.Drop)), "background.seen", "100 %", "room.by", "unknown").step(t, "away").Says
	assert.Equal(t, "Earlier steps are not finished. To change: 2 (Background). "+
		"Not known yet: 1 (Darken, and test black). To be done: 5 (Focus on a stand-in, and lock it).", says)
}

// The last step asks for what is ticked, and not for verdicts alone.
func TestLastStepAsksForTicks(t *testing.T) {
	steps := judge(t, Practice(of(shot.Drop))).Steps[:6]
	for _, c := range []struct {
		ticked  map[string]bool
		verdict Verdict
		says    string
	}{
		{map[string]bool{}, Unknown, "Earlier steps are not finished. Not ticked yet: 5 (Focus on a stand-in, and lock it)."},
		{map[string]bool{"away": true}, Unknown,
			"Earlier steps are not finished. Not ticked yet: 5 (Focus on a stand-in, and lock it)."},
		{map[string]bool{"focus": true}, Works, "Then light, focus and framing are ready."},
		{map[string]bool{"focus": true, "away": true}, Works, "Light, focus and framing are ready."},
	} {
		s := Away(steps, c.ticked)
		assert.Equal(t, c.verdict, s.Verdict, "%v", c.ticked)
		assert.Equal(t, c.says, s.Says, "%v", c.ticked)
	}
	bad := judge(t, Practice(of(shot.Drop)), "background.seen", "100 %").Steps[:6]
	assert.Equal(t, Unknown, Away(bad, map[string]bool{"focus": true, "away": true}).Verdict, "a tick mends nothing")
}

// One share of the shots is said in the same words in the steps and in the drawings.
func TestInShots(t *testing.T) {
	for p, words := range map[float64]string{1: "nearly all shots", 0.98: "more than 9 of 10 shots", 0.94: "9 of 10 shots",
		0.55: "6 of 10 shots", 0.03: "less than 1 of 10 shots", 0: "less than 1 of 10 shots"} {
		assert.Equal(t, words, InShots(p), "%v", p)
	}
}
