package main

import (
	"runtime/debug"
	"testing"

	"github.com/stretchr/testify/assert"
)

func TestVersion(t *testing.T) {
	for _, c := range [][3]string{ // release, Go's version of the module, what is said
		{"0.1.0", "v0.2.0", "0.1.0"},
		{"", "v0.1.0", "0.1.0"},
		{"", "v0.1.1-0.20261128120000-0123456789ab+dirty", "0.1.1-0.20261128120000-0123456789ab+dirty"},
		{"", "(devel)", "(development)"},
		{"", "", "(development)"},
	} {
		assert.Equal(t, c[2], versionOf(c[0], &debug.BuildInfo{Main: debug.Module{Version: c[1]}}), "%q", c)
	}
	assert.Equal(t, "(development)", versionOf("", nil), "built without modules")
}
