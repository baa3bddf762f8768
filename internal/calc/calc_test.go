package calc

import (
	"fmt"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/phys"
	"stillwater/internal/shot"
)

// Each number for scripts has its unit in its key, and what people read is the same number.
func TestAnswersForPeopleAndScripts(t *testing.T) {
	set := func(kind shot.Kind) shot.Set {
		s := shot.DefaultSet()
		s.Kind = kind
		return s
	}
	hasUnit := regexp.MustCompile(`_(ms|mm|m_s|deg|c|percent)$`)
	drop, err := Drop(set(shot.Drop))
	require.NoError(t, err)
	throw, err := Throw(set(shot.Throw), phys.Time(25e-3))
	require.NoError(t, err)
	sound, err := Sound(set(shot.Sound), false)
	require.NoError(t, err)
	for says, a := range map[string]Answer{
		"Delay from the beam: %.1f ms": drop, "Delay from the second beam: %.1f ms": throw, "The sound takes %.2f ms": sound,
	} {
		for key, v := range a.JSON() {
			if _, number := v.(float64); number {
				assert.Regexp(t, hasUnit, key)
			}
		}
		var out strings.Builder
		require.NoError(t, a.Write(&out))
		assert.Contains(t, out.String(), fmt.Sprintf(says, a.JSON()["delay_ms"]))
		assert.Contains(t, out.String(), "total, first shot")
	}
}

// A moment that is over when the sound is heard is refused, with what would help; while none is wanted it is no matter.
func TestSoundTooSoon(t *testing.T) {
	s := shot.DefaultSet()
	s.Kind, s.Sound.After = shot.Sound, phys.Time(2e-3)
	_, err := Sound(s, true)
	assert.ErrorContains(t, err, "move the microphone to within 686 mm, or ask for a moment at least 2.38 ms later")
	s.Sound.After = 0
	_, err = Sound(s, true)
	assert.ErrorContains(t, err, "ask for a moment at least 4.38 ms later")
	assert.NotContains(t, err.Error(), "move")
	_, err = Sound(s, false)
	assert.NoError(t, err)
}

// A trim that takes the whole delay away is refused, and the least that is not works.
func TestTrimsThatLeaveNoDelay(t *testing.T) {
	answers := map[shot.Kind]func(shot.Set) error{
		shot.Drop:  func(s shot.Set) error { _, err := Drop(s); return err },
		shot.Drops: func(s shot.Set) error { _, err := Drops(s); return err },
		shot.Throw: func(s shot.Set) error { _, err := Throw(s, 25e-3); return err },
	}
	for kind, of := range answers {
		set := shot.DefaultSet()
		set.Kind = kind
		field := "trim." + string(kind)
		require.NoError(t, set.Put(field, "-1 s"))
		wrong := new(shot.FieldError)
		require.ErrorAs(t, of(set), &wrong, kind)
		assert.Equal(t, field, wrong.Field)
		least, _, ok := strings.Cut(strings.TrimPrefix(wrong.Remedy, "use "), " or more")
		require.True(t, ok, wrong.Remedy)
		require.NoError(t, set.Put(field, least))
		assert.NoError(t, of(set), kind)
		number, err := strconv.ParseFloat(strings.TrimSuffix(least, " ms"), 64)
		require.NoError(t, err)
		require.NoError(t, set.Put(field, fmt.Sprintf("%.1f ms", number-0.1)))
		assert.Error(t, of(set), kind)
	}
}
