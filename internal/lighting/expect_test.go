package lighting

import (
	"fmt"
	"regexp"
	"strconv"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/shot"
)

// number is the first number that a pattern finds in what a step says.
func number(t *testing.T, pattern, text string) float64 {
	t.Helper()
	found := regexp.MustCompile(pattern).FindStringSubmatch(text)
	require.NotNil(t, found, "%q has no %q", text, pattern)
	x, err := strconv.ParseFloat(found[1], 64)
	require.NoError(t, err)
	return x
}

// What a step expects is what it then judges by: what is just so works, and one unit more does not.
func TestExpectIsTheVerdict(t *testing.T) {
	verdict := func(s Step) bool { return s.Verdict == Works || s.Verdict == Caution }
	for _, c := range []struct {
		kind          shot.Kind
		step, field   string
		pattern, unit string
		worse         float64
		puts          []string
	}{
		{shot.Drop, "dark", "room.frame_seen", `to the right of (\d+) %`, " %", 1, nil},
		{shot.Throw, "dark", "room.frame_seen", `to the right of (\d+) %`, " %", 1, []string{"room.frame_open", "1/60"}},
		{shot.Drop, "dark", "room.frame_seen", `to the right of (\d+) %`, " %", 1,
			[]string{"room.margin", "3", "camera.shutter", `2"`, "room.frame_open", `2"`}},
		{shot.Drop, "dark", "room.ev", `EV (-?[\d.]+) or less`, " EV", 0.1, []string{"room.by", "meter"}},
		{shot.Drop, "dark", "room.ev", `EV (-?[\d.]+) or less`, " EV", 0.1,
			[]string{"room.by", "meter", "camera.iso", "1600", "camera.aperture", "f/5.6", "flash.reading", "f/5.6"}},
		{shot.Drop, "background", "background.seen", `white: (\d+) %`, " %", 0, nil},
		{shot.Drop, "background", "background.seen", `to (\d+) % of the way`, " %", 1, nil},
		{shot.Drop, "key", "flash.seen", `card from (\d+) %`, " %", -1, []string{"flash.reading", "none"}},
		{shot.Drop, "key", "flash.reading", `meter at f/([\d.]+)`, "", 0, nil},
		{shot.Drop, "key", "flash.reading", `meter at f/[\d.]+ to f/([\d.]+)`, "", 2, nil},
		{shot.Throw, "freeze", "flash.smear", `no more than (\d+) pixels`, "", 1, nil},
		{shot.Drop, "freeze", "flash.smear", `no more than (\d+) pixels`, "", 1, nil},
		{shot.Throw, "freeze", "flash.smear", `limit of [^,]+, ([\d.]+) pixels`, "", 1,
			[]string{"camera.max_blur", "2 mm", "flash.figures", "1/16 1/4000 s"}},
	} {
		set := judge(t, Practice(of(c.kind)), c.puts...).Set
		limit := number(t, c.pattern, judge(t, set).step(t, c.step).Expect)
		if c.field == "flash.smear" {
			limit = float64(int(limit))
		}
		at := func(x float64) Step {
			return judge(t, set, c.field, fmt.Sprintf("%g%s", x, c.unit)).step(t, c.step)
		}
		s := at(limit)
		assert.True(t, verdict(s), "%s at %g%s: %s", c.step, limit, c.unit, s.Says)
		if c.worse != 0 {
			s = at(limit + c.worse)
			assert.Equal(t, Change, s.Verdict, "%s at %g%s: %s", c.step, limit+c.worse, c.unit, s.Says)
		}
	}
}

