package lighting

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/shot"
)

// A short light and a right key light do not send a person to and fro: what one step offers leaves the other as it is.
func TestFixesOfFreezeAndKeyAgree(t *testing.T) {
	usual := []string{"flash.guide", "20 m", "flash.duration", "3 ms", "flash.control", "cut-off"}
	for _, power := range []string{"full", "1/4", "1/16", "1/64", "1/128"} {
		for _, kind := range []shot.Kind{shot.Throw, shot.Drop} {
			r := judge(t, of(kind), append([]string{"flash.power", power}, usual...)...)
			for _, step := range []string{"freeze", "key"} {
				s := r.step(t, step)
				if s.Verdict != Change {
					continue
				}
				require.NotEmpty(t, s.Fixes, "%s of a %s at %s: %s", step, kind, power, s.Next)
				for _, fix := range s.Fixes {
					next := r.Set
					require.NoError(t, fix.Put(&next))
					then := judge(t, next.WithoutStale(r.Set))
					assert.Equal(t, Works, then.step(t, step).Verdict, "%s of a %s at %s, %v", step, kind, power, fix)
					if step == "freeze" {
						assert.Equal(t, Works, then.step(t, "key").Verdict, "key of a %s at %s, %v", kind, power, fix)
					} else if r.step(t, "freeze").Verdict != Change {
						assert.NotEqual(t, Change, then.step(t, "freeze").Verdict, "freeze of a %s at %s, %v", kind, power, fix)
					}
				}
			}
		}
	}
	short := judge(t, of(shot.Throw), append([]string{"flash.power", "1/64"}, usual...)...)
	require.Equal(t, Works, short.step(t, "freeze").Verdict)
	require.Equal(t, Change, short.step(t, "key").Verdict)
	assert.Contains(t, short.step(t, "key").Next, "too long for the freeze check")
}

// An opening is offered only if the shot works with it.
func TestOpeningThatDoesNotCompile(t *testing.T) {
	set := judge(t, Practice(of(shot.Drop)), "room.frame_seen", "60 %").Set
	for _, works := range []bool{true, false} {
		r, err := JudgeFor(set, func(shot.Set) bool { return works })
		require.NoError(t, err)
		s := r.step(t, "dark")
		require.Equal(t, Change, s.Verdict, s.Says)
		assert.Contains(t, s.Next, "Darken by")
		assert.Equal(t, works, len(s.Fixes) == 1, s.Next)
		if !works {
			assert.NotContains(t, s.Next, "open the shutter")
		}
	}
}

// The frame to expect is the lens's, not what the ruler shows; a ruler that differs can be cleared.
func TestFramingExpectsWhatTheLensGives(t *testing.T) {
	r := judge(t, Practice(of(shot.Drop)), "camera.field_seen", "30 cm")
	s := r.step(t, "framing")
	assert.Contains(t, s.Expect, "14.4 cm wide")
	require.Len(t, s.Fixes, 1)
	assert.NotContains(t, judge(t, r.Set, s.Fixes[0].Field, s.Fixes[0].Value).step(t, "framing").Says, "by the ruler")
}

// What is said of a lens that nobody typed takes its aperture back, too.
func TestUsualLensOffersNothing(t *testing.T) {
	r := judge(t, of(shot.Drop), "camera.aperture", "f/4")
	require.True(t, r.UsualLens())
	assert.Empty(t, r.step(t, "focus").Fixes)
	assert.NotEmpty(t, judge(t, r.Set, "camera.field_seen", "14 cm").step(t, "focus").Fixes)
}

// Short enough is how long the light then lasts, and that is no longer than it has to be.
func TestShortEnoughIsTheDuration(t *testing.T) {
	r := judge(t, Practice(of(shot.Throw)), "flash.figures", "1/16 1/500 s")
	s := r.step(t, "freeze")
	require.Equal(t, Change, s.Verdict)
	then := judge(t, r.Set, "flash.power", s.Fixes[0].Value)
	assert.Contains(t, s.Next, "short enough ("+inTime(then.Light.Pulse.Tenth)+")")
	assert.Contains(t, judge(t, r.Set, "flash.smear", "40").step(t, "freeze").Next, "less power, as this unit")
}
