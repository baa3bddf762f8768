package lighting

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"stillwater/internal/shot"
)

// What is common practice works with the set of each kind as it comes.
func TestPracticeWorksWithTheUsualSets(t *testing.T) {
	for _, kind := range shot.Kinds() {
		set := shot.DefaultSet()
		set.Kind = kind
		for _, s := range judge(t, Practice(set)).Steps {
			assert.NotEqual(t, Change, s.Verdict, "%s, %s: %s %s", kind, s.ID, s.Says, s.Next)
		}
	}
}
