package control

import (
	"context"
	"fmt"
	"html"
	"math/rand/v2"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/board"
	"stillwater/internal/shot"
	"stillwater/internal/wire"
)

// slowPlans makes plans that say which set they are for, and take as long as a test says.
type slowPlans struct {
	mu   sync.Mutex
	take func()
}

func (p *slowPlans) set(take func()) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.take = take
}

func (p *slowPlans) make(set shot.Set, bench *shot.Bench) plan {
	p.mu.Lock()
	take := p.take
	p.mu.Unlock()
	if take != nil {
		take()
	}
	if bench == nil {
		return makePlan(set, bench)
	}
	return plan{preview: &Preview{Summary: summaryOf(set)}}
}

func summaryOf(set shot.Set) string {
	return fmt.Sprintf("%v beside %v", set.Drop.Height, set.Light.Lag)
}

func withSlowPlans(t *testing.T) (*harness, *slowPlans) {
	plans := &slowPlans{}
	x := setUp(t, func(o *Options) { o.makePlan = plans.make })
	x.ready()
	return x, plans
}

// A plan that is never made holds up neither a disarm nor an arming, which goes by the set there is.
func TestAPlanThatIsNeverMadeHoldsUpNothing(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x, plans := withSlowPlans(t)
		x.arm(1)
		x.must(me, Command{Type: "disarm"})
		before := x.Snapshot()
		never := make(chan struct{})
		plans.set(func() { <-never })
		put := make(chan error, 1)
		go func() {
			put <- x.Do(context.Background(), me, Command{Type: "set", Field: "drop.height", Value: "60 cm"})
		}()
		synctest.Wait()
		start := time.Now()
		x.arm(1)
		assert.Equal(t, wire.Armed, x.dev.now())
		assert.Equal(t, before.Set, x.Snapshot().Set)
		x.must(other, Command{Type: "disarm"})
		assert.Equal(t, wire.Safe, x.dev.now())
		assert.Zero(t, time.Since(start))
		x.arm(2)
		close(never)
		require.Error(t, <-put, "it is armed with another set")
		assert.Equal(t, before.Set, x.Snapshot().Set)
		assert.Equal(t, before.Preview, x.Snapshot().Preview)
	})
}

// A disarm does not wait for the plan for a board that comes back either.
func TestAPlanForABoardThatComesBack(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x, plans := withSlowPlans(t)
		never := make(chan struct{})
		plans.set(func() { <-never })
		x.dev.vanish(board.ErrGone)
		time.Sleep(time.Second)
		start := time.Now()
		assert.Contains(t, x.refused(me, Command{Type: "disarm"}).Why, "no board")
		assert.Zero(t, time.Since(start))
		close(never)
		synctest.Wait()
		assert.True(t, x.Snapshot().Board.Connected)
		x.arm(1)
	})
}

// Sets change, boards come and go, and each plan takes its time: what is shown is always the plan for the set that is
// shown, no change is lost, and "done" comes when the plan is there.
func TestPlansBelongToTheirSets(t *testing.T) {
	for seed := range uint64(20) {
		t.Run(fmt.Sprintf("seed %d", seed), func(t *testing.T) {
			inBubble(t, func(t *testing.T) {
				x, plans := withSlowPlans(t)
				var mu sync.Mutex
				r := rand.New(rand.NewPCG(seed, 0))
				random := func(n int) int { mu.Lock(); defer mu.Unlock(); return r.IntN(n) }
				plans.set(func() { time.Sleep(time.Duration(random(40)) * time.Millisecond) })
				check := func(s *Snapshot) {
					if s.Preview != nil {
						assert.Equal(t, summaryOf(s.Set), s.Preview.Summary)
					}
				}
				var all sync.WaitGroup
				for _, field := range []string{"drop.height", "light.lag"} {
					all.Go(func() {
						unit := map[string]string{"drop.height": "cm", "light.lag": "ms"}[field]
						for i := range 20 {
							value := fmt.Sprintf("%d %s", 40+i, unit)
							assert.NoError(t, x.Do(context.Background(), me, Command{Type: "set", Field: field, Value: value}))
							s := x.Snapshot()
							check(s)
							assert.Equal(t, value, map[string]string{"drop.height": s.Set.Drop.Height.String(),
								"light.lag": s.Set.Light.Lag.String()}[field])
							time.Sleep(time.Duration(random(30)) * time.Millisecond)
						}
					})
				}
				all.Go(func() {
					for range 3 {
						time.Sleep(time.Duration(random(300)) * time.Millisecond)
						x.dev.vanish(board.ErrGone)
					}
				})
				for range 300 {
					check(x.Snapshot())
					time.Sleep(7 * time.Millisecond)
				}
				all.Wait()
			})
		})
	}
}

// TestElevation: a phone gets the set as a drawing with each change, also of a set that only this board cannot do.
func TestElevation(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		x.ready()
		before := x.Snapshot().Elevation
		assert.Contains(t, before, `data-field="drop.height" role="button"`)
		assert.NotContains(t, before, "cannot work")
		x.must(me, Command{Type: "set", Field: "drop.height", Value: "55 cm"})
		after := x.Snapshot().Elevation
		assert.Contains(t, after, "55\u00a0cm")
		assert.NotEqual(t, before, after)

		x.must(me, Command{Type: "set", Field: "light.shutter", Value: "edge"})
		x.must(me, Command{Type: "set", Field: "light.lag", Value: "1 s"})
		snap := x.Snapshot()
		require.NotNil(t, snap.Refusal)
		assert.Contains(t, snap.Elevation, "cannot work")
		assert.Contains(t, snap.Elevation, html.EscapeString(snap.Refusal.Why[1:20]))
	})
}
