package control

import (
	"testing"

	"github.com/stretchr/testify/require"

	"stillwater/internal/shot"
)

// BenchmarkPlan is what one change of the set costs: the mutex is held for as long.
func BenchmarkPlan(b *testing.B) {
	for _, kind := range []string{"drop", "throw", "sound"} {
		b.Run(kind, func(b *testing.B) {
			set, bench := shot.DefaultSet(), testBench()
			require.NoError(b, set.Put("kind", kind))
			for b.Loop() {
				makePlan(set, &bench)
			}
		})
	}
}
