package splash

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/liquids"
	"stillwater/internal/phys"
	"stillwater/internal/published"
)

// The height's factor and spread from the series that print both the greatest height's time and the column's end, in
// free fall between them.
func TestColumnHeights(t *testing.T) {
	at := map[string]float64{}
	for _, r := range published.Rows(t, "worthington_splash_series.csv") {
		if r["time_s"] != "" {
			at[r["series"]+" "+r["figure"]] = r.Number(t, "time_s")
		}
	}
	drops := map[string]published.Row{}
	for _, r := range published.Rows(t, "splash_check_values.csv") {
		drops[r["case"]] = r
	}
	var logs []float64
	for _, s := range []struct{ series, highest, last, gone string }{
		{"W08-I", "15", "18", "19"}, {"W08-Ia", "11", "13", "14"}, {"W08-II", "14", "17", "18"},
	} {
		d, v := drops[s.series].Metres(t, "diameter_mm"), drops[s.series].Number(t, "impact_speed_m_s")
		highest, err := When(ColumnHighest, splashOf(phys.Length(d), phys.Speed(v), waterAt(20)))
		require.NoError(t, err)
		gone, err := When(ColumnGone, splashOf(phys.Length(d), phys.Speed(v), waterAt(20)))
		require.NoError(t, err)
		falls := (at[s.series+" "+s.last]+at[s.series+" "+s.gone])/2 - at[s.series+" "+s.highest]
		t.Logf("%s: falls for %.0f ms, %.0f mm", s.series, falls*1e3, phys.Gravity*falls*falls/2*1e3)
		logs = append(logs, math.Log(falls/float64(gone.Central-highest.Central)))
	}
	mean := (logs[0] + logs[1] + logs[2]) / 3
	squares := 0.
	for _, l := range logs {
		squares += (l - mean) * (l - mean)
	}
	assert.InDelta(t, fallFactor, math.Exp(mean), 0.02)
	assert.InDelta(t, heightSpread, 2*math.Sqrt(squares/2)*math.Sqrt(1+1./3), 0.02, "the height goes with the square")
}

// Worthington's own arithmetic (1908, chapter III): in the 5/100 s of the column's rise gravity takes about half an
// inch from it. A column rises by more than that, as it is slowed down by more than gravity; and it is never above its
// greatest height, at the surface at both ends, and passes each height between twice.
func TestColumnShape(t *testing.T) {
	c, err := ColumnOf(intoItsOwn(7.36e-3, 2.74, waterAt(20)))
	require.NoError(t, err)
	rise := float64(c.Highest - c.Emerges)
	assert.Greater(t, float64(c.Height), phys.Gravity*rise*rise/2)
	assert.InDelta(t, 12.7e-3, phys.Gravity*0.05*0.05/2, 0.5e-3, "half an inch")
	assert.Zero(t, c.TipAt(c.Emerges))
	assert.Zero(t, c.TipAt(c.Gone+1e-3))
	assert.InEpsilon(t, float64(c.Height), float64(c.TipAt(c.Highest)), 1e-9)
	for share := phys.Length(0.1); share < 1; share += 0.2 {
		for _, rising := range []bool{true, false} {
			at, err := c.Passes(share*c.Height, rising)
			require.NoError(t, err)
			assert.InEpsilon(t, float64(share*c.Height), float64(c.TipAt(at)), 1e-6)
			assert.Equal(t, rising, at < c.Highest)
			const h = 1e-5
			slope := float64(c.TipAt(at+h)-c.TipAt(at-h)) / (2 * h)
			assert.InEpsilon(t, slope, float64(c.SpeedAt(at)), 1e-4)
		}
	}
	high := new(NotSoHighError)
	_, err = c.Passes(c.Height*1.01, true)
	assert.ErrorAs(t, err, &high)
	none := new(NoColumnError)
	_, err = ColumnOf(intoItsOwn(3e-3, 0.6, waterAt(20)))
	assert.ErrorAs(t, err, &none)
}

// The published series' columns are within the band that is shown, whose times are those of When: of each the emergence
// and the greatest height.
func TestColumnTimesPublished(t *testing.T) {
	within, all := 0, 0
	for _, r := range readings(t) {
		if r.phase != ColumnEmerges && r.phase != ColumnHighest || r.bubble {
			continue
		}
		c, err := ColumnOf(intoItsOwn(phys.Length(r.diameter), phys.Speed(r.speed), r.liquid))
		require.NoError(t, err)
		at := c.Emerges
		if r.phase == ColumnHighest {
			at = c.Highest
		}
		all++
		if math.Abs(math.Log(math.Sqrt(r.first*r.last)/float64(at))) < 1.2816*c.TimeSpread {
			within++
		}
	}
	t.Logf("%d of %d within the band", within, all)
	assert.GreaterOrEqual(t, all, 6)
	assert.GreaterOrEqual(t, within, all*7/10)
}

