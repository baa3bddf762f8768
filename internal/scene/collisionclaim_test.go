package scene

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/phys"
	"stillwater/internal/shot"
)

// valveBench is bench with a valve.
func valveBench() shot.Bench {
	b := bench()
	b.Valves = []shot.Output{{Index: 2, Name: "valve", MaxOn: 200 * time.Millisecond}}
	return b
}

// clockEdge is what a board takes for the n-th clock edge of a program that was begun at base: edges within the
// hold-off of one that counted are bounce, and the n-th counts in its window only. false: there is no shot.
func clockEdge(p shot.Program, edges []Edge, base time.Duration) (time.Duration, bool) {
	count, last := 0, time.Duration(math.MinInt64/2)
	for _, e := range edges {
		if e.Sensor != Beam || !e.Active || e.At-last < p.HoldOff {
			continue
		}
		last = e.At
		switch in := e.At - base; {
		case count+1 < p.Nth:
			count++
		case in >= p.GateMin && in <= p.GateMax:
			return e.At, true
		}
	}
	return 0, false
}

// aCollision is one shot: by how much the two met too high, and the flash came too late. No shot, or no collision: not
// ok.
type aCollision struct {
	high   float64 // mm
	late   float64 // ms
	widest float64 // ms that the sheet takes to spread
	ok     bool
	gone   bool // the column, when the second drop came
	poured bool // no second drop fell, as the valve opened while the first one hung
}

// evening is a room and a set that are shot again and again.
type evening struct {
	t    testing.TB
	room *Room
	set  shot.Set
	now  time.Duration

	compiled shot.Set // the set that program is of
	program  shot.Program
}

// compile keeps a program as long as its set is not changed.
func (e *evening) compile() shot.Program {
	e.t.Helper()
	if e.compiled != e.set {
		p, _, err := shot.Compile(e.set, valveBench())
		require.NoError(e.t, err)
		e.compiled, e.program = e.set, p
	}
	return e.program
}

// shoot plays the openings of the set's program, and fires as its board would.
func (e *evening) shoot() aCollision {
	e.t.Helper()
	p := e.compile()
	e.now += 10 * time.Second
	var f *Flight
	for _, c := range p.Opening {
		from := e.now + c.Offset
		g, _, err := e.room.Open(f, e.set, 1, from, from+c.Width)
		if errors.Is(err, ErrNoDrop) && f != nil {
			return aCollision{poured: true}
		}
		if errors.Is(err, ErrNoDrop) {
			continue
		}
		require.NoError(e.t, err)
		f = &g
	}
	clock, ok := e.now, f != nil
	if p.Clock != nil && ok {
		clock, ok = clockEdge(p, f.Edges, e.now)
	}
	if !ok || !f.Arrives {
		gone := f != nil && f.Meeting != nil && f.Meeting.At >= f.Column.Ends()
		return aCollision{high: float64(-e.set.Drops.Meet) * 1e3, gone: gone}
	}
	fired := clock + p.Table[0].Delay + p.Cues[len(p.Cues)-1].Offset + FlashDelay
	m := *f.Meeting
	return aCollision{high: float64(m.Height-e.set.Drops.Meet) * 1e3, late: (fired - f.Best).Seconds() * 1e3,
		widest: (m.Widest - m.At).Seconds() * 1e3, ok: true}
}

// measureColumn puts into the set how high the room's column rises and when: from twelve pictures of one drop's column,
// 10 ms apart and each of another drop, of which heights are read to a millimetre, and a parabola through those of more
// than half of the greatest.
func (e *evening) measureColumn() {
	e.t.Helper()
	const pictures = 12
	path, err := e.set.DropsPath()
	require.NoError(e.t, err)
	first := path.Drops[0]
	var times, heights []float64
	for i := range pictures {
		e.now += 10 * time.Second
		f, edges, err := e.room.Open(nil, e.set, 1, e.now, e.now+e.set.Drops.First.Open.Duration())
		require.NoError(e.t, err)
		column, err := e.room.columnOf(e.set.Drops, f.Drops[0], dice{e.room.tips[0].dice.Rand})
		require.NoError(e.t, err)
		after := time.Duration(60+10*i) * time.Millisecond // the drop has landed, as far as the plan knows
		at := e.now + first.Lands.Duration() + after
		if len(edges) > 0 && e.set.Drops.From == shot.FromBeam {
			at = edges[0].At + (first.Lands - first.Beam).Duration() + after
		}
		height, _, _ := column.Tip(at)
		times, heights = append(times, after.Seconds()), append(heights, math.Round(float64(height)*1e3)/1e3)
	}
	at, height := vertex(times, heights)
	e.set.Drops.ColumnTime, e.set.Drops.ColumnHeight = phys.Time(at), phys.Length(height)
}

