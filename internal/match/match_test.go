package match

import (
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// evening is a trial with its truth.
type evening struct {
	shots  []Shot
	frames []Frame
	frame  []int // of each shot; -1 none
	step   time.Duration
}

// habits are how an evening is made.
type habits struct {
	shots          int
	missing, extra float64
	step           time.Duration
	offset         time.Duration // at most
	drift          float64       // at most
	scatter        time.Duration // SD of the frame's time from the shot's
	gap            func(*rand.Rand) time.Duration
}

// byHand are a person's gaps between tries: half a minute about, and sometimes a long break.
func byHand(r *rand.Rand) time.Duration {
	gap := 8 + 30*r.ExpFloat64()
	if r.IntN(20) == 0 {
		gap += 300 * r.Float64()
	}
	return seconds(gap)
}

func usual() habits {
	return habits{shots: 200, missing: 0.1, extra: 0.1, step: time.Second, offset: 12 * time.Hour, drift: 50e-6,
		scatter: 100 * time.Millisecond, gap: byHand}
}

func makeEvening(r *rand.Rand, h habits) evening {
	e := evening{step: h.step}
	offset := time.Duration((2*r.Float64() - 1) * float64(h.offset))
	drift := (2*r.Float64() - 1) * h.drift
	byCamera := func(at time.Duration) time.Duration {
		return (offset + time.Duration((1+drift)*float64(at)) + 1000*time.Hour).Truncate(h.step)
	}
	now := time.Duration(0)
	type file struct {
		at   time.Duration // by the record's clock
		shot int
	}
	var files []file
	for i := range h.shots {
		now += h.gap(r)
		e.shots = append(e.shots, Shot{At: now})
		e.frame = append(e.frame, -1)
		if r.Float64() >= h.missing {
			files = append(files, file{now + time.Duration(r.NormFloat64()*float64(h.scatter)), i})
		}
	}
	for range int(h.extra * float64(h.shots)) {
		files = append(files, file{time.Duration(r.Float64() * float64(now)), -1})
	}
	r.Shuffle(len(files), func(i, j int) { files[i], files[j] = files[j], files[i] })
	for n, f := range files {
		e.frames = append(e.frames, Frame{At: byCamera(f.at)})
		if f.shot >= 0 {
			e.frame[f.shot] = n
		}
	}
	return e
}

// tally counts what was said and what of it was right.
type tally struct{ certain, right, likely, likelyRight, open, had int }

func (t *tally) add(e evening, r Result) {
	for i, m := range r.Matches {
		right := m.Frame == e.frame[i] && m.Frame >= 0
		if e.frame[i] >= 0 {
			t.had++
		}
		switch m.Sure {
		case Certain:
			t.certain++
			if right {
				t.right++
			}
		case Likely:
			t.likely++
			if right {
				t.likelyRight++
			}
		default:
			t.open++
		}
	}
}

func (t tally) String() string {
	return fmt.Sprintf("%d shots with a frame: %d certain, %d of them right; %d likely, %d right; %d open or without",
		t.had, t.certain, t.right, t.likely, t.likelyRight, t.open)
}

func try(t *testing.T, h habits, seeds uint64) (all tally) {
	t.Helper()
	for seed := range seeds {
		e := makeEvening(rand.New(rand.NewPCG(seed, 19)), h)
		r, err := Find(e.shots, e.frames, Options{Step: e.step})
		require.NoError(t, err)
		all.add(e, r)
	}
	t.Logf("seeds 0 to %d: %v", seeds-1, all)
	return all
}

func TestTrials(t *testing.T) {
	with := func(change func(*habits)) habits {
		h := usual()
		change(&h)
		return h
	}
	for name, h := range map[string]habits{
		"whole seconds": usual(),
		"hundredths":    with(func(h *habits) { h.step = 10 * time.Millisecond }),
		"a shutter opened by hand before the shot": with(func(h *habits) { h.scatter = 700 * time.Millisecond }),
		"many tests and misses":                    with(func(h *habits) { h.missing, h.extra = 0.3, 0.5 }),
		"few shots":                                with(func(h *habits) { h.shots = 8 }),
		"fast": with(func(h *habits) {
			h.gap = func(r *rand.Rand) time.Duration { return seconds(1.5 + 2*r.Float64()) }
		}),
	} {
		t.Run(name, func(t *testing.T) {
			got := try(t, h, 8)
			assert.GreaterOrEqual(t, float64(got.right), 0.99*float64(got.certain), "of those called certain")
			assert.NotZero(t, got.certain)
		})
	}
}

func evenly(every time.Duration) func(*rand.Rand) time.Duration {
	return func(r *rand.Rand) time.Duration { return every + seconds(0.02*r.NormFloat64()) }
}

// Evenly spaced shots fit as well when moved by one, so nothing is said to be certain that is not; one pair from a
// person settles the rest.
func TestOnePairSettlesTheRest(t *testing.T) {
	h := usual()
	h.shots, h.extra, h.gap = 60, 0, evenly(20*time.Second)
	var open, settled tally
	undecided := 0
	for seed := range uint64(8) {
		e := makeEvening(rand.New(rand.NewPCG(seed, 7)), h)
		// the last shot's and the first shot's frame are not there: nothing says which end is short
		e.frames = without(t, &e, 0)
		e.frames = without(t, &e, len(e.shots)-1)
		r, err := Find(e.shots, e.frames, Options{Step: e.step})
		require.NoError(t, err)
		open.add(e, r)
		if r.Matches[30].Sure != Certain {
			undecided++
		}
		shot := 0
		for e.frame[shot] < 0 {
			shot++
		}
		r, err = Find(e.shots, e.frames, Options{Step: e.step, Settled: []Pair{{shot, e.frame[shot]}}})
		require.NoError(t, err)
		assert.True(t, r.Matches[shot].Settled)
		settled.add(e, r)
	}
	t.Logf("seeds 0 to 7, nothing settled: %v; one pair settled: %v", open, settled)
	assert.Equal(t, open.certain, open.right)
	assert.Equal(t, 8, undecided)
	assert.Equal(t, settled.certain, settled.right)
	assert.Greater(t, float64(settled.certain), 0.98*float64(settled.had))
}

// besides are frames of no shot: the empty one and that with the ruler, which are known as such, or tests, which nobody
// knows. They are so long after the first shot, or before it.
func (e *evening) besides(aside bool, at ...time.Duration) {
	clock := e.frames[e.frame[0]].At - e.shots[0].At
	for _, a := range at {
		e.frames = append(e.frames, Frame{At: (e.shots[0].At + a + clock).Truncate(e.step), Aside: aside})
	}
}

// One tap on a single pair settles the rest, whichever frames of no shot there are besides, wherever in the evening.
func TestOnePairSettlesTheRestBesidesOthers(t *testing.T) {
	const seeds = 20
	for _, aside := range []bool{true, false} {
		var all tally
		evenings, whole := 0, 0
		for _, gap := range []func(*rand.Rand) time.Duration{evenly(20 * time.Second), byHand} {
			for _, shots := range []int{5, 8, 20, 60} {
				for where := range 4 {
					for seed := range uint64(seeds) {
						h := usual()
						h.shots, h.extra, h.missing, h.gap = shots, 0, 0, gap
						e := makeEvening(rand.New(rand.NewPCG(seed, 77)), h)
						middle, end := e.shots[shots/2].At-e.shots[0].At, e.shots[shots-1].At-e.shots[0].At
						places := [][]time.Duration{{-40 * time.Second, -20 * time.Second},
							{middle + 7*time.Second, middle + 11*time.Second}, {end + 20*time.Second, end + 40*time.Second},
							{-40 * time.Second, -20 * time.Second, middle + 7*time.Second, end + 20*time.Second}}
						e.besides(aside, places[where]...)
						r, err := Find(e.shots, e.frames, Options{Step: e.step,
							Settled: []Pair{{shots / 2, e.frame[shots/2]}}})
						require.NoError(t, err)
						one := tally{}
						one.add(e, r)
						all.add(e, r)
						if evenings++; one.certain == shots {
							whole++
						}
					}
				}
			}
		}
		t.Logf("seeds 0 to %d, known to be of no shot %v: one pair settles all of %d of %d evenings; %v", seeds-1, aside,
			whole, evenings, all)
		assert.Equal(t, all.certain, all.right)
		assert.Greater(t, float64(all.certain), 0.99*float64(all.had))
		assert.Greater(t, float64(whole), 0.9*float64(evenings))
	}
}

// What is called certain next to a settled pair is right as often, however many tests and misses there are.
func TestSettledAmongManyTestsAndMisses(t *testing.T) {
	h := usual()
	h.missing, h.extra = 0.3, 0.5
	var all tally
	for seed := range uint64(8) {
		e := makeEvening(rand.New(rand.NewPCG(seed, 21)), h)
		shot := 0
		for e.frame[shot] < 0 {
			shot++
		}
		r, err := Find(e.shots, e.frames, Options{Step: e.step, Settled: []Pair{{shot, e.frame[shot]}}})
		require.NoError(t, err)
		all.add(e, r)
	}
	t.Logf("seeds 0 to 7: %v", all)
	assert.GreaterOrEqual(t, float64(all.right), 0.99*float64(all.certain), "of those called certain")
}

// A frame that is aside is a shot's where a person says so, or its time does: an empty frame may be that of
// a shot in which nothing flew.
func TestAsideFrame(t *testing.T) {
	h := usual()
	h.shots, h.extra, h.missing = 30, 0, 0
	e := makeEvening(rand.New(rand.NewPCG(4, 4)), h)
	e.frames[e.frame[9]].Aside = true
	r, err := Find(e.shots, e.frames, Options{Step: e.step})
	require.NoError(t, err)
	assert.Equal(t, e.frame[9], r.Matches[9].Frame)
	assert.NotEqual(t, Open, r.Matches[9].Sure)
	assert.Equal(t, Certain, r.Matches[10].Sure)
	r, err = Find(e.shots, e.frames, Options{Step: e.step, Settled: []Pair{{9, e.frame[9]}}})
	require.NoError(t, err)
	assert.Equal(t, Certain, r.Matches[9].Sure)
}

// without drops the frame of a shot.
func without(t *testing.T, e *evening, shot int) []Frame {
	t.Helper()
	drop := e.frame[shot]
	if drop < 0 {
		return e.frames
	}
	e.frame[shot] = -1
	for i, f := range e.frame {
		if f > drop {
			e.frame[i]--
		}
	}
	return append(e.frames[:drop:drop], e.frames[drop+1:]...)
}

// A number that was typed for a shot settles them, too, where the files have numbers.
func TestTypedNumber(t *testing.T) {
	h := usual()
	h.shots, h.extra, h.missing, h.gap = 30, 0, 0, evenly(20*time.Second)
	e := makeEvening(rand.New(rand.NewPCG(3, 3)), h)
	e.frames = without(t, &e, 0)
	e.frames = without(t, &e, 29)
	byTime := orderBy(len(e.frames), func(a, b int) int { return int((e.frames[a].At - e.frames[b].At).Milliseconds()) })
	for n, i := range byTime {
		e.frames[i].Number = 400 + n
	}
	r, err := Find(e.shots, e.frames, Options{})
	require.NoError(t, err)
	assert.NotEqual(t, Certain, r.Matches[10].Sure)
	e.shots[10].Number = e.frames[e.frame[10]].Number
	r, err = Find(e.shots, e.frames, Options{})
	require.NoError(t, err)
	for i, m := range r.Matches[1:29] {
		assert.Equal(t, []any{e.frame[i+1], Certain}, []any{m.Frame, m.Sure}, i+1)
	}
	assert.Equal(t, Open, r.Matches[0].Sure)
}

// Frames of another evening are not taken for this one's.
func TestNothingInCommon(t *testing.T) {
	h := usual()
	h.shots = 80
	certain := 0
	for seed := range uint64(6) {
		a, b := makeEvening(rand.New(rand.NewPCG(seed, 1)), h), makeEvening(rand.New(rand.NewPCG(seed, 2)), h)
		r, err := Find(a.shots, b.frames, Options{})
		require.NoError(t, err)
		for _, m := range r.Matches {
			if m.Sure == Certain {
				certain++
			}
		}
		assert.NotEmpty(t, r.Extra)
	}
	assert.Zero(t, certain, "of 480 shots")
}

// The clock that is found is the camera's.
func TestClock(t *testing.T) {
	shots, frames := []Shot{}, []Frame{}
	r := rand.New(rand.NewPCG(5, 5))
	at := time.Duration(0)
	for i := range 100 {
		at += byHand(r)
		shots = append(shots, Shot{At: at})
		drifted := at + time.Duration(80e-6*float64(at-shots[0].At))
		frames = append(frames, Frame{At: (drifted + 7*time.Hour + 123*time.Millisecond).Truncate(10 * time.Millisecond),
			Number: i + 1})
	}
	got, err := Find(shots, frames, Options{Step: 10 * time.Millisecond})
	require.NoError(t, err)
	assert.InDelta(t, (7*time.Hour + 123*time.Millisecond).Seconds(), got.Clock.Offset.Seconds(), 0.03)
	assert.InDelta(t, 80e-6, got.Clock.Drift, 15e-6)
	assert.Equal(t, 30*time.Millisecond, got.Clock.Scatter)
}

func TestRefused(t *testing.T) {
	two, one := []Shot{{}, {At: time.Minute}}, []Frame{{}}
	for want, run := range map[string]func() (Result, error){
		"at most 5000 can be matched": func() (Result, error) { return Find(make([]Shot, 5001), nil, Options{}) },
		"at most 20000":               func() (Result, error) { return Find(nil, make([]Frame, 20_001), Options{}) },
		"one of them is missing":      func() (Result, error) { return Find(two, one, Options{Settled: []Pair{{0, 1}}}) },
		"shot at place 0 was paired by hand with frame at 0, and shot at 1 with frame at 0": func() (Result, error) {
			return Find(two, one, Options{Settled: []Pair{{0, 0}, {1, 0}}})
		},
		"set the camera's clock": func() (Result, error) { return Find(make([]Shot, 1100), make([]Frame, 1100), Options{}) },
	} {
		_, err := run()
		assert.ErrorContains(t, err, want)
	}
	r, err := Find(two, nil, Options{})
	require.NoError(t, err)
	assert.Equal(t, Match{Pair: Pair{1, -1}, Sure: Open, NoFrame: 1}, r.Matches[1])
	r, err = Find(two, one, Options{})
	require.NoError(t, err)
	assert.NotEqual(t, Certain, r.Matches[0].Sure, "one frame fits each shot")
}

func ExampleFind() {
	// The camera is two hours behind; of the third shot there is no frame.
	var shots []Shot
	for _, at := range []time.Duration{0, 21, 47, 108, 139} {
		shots = append(shots, Shot{At: at * time.Second})
	}
	var frames []Frame
	for _, s := range []int{0, 1, 3, 4} {
		frames = append(frames, Frame{At: shots[s].At + 22*time.Hour})
	}
	r, err := Find(shots, frames, Options{})
	if err != nil {
		fmt.Println(err)
		return
	}
	for i, m := range r.Matches {
		fmt.Println("shot", i, "frame", m.Frame, m.Sure)
	}
	// Output:
	// shot 0 frame 0 certain
	// shot 1 frame 1 certain
	// shot 2 frame -1 open
	// shot 3 frame 2 certain
	// shot 4 frame 3 certain
}

// One clock can have two settled pairs whose frames are as far apart as their shots, but for what opening by hand and
// drift make. Those that it cannot have are named, and both are taken.
func TestContradictions(t *testing.T) {
	for _, c := range []struct {
		shots, frames time.Duration
		agree         bool
	}{
		{time.Minute, time.Minute, true},
		{time.Minute, 68 * time.Second, true},
		{time.Minute, 72 * time.Second, false},
		{time.Minute, -time.Minute, false},
		{time.Second, 0, true},
		{time.Second, -time.Second, false}, // one frame after the other
		{10 * time.Hour, 10*time.Hour + 15*time.Second, true},
		{10 * time.Hour, 10*time.Hour + 20*time.Second, false},
	} {
		settled := []Pair{{0, 0}, {1, 1}}
		r, err := Find([]Shot{{}, {At: c.shots}}, []Frame{{}, {At: c.frames}}, Options{Settled: settled})
		require.NoError(t, err)
		sure := Certain
		if !c.agree {
			sure = Likely
			assert.Equal(t, [][2]Pair{{settled[0], settled[1]}}, r.Contradictions, "%v", c)
		}
		assert.Equal(t, c.agree, r.Contradictions == nil, "%v", c)
		for i, m := range r.Matches {
			assert.Equal(t, []any{settled[i], sure, true}, []any{m.Pair, m.Sure, m.Settled}, "%v", c)
		}
	}
}

// Nothing that rests on settled pairs that contradict each other is certain, and all is again when one is taken back.
func TestNothingIsCertainByContradiction(t *testing.T) {
	h := usual()
	h.missing, h.extra = 0, 0
	e := makeEvening(rand.New(rand.NewPCG(11, 4)), h)
	right, wrong := Pair{3, e.frame[3]}, Pair{30, e.frame[34]}
	find := func(settled ...Pair) (certain int, r Result) {
		r, err := Find(e.shots, e.frames, Options{Step: e.step, Settled: settled})
		require.NoError(t, err)
		for _, m := range r.Matches {
			if m.Sure == Certain {
				certain++
			}
		}
		return certain, r
	}
	certain, r := find(wrong, right)
	assert.Equal(t, [][2]Pair{{right, wrong}}, r.Contradictions, "the earlier shot first")
	assert.Zero(t, certain)
	certain, r = find(right)
	assert.Empty(t, r.Contradictions)
	assert.Greater(t, certain, len(e.shots)/2)

	// Each agrees with its neighbours, and the first does not with the last.
	shots := []Shot{{}, {At: time.Minute}, {At: 2 * time.Minute}}
	frames := []Frame{{}, {At: 68 * time.Second}, {At: 136 * time.Second}}
	r, err := Find(shots, frames, Options{Settled: []Pair{{0, 0}, {1, 1}, {2, 2}}})
	require.NoError(t, err)
	assert.Equal(t, [][2]Pair{{{0, 0}, {2, 2}}}, r.Contradictions)
}
