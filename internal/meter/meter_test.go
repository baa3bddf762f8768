package meter

import (
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// reports puts edges together like a board does (firmware/PROTOCOL.md, section 11): the first one is reported at once,
// those that follow within 50 ms as one, at the end of that time.
func reports(edges []time.Duration) (list []Edges) {
	active, until, waiting := false, time.Duration(-1), Edges{}
	flush := func() {
		if waiting.Count > 0 {
			list = append(list, waiting)
			waiting = Edges{}
		}
	}
	for _, at := range edges {
		active = !active
		for until >= 0 && at >= until {
			if waiting.Count == 0 {
				until = -1
				break
			}
			flush()
			until += 50 * time.Millisecond
		}
		if until < 0 {
			list = append(list, Edges{active, 1, at})
			until = at + 50*time.Millisecond
			continue
		}
		waiting = Edges{active, waiting.Count + 1, at}
	}
	flush()
	return list
}

// square is a sensor that changes twice in each period.
func square(perSecond float64, lasts time.Duration) (edges []time.Duration) {
	for i := 0; ; i++ {
		at := time.Duration(float64(i) / (2 * perSecond) * float64(time.Second))
		if at > lasts {
			return edges
		}
		edges = append(edges, at)
	}
}

func measure(edges []time.Duration) (*Meter, Chatter, bool) {
	m := &Meter{}
	last := time.Duration(0)
	for _, e := range reports(edges) {
		m.Add(e)
		last = e.At
	}
	c, ok := m.Chatter(last)
	return m, c, ok
}

const millis = time.Millisecond

// A drop of 4.5 mm passes a beam in 3 ms, a finger in 300: both are measured to the tick, from the board's stamps.
func TestLengthOfABreak(t *testing.T) {
	m, _, chatters := measure([]time.Duration{0, 3 * millis, 2000 * millis, 2300 * millis, 4000 * millis})
	assert.False(t, chatters)
	assert.Equal(t, []Break{{2000 * millis, 300 * millis, 1}, {0, 3 * millis, 1}}, m.Breaks())
}

// A ragged sheet is one break in pieces, from its first edge to its last. Of what came and went within one report only
// the end is known.
func TestBreaksThatCameTooClose(t *testing.T) {
	m, _, chatters := measure([]time.Duration{0, 3 * millis, 10 * millis, 13 * millis, 20 * millis, 22 * millis})
	assert.False(t, chatters, "a ragged sheet is no chatter")
	assert.Equal(t, []Break{{0, 22 * millis, 3}}, m.Breaks())
	m, _, _ = measure([]time.Duration{0, 3 * millis, 60 * millis, 61 * millis, 62 * millis, 63 * millis})
	assert.Equal(t, []Break{{63 * millis, 0, 2}, {0, 3 * millis, 1}}, m.Breaks())
}

// A break begins and ends at an edge, in whatever reports the edges came.
func TestBreaksAreBetweenEdges(t *testing.T) {
	const seed = 7
	r := rand.New(rand.NewPCG(seed, 1))
	for range 500 {
		var edges []time.Duration
		at := time.Duration(0)
		for range r.IntN(60) {
			at += time.Duration(1 + r.Int64N(int64(time.Millisecond)<<r.IntN(9)))
			edges = append(edges, at)
		}
		m, _, _ := measure(edges)
		for _, b := range m.Breaks() {
			if b.Length > 0 {
				require.Contains(t, edges, b.From)
				require.Contains(t, edges, b.From+b.Length)
				require.Positive(t, b.Pieces)
			}
		}
	}
}

func TestCausesOfChatter(t *testing.T) {
	for perSecond, want := range map[float64]Cause{
		100: MainsLight, 99: MainsLight, 120: MainsLight, 121: MainsLight, 50: MainsHum, 60: MainsHum,
		110: Threshold, 400: Threshold, 40: Threshold, 15: LooseConnector,
	} {
		t.Run(fmt.Sprint(perSecond), func(t *testing.T) {
			_, c, ok := measure(square(perSecond, 3*time.Second))
			require.True(t, ok)
			assert.InEpsilon(t, perSecond, c.PerSecond, 0.03)
			assert.Equal(t, want, c.Cause)
			assert.NotEmpty(t, c.Cause.Remedy())
		})
	}
}

// Whatever has been, a sensor that is still does not chatter.
func TestChatterEnds(t *testing.T) {
	m, _, ok := measure(square(100, time.Second))
	require.True(t, ok)
	_, ok = m.Chatter(2100 * millis)
	assert.False(t, ok)
	for _, calm := range [][]time.Duration{nil, {0}, square(2, 10*time.Second), square(100, 100*millis)} {
		_, _, ok = measure(calm)
		assert.False(t, ok, "%v", calm)
	}
}