// vertex is that of the parabola through points higher than half of the highest, by least squares.
func vertex(x, y []float64) (at, height float64) {
	var s [5]float64
	var r [3]float64
	middle, highest := 0., slices.Max(y)
	for _, at := range x {
		middle += at / float64(len(x))
	}
	for i := range x {
		if y[i] < highest/2 {
			continue
		}
		power := 1.
		for k := range s {
			if k < len(r) {
				r[k] += power * y[i]
			}
			s[k] += power
			power *= x[i] - middle
		}
	}
	det := func(a, b, c [3]float64) float64 {
		return a[0]*(b[1]*c[2]-b[2]*c[1]) - b[0]*(a[1]*c[2]-a[2]*c[1]) + c[0]*(a[1]*b[2]-a[2]*b[1])
	}
	a, b, c := [3]float64{s[0], s[1], s[2]}, [3]float64{s[1], s[2], s[3]}, [3]float64{s[2], s[3], s[4]}
	all := det(a, b, c)
	level, slope, bend := det(r, b, c)/all, det(a, r, c)/all, det(a, b, r)/all
	return middle - slope/(2*bend), level - slope*slope/(4*bend)
}

// trim corrects gap and delay by the mean of some shots, in some rounds: first where they meet, then when. A column
// that was gone counts as one that is met at the surface.
func (e *evening) trim(rounds, shots int) {
	e.t.Helper()
	for range rounds {
		var high, late []float64
		for range shots {
			c := e.shoot()
			if c.ok || c.gone {
				high = append(high, c.high)
			}
			if c.ok {
				late = append(late, c.late)
			}
			if c.poured { // the longer an opening, the sooner its drop lets go
				e.set.Drops.First.Open += 0.5e-3
				e.set.Drops.Second.Open += 0.5e-3
			}
		}
		if len(late) == 0 { // the second drop came too late for the column
			e.moveGap(-10e-3)
			continue
		}
		h, _ := meanAndSD(high)
		l, _ := meanAndSD(late)
		path, err := e.set.DropsPath()
		require.NoError(e.t, err)
		// Of a column that sinks the tip is lower the later the drop comes.
		slope := float64(path.Meeting.ColumnSpeed) * 1e3 // mm/s
		slope *= float64(path.Meeting.DropSpeed) / (float64(path.Meeting.DropSpeed) + float64(path.Meeting.ColumnSpeed))
		e.moveGap(phys.Time(-h / slope))
		e.set.Trim.Drops -= phys.Time(l * 1e-3)
	}
}

// moveGap changes the gap's trim by so much, or by less as long as the set cannot work with that.
func (e *evening) moveGap(by phys.Time) {
	before := e.set.Drops.GapTrim
	for ; math.Abs(float64(by)) > 1e-4; by /= 2 {
		e.set.Drops.GapTrim = before + by
		if _, _, err := shot.Compile(e.set, valveBench()); err == nil {
			return
		}
	}
	e.set.Drops.GapTrim = before
}

// collisions are the shots of many evenings, once trimmed, against what the budget says of them.
type collisions struct {
	shots, met, near, good int
	high, late             float64 // mean squares of what differs within an evening
	sayHigh, sayLate       float64 // of the budget, the same
	sayMeets               float64 // share that meets, by the budget
}

