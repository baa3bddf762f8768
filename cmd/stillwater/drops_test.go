package main

import (
	"encoding/json"
	"maps"
	"math"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Keys for scripts do not come and go: what every answer of drops has, what a collision's and a phase's, and each drop.
func TestDropsKeys(t *testing.T) {
	common := strings.Fields("advice band_percent bubble delay_from delay_high_ms delay_low_ms delay_ms drops " +
		"error_after_trim error_budget error_total extrapolated liquid moment_ms pool_liquid summary want")
	collision := strings.Fields("column_emerges_ms column_gone_ms column_height_mm column_high_mm column_highest_ms " +
		"column_low_mm gap_ms meeting_mm meeting_ms meets_percent sheet_widest_ms")
	drop := strings.Fields("diameter_mm falls_ms lands_ms open_ms opens_ms speed_m_s stays_ul valve volume_ul")
	for line, keys := range map[string][2][]string{
		"drops":                               {append(collision, common...), append(drop, "beam_ms")},
		"drops --from valve --column sinking": {append(collision, common...), drop},
		"drops --want phase --count 1":        {append([]string{"phase"}, common...), append(drop, "beam_ms")},
		"drops --count 3 --pool-liquid milk":  {append(collision, common...), append(drop, "beam_ms")},
	} {
		got := lightAnswer(t, line)
		assert.ElementsMatch(t, keys[0], slices.Collect(maps.Keys(got)), line)
		for _, d := range got["drops"].([]any) {
			assert.ElementsMatch(t, keys[1], slices.Collect(maps.Keys(d.(map[string]any))), line)
		}
	}
	// Torricelli, by hand: 0.6 of a jet of 2 mm from 20 cm of head, for 19 ms.
	got := lightAnswer(t, "drops")
	first := got["drops"].([]any)[0].(map[string]any)
	volume := 0.6 * math.Pi / 4 * 2e-3 * 2e-3 * math.Sqrt(2*gravity*0.2) * 19e-3
	assert.InEpsilon(t, volume*1e9, first["volume_ul"], 1e-6)
	assert.InEpsilon(t, math.Cbrt(6*volume/math.Pi)*1e3, first["diameter_mm"], 1e-6)
	assert.Equal(t, 2, len(got["drops"].([]any)))

	_, words, _ := calculate(t, "drops --from valve")
	assert.NotContains(t, words, "passes the beam")
	_, words, _ = calculate(t, "drops")
	assert.Contains(t, words, "passes the beam")
}

// Bad input is refused by the name of its flag, with what to change and by how much; nothing is answered.
func TestDropsRefuse(t *testing.T) {
	for _, c := range []struct {
		line   string
		status int
		says   []string
	}{
		{"drops --open 0ms", 2, []string{"--open", "1 ms to 1 s"}},
		{"drops --open -24ms", 2, []string{"--open"}},
		{"drops --open 24", 2, []string{"--open", "unit"}},
		{"drops --count 4", 2, []string{"--count", "1 to 3"}},
		{"drops --count 1", 2, []string{"--count", "use 2, or choose a phase"}},
		{"drops --gap 20ms", 1, []string{"--gap", "would take it up", "at least 43 ms later, 63 ms after"}},
		{"drops --gap 3s", 1, []string{"--gap", "when the column has sunk", "2.833 s sooner, 167 ms after"}},
		{"drops --column-height 1mm", 1, []string{"--column-height", "leave out the height to have it estimated"}},
		{"drops --set drops.discharge=0.05", 1, []string{"drops.discharge: ", "coefficient", "0.47 more, 0.52"}},
		{"drops --meet 15mm --column-time 900ms", 1, []string{"--column-time", "leave out the time to have it estimated"}},
		{"drops --beam 50cm", 2, []string{"--beam", "less than 40 cm"}},
		{"drops --bore 4mm", 2, []string{"--bore", "3 mm or less"}},
		{"drops --tip 0.2mm --bore 0.2mm", 2, []string{"--tip", "280 µm to 1.54 cm"}},
		{"drops --weighed heavy", 2, []string{"--weighed", "20 drops 1.1 g at 24 ms"}},
		{"drops --pool-liquid mercury", 2, []string{"--pool-liquid", "water"}},
		{"drops --column-time 2.110928042889149ms", 1, []string{"--column-time", "a column of 2.2 cm", "2.11 ms"}},
		{"drops --open 9ms --open2 9ms", 1, []string{"--open", "make the first opening at least 5 ms longer, 14 ms, and " +
			"make the second opening at least 7 ms longer, 16 ms", "weigh 20 drops at 9 ms"}},
		{"drops --open 200ms --open2 200ms", 1, []string{"an opening of 200 ms lets out a jet", "173 ms shorter, 27 ms"}},
		{"drops --bore 0.1mm", 1, []string{"--bore", "at least 1.8 mm wider, 1.9 mm", "weigh"}},
		{"drops --set drops.closes=100ms", 1, []string{"--head", "lower the liquid by at least 19 cm, to 1 cm above " +
			"the tip, and meet the column as it sinks"}},
		{"drops --height 5cm --beam 2cm --meet 2mm", 1, []string{"--height",
			"raise the tip by at least 78.9 cm, to 83.9 cm"}},
		{"drops --want phase", 1, []string{"--gap", "have the second opening begin 168 ms after the one before"}},
	} {
		t.Run(c.line, func(t *testing.T) {
			for _, asJSON := range []string{"", " --json"} {
				status, out, errs := calculate(t, c.line+asJSON)
				assert.Equal(t, c.status, status, errs)
				assert.Empty(t, out)
				for _, s := range c.says {
					assert.Contains(t, errs, s)
				}
			}
		})
	}
	for _, works := range []string{"drops --open 14ms --open2 16ms", "drops --bore 1.9mm",
		"drops --set drops.closes=100ms --head 1cm --column sinking",
		"drops --height 83.9cm --beam 2cm --meet 2mm",
		"drops --gap 63ms", "drops --gap 167ms", "drops --set drops.discharge=0.52", "drops --gap 168ms --want phase"} {
		status, _, errs := calculate(t, works)
		require.Zero(t, status, "as was advised: %s: %s", works, errs)
	}
}

// What is answered as JSON is one object.
func TestDropsJSON(t *testing.T) {
	_, out, _ := calculate(t, "drops --json")
	var object map[string]any
	d := json.NewDecoder(strings.NewReader(out))
	require.NoError(t, d.Decode(&object))
	assert.False(t, d.More())
}
