package practice

import (
	"math"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/scene"
	"stillwater/internal/shot"
)

// A throw's words and its picture say the same: nothing is there if, and only if, the picture is one without a sheet.
// Its layers and spray are made up around the parcels of which the words are, so that a hundredth of the picture is
// allowed for.
func TestWordsAreOfThePicture(t *testing.T) {
	set := shot.DefaultSet()
	set.Kind = shot.Throw
	there, gone, cut := 0, 0, 0
	for seed := range uint64(3) {
		for _, late := range []time.Duration{-400, -250, -150, -90, 0, 90, 150, 250, 400} {
			frames, err := Frames(set, seed+1, late*time.Millisecond)
			require.NoError(t, err)
			if len(frames) == 0 {
				continue
			}
			f := frames[0]
			without := f
			without.Water = scene.Water{Liquid: f.Water.Liquid}
			with, empty := rendered(t, f, 96, seed), rendered(t, without, 96, seed)
			changed := 0.0
			for k := range with.Pix {
				if math.Abs(float64(with.Pix[k])-float64(empty.Pix[k])) > 12 {
					changed += 4. / 3 / float64(len(with.Pix))
				}
			}
			switch {
			case strings.HasPrefix(f.Words, "nothing there"):
				gone++
				assert.Less(t, changed, 0.01, "seed %d, %v ms late: %s", seed+1, late, f.Words)
			default:
				there++
				assert.Greater(t, changed, 0.002, "seed %d, %v ms late: %s", seed+1, late, f.Words)
			}
			if strings.Contains(f.Words, "outside of the picture") {
				cut++
			}
			t.Logf("seed %d, %v ms late: %.3f of the picture; %s", seed+1, int(late), changed, f.Words)
		}
	}
	assert.Positive(t, min(there, gone, cut))
}