// A frame that was open too briefly is black in any room: it is asked for again, for a time that is long enough.
func TestBlackTooBriefly(t *testing.T) {
	set := judge(t, Practice(of(shot.Drop)), "camera.shutter", `2"`).Set // the frame is of 1/125 s
	s := judge(t, set).step(t, "dark")
	assert.Equal(t, Change, s.Verdict)
	assert.Contains(t, s.Expect, "too short to tell")
	assert.Contains(t, s.Says, "The frame is black, but it was open so briefly that the room may be 0.7 stops above")
	long := regexp.MustCompile(`Take it again, open for (\S+) s or longer`).FindStringSubmatch(s.Next)
	require.NotNil(t, long, s.Next)
	again := judge(t, set, "room.frame_open", long[1]).step(t, "dark")
	assert.Equal(t, Works, again.Verdict, again.Says)
	assert.NotContains(t, again.Expect, "too short")
	wrong := judge(t, set, "flash.reading", "f/1", "flash.power", "full", "flash.distance", "20 m").step(t, "dark")
	assert.Contains(t, wrong.Do, "for 30 s", "and no longer")
	assert.Contains(t, wrong.Next, "Set the flash first")
	burnt := judge(t, Practice(of(shot.Drop)), "room.frame_open", `30"`, "room.frame_seen", "100 %").step(t, "dark")
	assert.Equal(t, Unknown, burnt.Verdict, "nobody knows how bright it is")
	burnt = judge(t, Practice(of(shot.Drop)), "room.frame_seen", "100 %", "camera.shutter", `30"`).step(t, "dark")
	assert.Equal(t, Change, burnt.Verdict)
	assert.Contains(t, burnt.Says, "burnt out")
	assert.Contains(t, burnt.Next, "shorter time")
	assert.NotRegexp(t, `\d`, burnt.Says+burnt.Next, "no numbers of what nobody knows")
	assert.Empty(t, burnt.Fixes)
	above := judge(t, Practice(of(shot.Drop)), "camera.shutter", `30"`, "room.frame_seen", "50 %").step(t, "dark")
	assert.Contains(t, above.Says, "above the flash")
}

// Of liquid that turns, what is to be sharp and what is not is named, in what to look at, to expect and to hear.
func TestWhatIsToBeSharpIsNamed(t *testing.T) {
	s := judge(t, of(shot.Drop), "flash.duration", "3 ms").step(t, "freeze")
	require.Equal(t, Works, s.Verdict, s.Says)
	assert.Contains(t, s.Do, "not at the droplets around it")
	may := number(t, `may have more: (\d+) pixels`, s.Expect)
	assert.Equal(t, may, number(t, `smear by (\d+) pixels`, s.Says))
	assert.Greater(t, may, number(t, `no more than (\d+) pixels`, s.Expect))
	flies := judge(t, Practice(of(shot.Throw))).step(t, "freeze")
	assert.Contains(t, flies.Do, "the liquid's fastest edge")
	assert.NotContains(t, flies.Expect, "droplets")
}

// The limit that was asked for counts of a blur that was seen, too, and the plan's refusal is the step's.
func TestLimitCountsOfWhatWasSeen(t *testing.T) {
	set := judge(t, Practice(of(shot.Throw)), "camera.max_blur", "1 mm", "flash.smear", "3").Set
	s := judge(t, set).step(t, "freeze")
	assert.Equal(t, Change, s.Verdict, "the plan is refused: %s", s.Says)
	assert.Contains(t, s.Says, "you asked for 1.00 mm")
	s = judge(t, set, "flash.figures", "1/16 1/8000 s", "flash.smear", "8").step(t, "freeze")
	assert.Equal(t, Change, s.Verdict, s.Says)
	assert.Contains(t, s.Says, "You asked for no more than 1.00 mm")
}

// One reference for right, under and over: where white is just white. A meter's mark is a third of a stop.
func TestKeyHasOneReference(t *testing.T) {
	for reading, says := range map[string]string{"f/16": "0.1 stops under", "f/11": "1.1 stops under",
		"f/18": "0.2 stops over", "f/22": "0.9 stops over"} {
		s := judge(t, Practice(of(shot.Drop)), "flash.reading", reading, "camera.field_seen", "90 cm").step(t, "key")
		assert.Contains(t, s.Says, "hite is "+says)
		assert.Contains(t, s.Says, "Right is 1 stop under to 0.3 stops over.", reading)
	}
}

