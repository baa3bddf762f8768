package main

import (
	"os"
	"regexp"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// The calculators' command lines that the README and the manual page show work as they are.
func TestCommandLinesThatAreShown(t *testing.T) {
	tried := 0
	for _, path := range []string{"../../README.md", "../release/files/stillwater.1"} {
		text, err := os.ReadFile(path)
		require.NoError(t, err)
		shown := regexp.MustCompile(`(?m)^(?:    )?stillwater ((?:drop|throw|sound|drops|light) .*--?.*)$`)
		for _, m := range shown.FindAllStringSubmatch(string(text), -1) {
			line := regexp.MustCompile(`\\(.)`).ReplaceAllString(m[1], "$1") // as troff writes a hyphen
			status, _, errs := calculateWords(t, shellWords(line))
			assert.Zero(t, status, "%s: %s: %s", path, line, errs)
			tried++
		}
	}
	assert.GreaterOrEqual(t, tried, 6)
}

// shellWords splits a command line at its spaces, but for those in double quotes.
func shellWords(line string) (words []string) {
	for _, m := range regexp.MustCompile(`"([^"]*)"|(\S+)`).FindAllStringSubmatch(line, -1) {
		words = append(words, m[1]+m[2])
	}
	return words
}
