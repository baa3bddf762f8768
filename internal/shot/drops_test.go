package shot

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/phys"
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
		{"one drop meets nothing", func(d *DropsSet) { d.Count = 1 }, "drops.count", "use 2, or want a phase"},
		{"collision above the tip", func(d *DropsSet) { d.Meet = 40 * cm }, "drops.meet", "use less than 40 cm"},
		{"gap within the opening", func(d *DropsSet) { d.Second.Gap = 0.026 }, "drops.second.gap", "use more than 26 ms"},
		{"no gap to a third", func(d *DropsSet) { d.Count, d.Third.Gap = 3, 0 }, "drops.third.gap", "like 120 ms"},
		{"no gap without a collision", func(d *DropsSet) { d.Want = WantPhase }, "drops.second.gap", "like 120 ms"},
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
