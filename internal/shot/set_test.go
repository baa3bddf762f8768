package shot

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/phys"
	"stillwater/internal/splash"
)

func TestDefaultSetIsPossible(t *testing.T) {
	for _, k := range Kinds() {
		s := DefaultSet()
		s.Kind = k
		assert.NoError(t, s.Validate(), k)
	}
}

func TestPutReadsWhatItNames(t *testing.T) {
	s := DefaultSet()
	for _, c := range []struct {
		field, value string
		got          func() any
		want         any
	}{
		{"kind", "throw", func() any { return s.Kind }, Throw},
		{"drop.height", " 40 cm ", func() any { return s.Drop.Height }, phys.Length(0.4)},
		{"drop.phase", "contact", func() any { return s.Drop.Phase }, splash.Contact},
		{"drop.nth", "3", func() any { return s.Drop.Nth }, 3},
		{"throw.angle", "-70deg", func() any { return s.Throw.Angle }, -70 * degree},
		{"throw.speed_low", "2.5 m/s", func() any { return s.Throw.SpeedLow }, phys.Speed(2.5)},
		{"sound.temperature", "-3 °C", func() any { return s.Sound.Temperature }, phys.Temperature(-3)},
		{"light.open_for", "1.5 s", func() any { return s.Light.OpenFor }, phys.Time(1.5)},
		{"light.shutter", "hand", func() any { return s.Light.Shutter }, ByHand},
		{"trim.drop", "-4 ms", func() any { return s.Trim.Drop }, -4 * ms},
		{"trim.throw", "5 ms", func() any { return s.Trim.Throw }, 5 * ms},
		{"trim.sound", "6 ms", func() any { return s.Trim.Sound }, 6 * ms},
	} {
		require.NoError(t, s.Put(c.field, c.value), c.field)
		assert.Equal(t, c.want, c.got(), c.field)
	}
}

// The accepted form or range must be in the message: it is all that a person at a phone sees.
func TestPutRefusesByName(t *testing.T) {
	for _, c := range []struct{ field, value, says string }{
		{"drop.height", "40", "unit"},
		{"drop.height", "-40 cm", "1 cm to 5 m"},
		{"drop.height", "forty cm", "number"},
		{"drop.height", "", "empty"},
		{"drop.hight", "40 cm", "drop.height"},
		{"drop", "40 cm", "drop.height"},
		{"", "40 cm", "drop.height"},
		{"drop.nth", "0", "1 to 255"},
		{"drop.nth", "1.5", "whole number"},
		{"drop.phase", "splat", "column-highest"},
		{"drop.liquid", "mercury", "water"},
		{"kind", "rain", "drop, throw, sound, drops"},
		{"throw.angle", "71°", "70°"},
		{"throw.gate", "0 cm", "5 mm"},
		{"throw.speed_high", "90 km/h", "20 m/s"},
		{"sound.distance", "0 m", "1 cm"},
		{"light.expose", "daylight", "flash-in-dark, lag-led"},
		{"light.lag", "-1 ms", "0 s"},
		{"trim.drop", "1 min", "2 s"},
	} {
		t.Run(c.field+"="+c.value, func(t *testing.T) {
			s := DefaultSet()
			err := s.Put(c.field, c.value)
			f := new(FieldError)
			require.ErrorAs(t, err, &f)
			assert.Equal(t, c.field, f.Field)
			assert.Contains(t, err.Error(), c.says)
			assert.NotEmpty(t, f.Why)
			assert.NotEmpty(t, f.Remedy)
			assert.Equal(t, DefaultSet(), s, "unchanged")
		})
	}
}

// Fields reach every value of a Set: what JSON shows, Put sets, and both agree on the text.
func TestFieldsAreThoseOfTheJSON(t *testing.T) {
	raw, err := json.Marshal(DefaultSet())
	require.NoError(t, err)
	var tree map[string]any
	require.NoError(t, json.Unmarshal(raw, &tree))
	leaves := map[string]string{}
	var walk func(prefix string, v any)
	walk = func(prefix string, v any) {
		if m, ok := v.(map[string]any); ok {
			for k, v := range m {
				walk(strings.TrimPrefix(prefix+"."+k, "."), v)
			}
			return
		}
		leaves[prefix] = fmt.Sprint(v)
	}
	walk("", tree)

	empty := Set{}
	var names []string
	for _, f := range empty.fields() {
		names = append(names, f.name)
		require.Contains(t, leaves, f.name)
		require.NoError(t, empty.Put(f.name, leaves[f.name]), f.name)
	}
	assert.Len(t, names, len(leaves))
	back, err := json.Marshal(empty)
	require.NoError(t, err)
	assert.JSONEq(t, string(raw), string(back))
}

