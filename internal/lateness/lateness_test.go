package lateness

import (
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/phys"
)

const (
	us = time.Microsecond
	ms = time.Millisecond
)

func TestSummarize(t *testing.T) {
	var thousand []time.Duration
	for i := range 1000 {
		thousand = append(thousand, time.Duration(1000-i))
	}
	for name, c := range map[string]struct {
		samples []time.Duration
		want    Summary
	}{
		"none":       {nil, Summary{}},
		"one":        {[]time.Duration{7}, Summary{1, 7, 7, 7, 7, 7}},
		"two":        {[]time.Duration{9, 3}, Summary{2, 3, 9, 9, 9, 9}},
		"1 to 1000":  {thousand, Summary{1000, 500, 900, 990, 999, 1000}},
		"all alike":  {slices.Repeat([]time.Duration{4}, 50), Summary{50, 4, 4, 4, 4, 4}},
		"one is far": {append(slices.Repeat([]time.Duration{4}, 99), 1000), Summary{100, 4, 4, 4, 1000, 1000}},
	} {
		assert.Equal(t, c.want, Summarize(c.samples), name)
	}
}

// A quantile is what it says: enough samples do not exceed it, and of those below it too few.
func TestQuantileProperty(t *testing.T) {
	for seed := range uint64(200) {
		r := rand.New(rand.NewPCG(seed, 1))
		samples := make([]time.Duration, 1+r.IntN(3000))
		for i := range samples {
			samples[i] = time.Duration(r.IntN(50))
		}
		s := Summarize(slices.Clone(samples))
		for perMille, got := range map[int]time.Duration{500: s.P50, 900: s.P90, 990: s.P99, 999: s.P999, 1000: s.Max} {
			within, below := 0, 0
			for _, x := range samples {
				if x <= got {
					within++
				}
				if x < got {
					below++
				}
			}
			require.GreaterOrEqual(t, within*1000, perMille*len(samples), "seed %d: p%d", seed, perMille)
			require.Less(t, below*1000, perMille*len(samples), "seed %d: p%d", seed, perMille)
		}
		require.Equal(t, len(samples), s.Count)
	}
}

func TestSummarizeCounts(t *testing.T) {
	counts := []Count{{10, 98}, {20, 1}, {30, 1}}
	assert.Equal(t, Summary{100, 10, 10, 20, 30, 30}, SummarizeCounts(counts))
}

func TestBars(t *testing.T) {
	samples := []time.Duration{0, 100, 101, 200, 2 * us, 2*us + 1, 5 * us}
	assert.Equal(t, []Bin{{100, 2}, {200, 2}, {500, 0}, {us, 0}, {2 * us, 1}, {5 * us, 2}}, Bars(samples))
	assert.Nil(t, Bars(nil))
	assert.Equal(t, []Bin{{500 * time.Second, 1}}, Bars([]time.Duration{time.Hour}), "what is beyond is in the last")
	total := 0
	for _, b := range Bars([]time.Duration{1, 10 * us, time.Second, 3 * time.Hour}) {
		total += b.N
	}
	assert.Equal(t, 4, total)
}

func TestMoved(t *testing.T) {
	assert.InDelta(t, 0.006, float64(Distance(6, time.Millisecond)), 1e-12)
	assert.InDelta(t, 0.000003, float64(Distance(3, us)), 1e-15)
	assert.Equal(t, phys.Length(0), Distance(6, 0))
}

func TestJudge(t *testing.T) {
	throw := Plan{Name: "a throw", Repeat: 9 * time.Millisecond, Limit: 10 * time.Millisecond}
	sound := Plan{Name: "a sound", Repeat: 29, Limit: time.Millisecond}
	for name, c := range map[string]struct {
		s    Summary
		p    Plan
		good bool
		want string
	}{
		"nothing":        {Summary{}, throw, false, "nothing was measured"},
		"a third":        {Summary{Count: 1, P99: 3 * ms, Max: 4 * ms}, throw, true, "the plan itself varies by 9ms"},
		"more":           {Summary{Count: 1, P99: 3*ms + 1, Max: 4 * ms}, throw, false, "3ms would be"},
		"given up":       {Summary{Count: 1, P99: 1, Max: 11 * ms}, throw, false, "more than 10ms late is not fired"},
		"at the limit":   {Summary{Count: 1, P99: 1, Max: 10 * ms}, throw, true, "good enough for a throw"},
		"unseen":         {Summary{Count: 1, P99: 50 * us, Max: 60 * us}, sound, true, "too little for a picture to show"},
		"seen in sounds": {Summary{Count: 1, P99: 51 * us, Max: 60 * us}, sound, false, "50µs would be"},
	} {
		v := Assess(c.s, c.p)
		assert.Equal(t, c.good, v.Good, name)
		assert.Contains(t, v.Words, c.want, name)
	}
}

// The limit below which nothing shows is what its comment says.
func TestUnseen(t *testing.T) {
	assert.InDelta(t, 0.0003, float64(Distance(6, Negligible)), 1e-9)
}

func TestRound(t *testing.T) {
	for d, want := range map[time.Duration]string{0: "0s", 99: "99ns", 999: "999ns", 1234: "1.23µs", 123456: "123µs",
		1234567: "1.23ms", 99999999: "100ms"} {
		assert.Equal(t, want, Round(d).String())
	}
}
