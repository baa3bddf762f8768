package rig

import (
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/board"
	"stillwater/internal/phys"
	"stillwater/internal/shot"
)

// The whole chain from physics to pins keeps the table's bound: Compile makes the table, the client turns it into
// ticks, the board interpolates in them. What it chose for each throw's interval is the exact delay of that interval,
// worked out anew, within TableError and two ticks of rounding; and the flash is ordered for that moment.
func TestDelaysAreThoseOfThePhysics(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBed(t, Options{Seed: 41})
		set := throwSet()
		set.Light.Recycle = 1
		b.arm(set, 100)
		var worst time.Duration
		shots := 0
		for shots < 40 {
			require.NoError(t, b.rig.Release(t.Context(), set))
			var made *board.ShotReport
			for _, e := range b.during(5 * time.Second) {
				if e.Shot != nil {
					made = e.Shot
				}
			}
			if made == nil {
				continue // out of the range accepted, or missed by a beam
			}
			shots++
			exact, err := set.EstimateAt(phys.Seconds(made.Interval()))
			require.NoError(t, err)
			off := (made.Delay - exact.Delay.Duration()).Abs()
			worst = max(worst, off)
			assert.LessOrEqual(t, off, shot.MaxTableError+2*tick, "interval %v", made.Interval())
			assert.Equal(t, made.Delay-Bench().Flash.Delay, flashCue(t, made).Planned-made.ClockAt)
		}
		t.Logf("seed 41: %d throws, worst difference from the exact physics %v", shots, worst)
		assert.NotZero(t, worst, "a table cannot be exact: is the check looking?")
	})
}
