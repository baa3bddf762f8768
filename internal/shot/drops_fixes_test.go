package shot

import (
	"errors"
	"maps"
	"slices"
	"testing"
	"time"

	"stillwater/internal/phys"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Sets that a person may come to, with one to four things changed at random: whatever is refused says what to change,
// and each change that it gives makes the whole plan work, on the bench and off it.
func TestFixesOfRandomDrops(t *testing.T) {
	openings := []string{"5 ms", "12 ms", "18 ms", "30 ms", "45 ms", "60 ms", "150 ms"}
	values := map[string][]string{
		"drops.count": {"1", "3"}, "drops.want": {"phase"}, "drops.from": {"valve"}, "drops.column": {"sinking"},
		"drops.first.open": openings, "drops.second.open": openings, "drops.third.open": openings,
		"drops.second.gap": {"30 ms", "60 ms", "90 ms", "150 ms", "400 ms"}, "drops.third.gap": {"30 ms", "90 ms", "400 ms"},
		"drops.height": {"5 cm", "8 cm", "20 cm", "80 cm", "1.5 m"}, "drops.beam": {"5 mm", "3 cm", "18 cm", "38 cm"},
		"drops.tip": {"2 mm", "5 mm", "8 mm"}, "drops.bore": {"0.1 mm", "0.5 mm", "1 mm", "3 mm"},
		"drops.head": {"1 cm", "5 cm", "60 cm", "3 m"}, "drops.opens": {"0 ms", "50 ms"}, "drops.closes": {"20 ms", "100 ms"},
		"drops.liquid": {"milk", "soapy-water"}, "drops.meet": {"2 mm", "20 mm", "5 cm"},
		"drops.phase": {"contact", "crown-highest", "column-gone"}, "drops.column_height": {"1 cm", "3 cm", "8 cm"},
		"drops.column_time": {"20 ms", "130 ms"}, "drops.gap_trim": {"-50 ms", "30 ms", "100 ms"},
		"trim.drops": {"-300 ms", "30 ms", "300 ms"}, "light.shutter": {"go", "hand"},
		"drops.weighed": {"20 drops 1.1 g at 24 ms", "20 drops 0.3 g at 10 ms; 20 drops 0.6 g at 20 ms"},
	}
	r, refused, without := seeded(t), 0, 0
	for range 300 {
		s, fields := dropsSet(), slices.Sorted(maps.Keys(values))
		for range 1 + r.IntN(4) {
			field := fields[r.IntN(len(fields))]
			require.NoError(t, s.Put(field, values[field][r.IntN(len(values[field]))]))
		}
		if r.IntN(3) == 0 {
			s.Drops.Second.Open = s.Drops.First.Open
		}
		_, _, err := Compile(s, testBench())
		no := new(Refusal)
		if err == nil || !errors.As(err, &no) {
			continue
		}
		refused++
		assert.NotContains(t, no.Remedy, "no single change")
		if len(no.Fixes) == 0 {
			without++
		}
		for _, fix := range no.Fixes {
			changed := s
			require.NoError(t, fix.Put(&changed))
			_, _, err := Compile(changed, testBench())
			assert.NoError(t, err, "%+v of %v", fix, no)
			_, err = changed.Estimate()
			assert.NoError(t, err, "%+v of %v", fix, no)
		}
	}
	t.Logf("%d of 300 refused, %d of them without a change that is enough", refused, without)
	assert.Less(t, without, refused/10)
}

// What is wrong with a tip is said, whatever it is.
func TestTipError(t *testing.T) {
	d := dropsSet().Drops
	assert.NoError(t, d.tipError(nil))
	for err, why := range map[error]string{
		errors.New("it leaks"): "it leaks",
		&phys.DomainError{Field: "nozzle", Value: "9 mm", Why: "must be from 1 to 8 mm"}: "not known",
	} {
		field := new(FieldError)
		require.ErrorAs(t, d.tipError(err), &field)
		assert.Equal(t, "drops.tip", field.Field)
		assert.Contains(t, field.Why, why)
	}
}

// Between edges that are taken for the same drop's there is less than the least gap, whichever gap that is.
func TestHoldOffOfUnequalGaps(t *testing.T) {
	for _, gaps := range [][2]phys.Time{{170 * ms, 400 * ms}, {400 * ms, 170 * ms}, {300 * ms, 300 * ms}} {
		s := dropsSet()
		s.Drops.Count, s.Drops.Want, s.Drops.Second.Gap, s.Drops.Third.Gap = 3, WantPhase, gaps[0], gaps[1]
		p, _, err := Compile(s, testBench())
		require.NoError(t, err)
		assert.Less(t, p.HoldOff, min(gaps[0], gaps[1]).Duration(), gaps)
		assert.Greater(t, p.HoldOff, p.GateMax-p.GateMin, gaps)
	}
}

// A second valve may open while the first one is open; one that cannot is helped by it.
func TestValvesMayOverlap(t *testing.T) {
	s, b := dropsSet(), testBench()
	b.Valves = append(b.Valves, Output{Index: 4, Name: "valve2", MaxOn: 500 * time.Millisecond})
	b.Valves[0].MaxOn = 500 * time.Millisecond
	s.Drops.From, s.Drops.Second.Gap = FromValve, 60*ms
	no := new(Refusal)
	_, _, err := Compile(s, b)
	require.ErrorAs(t, err, &no)
	assert.Equal(t, "drops.second.gap", no.Field)
	assert.Contains(t, no.Why, "would take it up")
	assert.Contains(t, no.Remedy, "have valve 2 let the second drop fall")
	s.Drops.Second.Valve = 2
	_, _, err = Compile(s, b)
	assert.NoError(t, err)

	s = dropsSet()
	s.Drops.First.Open, s.Drops.Second.Open, s.Drops.Discharge = 270*ms, 270*ms, 0.05
	_, _, err = Compile(s, b)
	require.ErrorAs(t, err, &no)
	require.NotEmpty(t, no.Fixes, no.Remedy)
	for _, fix := range no.Fixes {
		changed := s
		require.NoError(t, fix.Put(&changed))
		_, _, err := Compile(changed, b)
		assert.NoError(t, err, fix)
	}
}
