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
	// Torricelli, by hand: 0.6 of a jet of 1.6 mm from 20 cm of head, for 26 ms.
	got := lightAnswer(t, "drops")
	first := got["drops"].([]any)[0].(map[string]any)
	volume := 0.6 * math.Pi / 4 * 1.6e-3 * 1.6e-3 * math.Sqrt(2*gravity*0.2) * 26e-3
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
		{"drops --count 1", 2, []string{"--count", "use 2, or want a phase"}},
		{"drops --gap 20ms", 2, []string{"--gap", "not longer than the opening before it, 26.0 ms", "use more than 26.0 ms"}},
		{"drops --beam 50cm", 2, []string{"--beam", "less than 40 cm"}},
		{"drops --bore 4mm", 2, []string{"--bore", "3 mm or less"}},
		{"drops --tip 0.2mm --bore 0.2mm", 2, []string{"--tip", "280 µm to 1.54 cm"}},
		{"drops --weighed heavy", 2, []string{"--weighed", "20 drops 1.1 g at 24 ms"}},
		{"drops --pool-liquid mercury", 2, []string{"--pool-liquid", "water"}},
		{"drops --column-time 2.110928042889149ms", 2, []string{"--column-time", "a column of 2.1 cm", "2.11 ms"}},
		{"drops --open 15ms --open2 15ms", 1, []string{"--open", "make the first opening at least 6 ms longer, 21 ms, and " +
			"make the second opening at least 6 ms longer, 21 ms", "weigh 20 drops at 15 ms"}},
		{"drops --open 200ms --open2 200ms", 1, []string{"an opening of 200 ms lets out a jet", "157 ms shorter, 43 ms"}},
		{"drops --bore 0.1mm", 1, []string{"--bore", "at least 1.4 mm wider, 1.5 mm", "weigh"}},
		{"drops --set drops.closes=100ms", 1, []string{"--head", "lower the liquid by at least 18 cm, to 2 cm"}},
		{"drops --height 5cm --beam 2cm --meet 2mm", 1, []string{"--height", "raise the tip by at least 7 mm, to 5.7 cm"}},
		{"drops --want phase", 1, []string{"--gap", "have the second opening begin 163 ms after the one before"}},
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
	for _, works := range []string{"drops --open 21ms --open2 21ms", "drops --bore 1.5mm",
		"drops --set drops.closes=100ms --head 2cm", "drops --height 5.7cm --beam 2cm --meet 2mm"} {
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