func TestValidateSaysWhichFieldIsImpossible(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(*Set)
		field  string
	}{
		{"beam at the surface", func(s *Set) { s.Drop.Beam = s.Drop.Height }, "drop.beam"},
		{"beam below the surface", func(s *Set) { s.Drop.Beam = 0.5 }, "drop.beam"},
		{"beam in the hanging drop", func(s *Set) { s.Drop.Beam = 2 * mm }, "drop.beam"},
		{"negative height", func(s *Set) { s.Drop.Height = -0.4 }, "drop.height"},
		{"no number", func(s *Set) { s.Drop.Height = phys.Length(math.NaN()) }, "drop.height"},
		{"infinite", func(s *Set) { s.Light.Lag = phys.Time(math.Inf(1)) }, "light.lag"},
		{"no kind", func(s *Set) { s.Kind = "" }, "kind"},
		{"straight up", func(s *Set) { s.Throw.Angle = 90 * degree }, "throw.angle"},
		{"slow is fast", func(s *Set) { s.Kind = Throw; s.Throw.SpeedLow = s.Throw.SpeedHigh }, "throw.speed_low"},
		{"no drop is that big", func(s *Set) { s.Drop.Diameter = 2 * cm }, "drop.diameter"},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := DefaultSet()
			c.change(&s)
			f := new(FieldError)
			require.ErrorAs(t, s.Validate(), &f)
			assert.Equal(t, c.field, f.Field)
			_, _, err := Compile(s, testBench())
			assert.ErrorAs(t, err, &f, "Compile refuses it too")
			_, err = s.Estimate()
			assert.ErrorAs(t, err, &f, "Estimate refuses it too")
		})
	}
}

func TestValidateNamesAllThatIsWrong(t *testing.T) {
	s := DefaultSet()
	s.Drop.Height, s.Light.Recycle = -1, -1
	err := s.Validate()
	require.Error(t, err)
	assert.Contains(t, err.Error(), "drop.height")
	assert.Contains(t, err.Error(), "light.recycle")
}

// A set made of accepted values is either compiled or refused in words; nothing panics, nothing is NaN.
func TestAnyAcceptedValueIsHandled(t *testing.T) {
	r := seeded(t)
	values := strings.Split("0 s,1 ms,1 s,-1 s,0.1 m/s,1 m/s,20 m/s,1 mm,5 mm,1 cm,10 cm,1 m,5 m,-70°,0°,45°,70°,"+
		"20 °C,-20 °C,1,255,drop,throw,sound,contact,column-gone,crown-highest,lag-led,flash-in-dark,go,hand,edge,milk", ",")
	compiled := 0
	for range 500 {
		s := DefaultSet()
		names := s.names()
		for range 60 {
			_ = s.Put(names[r.IntN(len(names))], values[r.IntN(len(values))])
		}
		p, tl, err := Compile(s, testBench())
		if err != nil {
			assert.NotEmpty(t, err.Error())
			continue
		}
		compiled++
		for i := 1; i < len(p.Table); i++ {
			assert.Greater(t, p.Table[i].Interval, p.Table[i-1].Interval, "%+v", s)
		}
		assert.LessOrEqual(t, tl.Low, tl.High, "%+v", s)
		e, err := s.Estimate()
		require.NoError(t, err)
		b, err := Errors(s, e, DefaultSpread(), testBench().Tick)
		require.NoError(t, err, "%+v", s)
		for _, x := range append(b.Terms, b.Total, b.Repeat) {
			assert.True(t, x.Mistiming >= 0 && x.Displaced >= 0 && !math.IsInf(float64(x.Displaced), 0), "%+v in %+v", x, s)
		}
		_, err = Advice(s, e, DefaultSpread(), testBench().Tick)
		require.NoError(t, err, "%+v", s)
	}
	t.Logf("%d of 500 compiled", compiled)
	assert.Greater(t, compiled, 30)
}

func FuzzPut(f *testing.F) {
	f.Add("drop.height", "40 cm")
	f.Add("kind", "throw")
	f.Add("drop.nth", "9")
	f.Add("trim.drop", "-1/125 s")
	f.Add("drops.weighed", "20 drops 1.1 g at 24 ms; 20 drops 1.4 g at 30 ms")
	f.Add("drops.discharge", "0.6")
	f.Add("drops.second.gap", "120 ms")
	f.Add("", "")
	f.Fuzz(func(t *testing.T, field, value string) {
		s := DefaultSet()
		if err := s.Put(field, value); err != nil {
			assert.Equal(t, DefaultSet(), s)
			return
		}
		for _, x := range s.fields() {
			assert.Empty(t, x.check(), x.name)
		}
	})
}

// seeded is a source of random sets whose seed a failing test shows.
func seeded(t *testing.T) *rand.Rand {
	t.Helper()
	const seed = 20260117
	t.Logf("seed %d", seed)
	return rand.New(rand.NewPCG(seed, 1))
}

