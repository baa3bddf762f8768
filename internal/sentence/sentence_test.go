package sentence_test

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"stillwater/internal/sentence"
)

func TestFrom(t *testing.T) {
	for words, want := range map[string]string{
		"":                     "",
		"the room is not dark": "The room is not dark.",
		"it is dark.":          "It is dark.",
		"öffnung zu kurz":      "Öffnung zu kurz.",
		"5 ms is too short":    "5 ms is too short.",
	} {
		assert.Equal(t, want, sentence.From(words))
	}
	assert.Equal(t, "Crown highest", sentence.Capital("crown highest"))
	assert.Empty(t, sentence.Capital(""))
}
