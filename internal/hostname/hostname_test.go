package hostname

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
)

func TestValid(t *testing.T) {
	for name, want := range map[string]bool{"stillwater": true, "a": true, "S-1": true, strings.Repeat("x", 63): true,
		"": false, "-a": false, "a-": false, "a.b": false, "a b": false, "é": false, strings.Repeat("x", 64): false,
		"a\n": false} {
		assert.Equal(t, want, Valid(name), "%q", name)
	}
}
