package export

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"stillwater/internal/journal"
)

func TestHarmless(t *testing.T) {
	for text, want := range map[string]string{"": "", "wet": "wet", "a=b": "a=b", "=1+1": "'=1+1", "+x": "'+x",
		"-x": "'-x", "@SUM(A1)": "'@SUM(A1)", "\tx": "'\tx", "\rx": "'\rx", "\n=x": "'\n=x", "＝x": "'＝x", "'=x": "'=x"} {
		assert.Equal(t, want, harmless(text))
	}
}

func TestLostWords(t *testing.T) {
	lost := []journal.Shot{{Session: 2, Number: 9}, {Session: 1, Number: 3}, {Session: 2, Number: 7},
		{Session: 2, Number: 8}, {ID: 5}}
	assert.Equal(t, "session 1: shots 3; session 2: shots 7 to 9; 1 more, whose numbers cannot be read", LostWords(lost))
	for n := range 200 {
		lost = append(lost, journal.Shot{Session: 3, Number: 2 * n})
	}
	assert.Less(t, len(LostWords(lost)), 300)
}
