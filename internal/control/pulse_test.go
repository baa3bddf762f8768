package control

import (
	"encoding/json"
	"errors"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/board"
	"stillwater/internal/wire"
)

// One output is switched on for its own short time, never for longer than it may be, and the page shows what the
// board planned and what it did.
func TestPulse(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		x.ready()
		assert.Equal(t, []OutputView{{Name: "shutter", TestMs: 300}, {Name: "flash", TestMs: 5}}, x.Snapshot().Board.Outputs)
		x.must(me, Command{Type: "pulse", Output: "flash"})
		require.Len(t, x.dev.pulses, 1)
		assert.Equal(t, uint8(1), x.dev.pulses[0].Output)
		assert.Equal(t, 5*time.Millisecond, x.dev.pulses[0].Off-x.dev.pulses[0].On)
		assert.Equal(t, "planned at once for 5.0 ms; on after 0.012 ms, for 5.000 ms", x.Snapshot().Board.Outputs[1].Tested)
		assert.Empty(t, x.Snapshot().Board.Outputs[0].Tested)
		assert.Empty(t, x.journal.kept(), "a test is no shot")

		// Flashing light: less than three a second, whatever is asked for.
		assert.Contains(t, x.refused(me, Command{Type: "pulse", Output: "flash"}).Why, "too soon")
		time.Sleep(minPulseInterval)
		x.must(me, Command{Type: "pulse", Output: "shutter"})
		assert.Len(t, x.dev.pulses, 2)
	})
	assert.Greater(t, 3*minPulseInterval, time.Second)
	assert.Equal(t, time.Millisecond, TrialWidth(board.OutputInfo{Kind: wire.OutputFlash, MaxOn: time.Millisecond}))
	assert.Equal(t, 50*time.Millisecond, TrialWidth(board.OutputInfo{Kind: wire.OutputValve}))
}

func TestPulseIsRefused(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		pulse := Command{Type: "pulse", Output: "flash"}
		x.Join(me)
		assert.Contains(t, x.refused(me, pulse).Why, "Nobody holds")
		x.must(me, Command{Type: "take"})
		assert.Contains(t, x.refused(me, pulse).Why, "checklist")
		x.ready()
		x.Join(other)
		assert.Contains(t, x.refused(other, pulse).Why, "with "+me)
		for _, name := range []string{"", "valve"} {
			assert.Contains(t, x.refused(me, Command{Type: "pulse", Output: name}).Why, "no output")
		}
		x.arm(1)
		assert.Contains(t, x.refused(me, pulse).Why, "while armed")
		x.must(me, Command{Type: "disarm"})
		x.dev.fail["pulse"] = &board.RefusedError{Request: wire.TypePulse, Reason: wire.ReasonKill}
		assert.Contains(t, x.refused(me, pulse).Why, "kill switch")
		assert.Empty(t, x.dev.pulses)

		x.noBoard(errors.New("no lines"))
		x.dev.vanish(board.ErrGone)
		synctest.Wait()
		r := x.refused(me, pulse)
		assert.Contains(t, r.Why, "reconnecting", r)
		assert.Empty(t, x.Snapshot().Board.Outputs)
	})
}

// A page need not ask whether a list is there.
func TestListsAreNeverNull(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t, func(o *Options) {
			o.Wire = func(board.Identity) (Wiring, error) { return Wiring{}, errors.New("unknown") }
		})
		for range 2 {
			text, err := json.Marshal(x.Snapshot())
			require.NoError(t, err)
			var whole map[string]any
			require.NoError(t, json.Unmarshal(text, &whole))
			for _, may := range []string{"preview", "refusal", "repeat", "room", "sweep"} {
				delete(whole, may)
			}
			if tuning, has := whole["tuning"].(map[string]any); has {
				delete(tuning, "gap")
			}
			text, err = json.Marshal(whole)
			require.NoError(t, err)
			assert.NotContains(t, string(text), "null")
			x = setUp(t)
		}
	})
}
