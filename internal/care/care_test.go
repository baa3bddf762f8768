package care

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
)

func TestChecklist(t *testing.T) {
	seen := map[string]bool{}
	whole := ""
	for _, c := range Checklist() {
		assert.NotEmpty(t, c.ID)
		assert.False(t, seen[c.ID], "id %q stands twice", c.ID)
		seen[c.ID] = true
		assert.True(t, strings.HasSuffix(c.Text, "."), "%q is not a sentence", c.Text)
		whole += c.Text
	}
	// The points the design says may never be missing.
	for _, word := range []string{"12 V", "mains", "30 mA", "optocoupler", "24 V", "2 mA", "thyristor",
		"capacitor", "drip loop", "dry", "three flashes", "licensed electrician"} {
		assert.Contains(t, whole, word)
	}
}
