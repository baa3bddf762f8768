package main

import (
	"os"
	"path"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// code finds what documents show as typed: between backquotes, or on lines that are set in.
var code = regexp.MustCompile("(?m)`[^`\n]+`|^(?:    |\t|ExecStart=).+$")

// The table of commands is the only one: manual and completion are made from what help says, and what documents show as
// typed is in it, with its flags.
func TestDocumentsShowCommandsThatAre(t *testing.T) {
	root := "../.."
	files, err := filepath.Glob(filepath.Join(root, "cmd/release/files/*"))
	require.NoError(t, err)
	for _, pattern := range []string{"*.md", "*/*.md"} {
		found, err := filepath.Glob(filepath.Join(root, pattern))
		require.NoError(t, err)
		files = append(files, found...)
	}
	help, seen := helpOf(t), map[string]bool{}
	for _, file := range files {
		text, err := os.ReadFile(file)
		require.NoError(t, err)
		for _, shown := range code.FindAllString(string(text), -1) {
			for _, words := range commandLines(strings.Trim(shown, "`")) {
				seen[holdCommand(t, help, file, words)] = true
			}
		}
	}
	for _, c := range commands() {
		if c.name != "help" && c.name != "version" {
			assert.True(t, seen[c.name], "no document shows stillwater %s", c.name)
		}
	}
}

// commandLines are the command lines of Stillwater in a line of a shell, from the word after its name.
func commandLines(line string) (all [][]string) {
	line, _, _ = strings.Cut(line, " #")
	words := strings.Fields(line)
	for i, word := range words {
		const packageName = "cmd/stillwater" // in a layer table, followed by what it does
		if path.Base(word) == "stillwater" && word != packageName && i+1 < len(words) {
			all = append(all, words[i+1:])
		}
	}
	return all
}

// holdCommand asserts that the words after the program's name are a command, if they begin with one, and that it has
// the flags that follow.
func holdCommand(t *testing.T, help map[string]string, file string, words []string) (name string) {
	isWord := regexp.MustCompile(`^[a-z]+$`).MatchString
	if isWord(words[0]) {
		name = words[0]
		known := slices.ContainsFunc(commands(), func(c command) bool { return c.name == name })
		if !assert.True(t, known, "%s: there is no stillwater %s", file, name) {
			return name
		}
	} else if !strings.HasPrefix(words[0], "--") {
		return ""
	}
	for _, word := range words {
		if flag, is := strings.CutPrefix(word, "--"); is && flag != "" {
			flag, _, _ = strings.Cut(flag, "=")
			assert.Regexp(t, `(?m)^  --`+flag+`\b`, help[name], "%s: stillwater %s has no --%s", file, name, flag)
		}
	}
	return name
}