func collisionsOf(t testing.TB, from shot.ClockFrom, side shot.ColumnSide, rooms, shots int) collisions {
	t.Helper()
	var all collisions
	for seed := range rooms {
		set := shot.DefaultSet()
		set.Kind, set.Light.Shutter = shot.Drops, shot.ByHand
		set.Drops.From, set.Drops.Column = from, side
		e := &evening{t: t, room: New(uint64(seed)), set: set}
		e.measureColumn()
		e.set.Drops.Meet = min(e.set.Drops.Meet, 0.8*e.set.Drops.ColumnHeight) // a low column is met lower
		e.trim(3, 6)
		estimate, err := e.set.Estimate()
		require.NoError(t, err)
		budget, err := shot.Errors(e.set, estimate, shot.DefaultSpread(), 100*time.Nanosecond)
		require.NoError(t, err)
		var high, late []float64
		for range shots {
			c := e.shoot()
			all.shots++
			if !c.ok {
				continue
			}
			all.met++
			high, late = append(high, c.high), append(late, c.late)
			if math.Abs(c.high) <= 5 {
				all.near++
				if math.Abs(c.late) <= goodSheet*c.widest {
					all.good++
				}
			}
		}
		_, h := meanAndSD(high)
		_, l := meanAndSD(late)
		all.high += h * h / float64(rooms)
		all.late += l * l / float64(rooms)
		all.sayHigh += math.Pow(float64(budget.Repeat.Displaced)*1e3, 2) / float64(rooms)
		all.sayMeets += budget.Meets / float64(rooms)
		all.sayLate += math.Pow(float64(budget.Repeat.Mistiming)*1e3, 2) / float64(rooms)
	}
	return all
}

func (c collisions) String() string {
	share := func(n int) float64 { return 100 * float64(n) / float64(c.shots) }
	return fmt.Sprintf("%d shots: height %.2f mm (budget %.2f), moment %.2f ms (budget %.2f); met %.1f %% (%.1f), "+
		"within 5 mm %.1f %%, and the sheet as wanted %.1f %%", c.shots, math.Sqrt(c.high), math.Sqrt(c.sayHigh),
		math.Sqrt(c.late), math.Sqrt(c.sayLate), share(c.met), 100*c.sayMeets, share(c.near), share(c.good))
}

// shownCollisions are the ways in which collisions are shot here.
var shownCollisions = []struct {
	name string
	from shot.ClockFrom
	side shot.ColumnSide
}{
	{"rising, from the beam", shot.FromBeam, shot.ColumnRising},
	{"rising, from the valve", shot.FromValve, shot.ColumnRising},
	{"sinking, from the beam", shot.FromBeam, shot.ColumnSinking},
	{"sinking, from the valve", shot.FromValve, shot.ColumnSinking},
}

// TestCollisions holds the budget to what this room does, within 15 %, whichever way a column is met and whatever the
// delay runs from: heights, moments, and from the valve, where no beam misses drops, how many meet at all. Of 400 shots
// a standard deviation is known to 3.5 %.
func TestCollisions(t *testing.T) {
	good := map[string]float64{}
	for _, way := range shownCollisions {
		c := collisionsOf(t, way.from, way.side, 16, 25)
		t.Log(way.name, c)
		good[way.name] = float64(c.good)
		assert.InDelta(t, 1, math.Sqrt(c.high/c.sayHigh), 0.15, way.name)
		assert.InDelta(t, 1, math.Sqrt(c.late/c.sayLate), 0.15, way.name)
		if way.from == shot.FromValve {
			assert.InDelta(t, c.sayMeets, float64(c.met)/float64(c.shots), 0.1, way.name)
		}
	}
	assert.Greater(t, good["rising, from the beam"], good["rising, from the valve"], "the beam is worth its place")
	assert.Greater(t, good["rising, from the beam"], 1.5*good["sinking, from the beam"], "a rising column is met better")
}

// BenchmarkCollisions gives the README's figures of collisions: 20 evenings of 50 shots.
func BenchmarkCollisions(b *testing.B) {
	for _, way := range shownCollisions {
		b.Run(way.name, func(b *testing.B) {
			for b.Loop() {
				c := collisionsOf(b, way.from, way.side, 20, 50)
				b.Log(c)
				b.ReportMetric(math.Sqrt(c.high), "mm")
				b.ReportMetric(math.Sqrt(c.late), "ms")
			}
		})
	}
}