// Ways that contradict each other by more than honest ones can: both are named with how to measure them again, and
// either can be taken back.
func TestContradiction(t *testing.T) {
	usual := Practice(of(shot.Drop))
	for _, c := range []struct {
		step, says, next string
		puts             []string
	}{
		{"key", "by the white card white is 0.2 stops under, by the flash meter 6.1 stops under",
			"the white card, flat towards the lens, lit by the flash alone; and the flash meter, at the focus spot",
			[]string{"flash.seen", "95 %", "flash.reading", "f/2"}},
		{"key", "by the flash meter white is 0.1 stops under, by the guide number 7.9 stops over",
			"the guide number, in metres", []string{"flash.guide", "256 m"}}, // f/256 by hand, 8 stops over f/16, f/16.6 so near
		{"background", "by the histogram white is 0.7 stops under, by the flash meter 4.7 stops over",
			"with what the background reflects", []string{"background.reading", "f/90"}},
	} {
		r := judge(t, usual, append([]string{"camera.field_seen", "90 cm"}, c.puts...)...)
		s := r.step(t, c.step)
		assert.Equal(t, Change, s.Verdict, s.Says)
		assert.Contains(t, s.Says, "Two readings contradict each other: "+c.says)
		assert.Contains(t, s.Next, c.next)
		require.Len(t, s.Fixes, 2)
		for _, fix := range s.Fixes {
			assert.NotContains(t, judge(t, r.Set, fix.Field, fix.Value).step(t, c.step).Says, "contradict")
		}
	}
	near := judge(t, usual, "flash.seen", "95 %", "flash.reading", "f/7.1").step(t, "key")
	assert.Equal(t, Caution, near.Verdict, "two stops: %s", near.Says)
}

// A ruler that is off by more than any lens shrinks its focal length is misread.
func TestRulerBeyondAnyLens(t *testing.T) {
	for seen, verdict := range map[string]Verdict{"14 cm": Works, "20 cm": Caution, "40 cm": Change} {
		s := judge(t, Practice(of(shot.Drop)), "camera.field_seen", seen).step(t, "framing")
		assert.Equal(t, verdict, s.Verdict, "%s: %s", seen, s.Says)
	}
}

// The blur that was seen and how long the light lasts are two witnesses: neither is left out when they contradict.
func TestSeenBlurAgainstDurations(t *testing.T) {
	set := judge(t, Practice(of(shot.Throw)), "flash.figures", "1/16 1/300 s").Set
	s := judge(t, set, "flash.smear", "5").step(t, "freeze")
	assert.Equal(t, Caution, s.Verdict, s.Says)
	assert.Contains(t, s.Says, "From the flash duration it should be")
	assert.Contains(t, s.Next, "correct the durations or the blur seen")
	s = judge(t, Practice(of(shot.Throw)), "flash.smear", "9").step(t, "freeze")
	assert.Equal(t, Works, s.Verdict)
	assert.NotContains(t, s.Says, "it should be")
}

// Droplets that can reach the lens are a caution with a distance, by the closed form of a throw at 45 degrees without
// air: v²/g, with half of the drop's speed. A lens that is farther away hears nothing of it.
func TestDropletsReachTheLens(t *testing.T) {
	set := judge(t, Practice(of(shot.Drop)), "drop.height", "1.5 m").Set
	r := judge(t, set)
	v := float64(r.Subject.Fastest)
	reach := v * v / 4 / 9.80665
	require.Greater(t, reach, 0.5, "of a drop from 1.5 m")
	s := r.step(t, "framing")
	assert.Equal(t, Caution, s.Verdict, s.Says)
	assert.Contains(t, s.Next, "Droplets can reach the lens, which is")
	assert.InDelta(t, reach, number(t, `longer lens from ([\d.]+) cm`, s.Next)/100, 0.01)
	away := judge(t, set, "camera.field_seen", "0 m", "camera.focal", "200 mm", "camera.distance", "1 m")
	assert.NotContains(t, away.step(t, "framing").Next, "Droplets")
	thrown := judge(t, Practice(of(shot.Throw)), "camera.field_seen", "0 m", "camera.focal", "10 mm", "camera.nearest",
		"2 cm", "camera.distance", "3 cm")
	assert.Contains(t, thrown.step(t, "framing").Next, "Droplets can reach the lens")
}