func TestEachKindHasItsOwnTrim(t *testing.T) {
	s := DefaultSet()
	before := map[Kind]time.Duration{}
	for _, k := range Kinds() {
		s.Kind = k
		p, _, err := Compile(s, testBench())
		require.NoError(t, err)
		before[k] = p.Table[0].Delay
	}
	require.NoError(t, s.Put("trim.throw", "7 ms"))
	for _, k := range Kinds() {
		s.Kind = k
		p, _, err := Compile(s, testBench())
		require.NoError(t, err)
		want := before[k]
		if k == Throw { // the fastest gets its share of the middle throw's 7 ms
			middle, err := s.Throw.middleDelay()
			require.NoError(t, err)
			want = time.Duration(float64(want) * (1 + 7e-3/float64(middle)))
			assert.Less(t, want, before[k]+7*time.Millisecond)
		}
		assert.InDelta(t, want, p.Table[0].Delay, 2, k)
	}
}

// What Values says, Put reads back.
func TestValues(t *testing.T) {
	var set Set
	for _, v := range DefaultSet().Values() {
		require.NoError(t, set.Put(v.Field, v.Text))
	}
	assert.Equal(t, DefaultSet(), set)
}

func TestCompareFields(t *testing.T) {
	text, err := json.Marshal(DefaultSet())
	require.NoError(t, err)
	unknown, missing, err := CompareFields(string(text))
	require.NoError(t, err)
	assert.Empty(t, unknown)
	assert.Empty(t, missing)
	changed := strings.Replace(string(text), `"nth":1`, `"colour":"red"`, 1)
	unknown, missing, err = CompareFields(changed)
	require.NoError(t, err)
	assert.Equal(t, []string{"drop.colour"}, unknown)
	assert.Equal(t, []string{"drop.nth"}, missing)
	for _, text := range []string{"", "odd", "[]", "null", `{"size":1}`} {
		_, _, err := CompareFields(text)
		assert.Error(t, err, text)
	}
}

func TestThrowSpeed(t *testing.T) {
	set := DefaultSet()
	_, known := set.ThrowSpeed(25e-3)
	assert.False(t, known, "a drop has no gate")
	set.Kind = Throw
	e, err := set.EstimateAt(25e-3)
	require.NoError(t, err)
	v, known := set.ThrowSpeed(25e-3)
	assert.True(t, known)
	assert.Equal(t, e.Speed, v)
	_, known = set.ThrowSpeed(0)
	assert.False(t, known)
}

// The pool has a liquid of its own, by default the drop's. A set from before that has the drop's too, as it had then.
func TestPoolLiquidOfASet(t *testing.T) {
	moment := func(s Set) phys.Time {
		e, err := s.Estimate()
		require.NoError(t, err)
		return e.Delay
	}
	before, err := ParseSet(`{"kind":"drop","drop":{"liquid":"milk"}}`)
	require.NoError(t, err)
	assert.Equal(t, SameLiquid, before.Drop.PoolLiquid)
	milk := before
	milk.Drop.PoolLiquid = "milk"
	assert.Equal(t, moment(milk), moment(before))

	water := before
	require.NoError(t, water.Put("drop.pool_liquid", "water"))
	assert.Less(t, moment(water), moment(before), "more surface tension closes the crater sooner")
	d, err := water.DropDiameter()
	require.NoError(t, err)
	same, err := before.DropDiameter()
	require.NoError(t, err)
	assert.Equal(t, same, d, "the drop is milk in both")

	refused := new(FieldError)
	require.ErrorAs(t, water.Put("drop.pool_liquid", "mercury"), &refused)
	assert.Contains(t, refused.Remedy, "same, water, milk")
	text, err := json.Marshal(water)
	require.NoError(t, err)
	again, err := ParseSet(string(text))
	require.NoError(t, err)
	assert.Equal(t, water, again)
}

// A set that was stored before fields were added is whole, and means what the defaults say.
func TestOlderSets(t *testing.T) {
	var older map[string]any
	text, err := json.Marshal(DefaultSet())
	require.NoError(t, err)
	require.NoError(t, json.Unmarshal(text, &older))
	for _, group := range []string{"drops", "camera", "flash", "room", "background"} {
		delete(older, group)
	}
	for group, names := range map[string][]string{"drop": {"pool_liquid"}, "throw": {"thickness", "edge"},
		"trim": {"drops"}} {
		for _, name := range names {
			require.Contains(t, older[group], name)
			delete(older[group].(map[string]any), name)
		}
	}
	text, err = json.Marshal(older)
	require.NoError(t, err)
	unknown, missing, err := CompareFields(string(text))
	require.NoError(t, err)
	assert.Empty(t, unknown)
	assert.Empty(t, missing)
	set, err := ParseSet(string(text))
	require.NoError(t, err)
	assert.Equal(t, DefaultSet(), set)
}

// A name that is none is answered with those most like it, however many there are.
func TestNearestFields(t *testing.T) {
	for name, like := range map[string]string{
		"camera.apperture": "camera.aperture", "aperture": "camera.aperture", "iso": "camera.iso",
		"camera.guide": "flash.guide",
		"drop.fluid":   "drop.liquid", "flash": "flash.guide", "Kind": "kind", strings.Repeat("x", 5000): "",
	} {
		err := new(FieldError)
		s := DefaultSet()
		require.ErrorAs(t, s.Put(name, "1"), &err)
		assert.Contains(t, err.Remedy, like)
		assert.Less(t, len(err.Remedy), 120)
	}
}
