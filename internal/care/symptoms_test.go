package care

import (
	"html"
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// README and page say what the one source says.
func TestSymptomsAreShown(t *testing.T) {
	for _, file := range []string{"../../README.md", "../../web/index.html"} {
		text, err := os.ReadFile(file)
		require.NoError(t, err)
		plain := strings.NewReplacer("*", "", "\u00a0", " ").Replace(html.UnescapeString(string(text)))
		for _, s := range Symptoms() {
			assert.Contains(t, plain, s.What, file)
			require.NotEmpty(t, s.Causes)
			for _, c := range s.Causes {
				assert.Contains(t, plain, c.Why+". "+c.Do, file)
			}
		}
	}
}
