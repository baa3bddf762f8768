package calc

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/rig"
	"stillwater/internal/shot"
)

// What the command line says to change is what the page says on the simulated board, and works there: an opening that
// is longer than its outputs may be on is no remedy.
func TestDropsRemediesFitTheBoard(t *testing.T) {
	for name, fields := range map[string][]string{
		"slow flow":          {"drops.head", "1 cm", "drops.bore", "0.5 mm"},
		"opening too short":  {"drops.first.open", "5 ms"},
		"pours":              {"drops.second.gap", "40 ms"},
		"slow and short":     {"drops.bore", "0.4 mm", "drops.first.open", "10 ms", "drops.second.open", "10 ms"},
		"beam too far down":  {"drops.beam", "39 cm"},
		"a low coefficient":  {"drops.discharge", "0.05"},
		"the column is gone": {"drops.second.gap", "3 s"},
	} {
		t.Run(name, func(t *testing.T) {
			set := shot.DefaultSet()
			set.Kind = shot.Drops
			for i := 0; i < len(fields); i += 2 {
				require.NoError(t, set.Put(fields[i], fields[i+1]))
			}
			_, err := Drops(set)
			onLine, onPage := new(shot.Refusal), new(shot.Refusal)
			require.ErrorAs(t, err, &onLine)
			_, _, err = shot.Compile(set, rig.Bench())
			require.ErrorAs(t, err, &onPage)
			assert.Equal(t, onPage, onLine)
			for _, fix := range onLine.Fixes {
				changed := set
				require.NoError(t, fix.Put(&changed))
				_, _, err := shot.Compile(changed, rig.Bench())
				assert.NoError(t, err, "%+v", fix)
			}
		})
	}
}