// What a person measured takes the place of the estimate, and its end follows.
func TestColumnMeasured(t *testing.T) {
	c, err := ColumnOf(intoItsOwn(4.9e-3, 2.72, waterAt(20)))
	require.NoError(t, err)
	m := c.Measured(40e-3, 0.1)
	assert.EqualValues(t, 40e-3, m.Height)
	assert.Greater(t, m.Gone, c.Gone)
	slowed := func(c Column) float64 { return float64(c.Height) / math.Pow(float64(c.Highest-c.Emerges), 2) }
	assert.InEpsilon(t, slowed(c), slowed(m), 1e-9, "the forces on it are the same")
	assert.InDelta(t, 40e-3, float64(m.High)/math.Exp(0.128), 0.1e-3)
	later := c.Scaled(0.1, -0.2)
	assert.InEpsilon(t, float64(c.Emerges)*math.Exp(0.1), float64(later.Emerges), 1e-9)
	assert.InEpsilon(t, float64(c.Highest-c.Emerges)*math.Exp(0), float64(later.Highest-later.Emerges), 1e-9,
		"a tenth slower, and a fifth lower: it rises for as long")
	assert.InEpsilon(t, float64(c.Height)*math.Exp(-0.2), float64(later.Height), 1e-9)
}

// R = u (1 - sqrt(3)/2 u)² is largest where the law for the sheet's time has its lower end.
func TestSheetWidest(t *testing.T) {
	best, at := 0., 0.
	for u := 0.; u < 1; u += 1e-4 {
		if r := u * math.Pow(1-math.Sqrt(3)/2*u, 2); r > best {
			best, at = r, u
		}
	}
	assert.InDelta(t, 0.385, at, 1e-3)
	assert.Less(t, at, widestTime)
	small, _ := SheetWidest(3e-3, waterAt(20))
	large, spread := SheetWidest(6e-3, waterAt(20))
	assert.InEpsilon(t, math.Pow(2, 1.5), float64(large/small), 1e-9)
	assert.Greater(t, spread, 0.1)
}

// A column that was measured to be highest at a time rises from when it emerges, as far as its tip is slowed down by
// gravity at least and by 20 times that at most (van Rijn et al. 2021).
func TestColumnHighestAt(t *testing.T) {
	var most float64
	for _, r := range published.Rows(t, "splash_published_2.csv") {
		if r["quantity"] == "column_start_speed_loss" {
			most = r.Number(t, "value")
		}
	}
	assert.EqualValues(t, maxSlowing, most)
	c, err := ColumnOf(intoItsOwn(4.9e-3, 2.72, waterAt(20)))
	require.NoError(t, err)
	free := phys.Time(math.Sqrt(2 * float64(c.Height) / phys.Gravity))
	for _, test := range []struct{ at, emerges phys.Time }{
		{c.Highest, c.Emerges},
		{c.Emerges + free, c.Emerges},
		{c.Emerges + free + 20e-3, c.Emerges + 20e-3},
		{c.Emerges, c.Emerges - free/phys.Time(math.Sqrt(20))},
	} {
		m, err := c.HighestAt(test.at)
		require.NoError(t, err)
		assert.InDelta(t, float64(test.at), float64(m.Highest), 1e-9)
		assert.InDelta(t, float64(test.emerges), float64(m.Emerges), 1e-9)
		assert.InDelta(t, float64(test.at+free), float64(m.Gone), 1e-9, "it falls freely, whenever")
		slowed := 2 * float64(m.Height) / math.Pow(float64(m.Highest-m.Emerges), 2) / phys.Gravity
		assert.True(t, slowed > 1-1e-9 && slowed < most+1e-9, "by %.2f g", slowed)
	}
	soon := new(TooSoonError)
	_, err = c.HighestAt(10e-3)
	require.ErrorAs(t, err, &soon)
	assert.Contains(t, soon.Error(), "takes more than")

	later := c.Emerging(0.1)
	assert.InEpsilon(t, float64(c.Emerges)*math.Exp(0.1), float64(later.Emerges), 1e-9)
	assert.Equal(t, c.Highest, later.Highest)
	assert.Less(t, c.Emerging(5).Emerges, c.Highest)
}

// intoItsOwn is the impact of a drop on a pool of its own liquid.
func intoItsOwn(diameter phys.Length, speed phys.Speed, liquid liquids.Liquid) Impact {
	return Impact{Diameter: diameter, Speed: speed, Drop: liquid, Pool: liquid}
}
