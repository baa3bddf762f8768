package house

import (
	"fmt"
	"go/ast"
	"go/token"
	"path"
	"regexp"
	"slices"
	"strings"
	"unicode"
)

// privateWords are words that were once used here for things that have a name in the field.
var privateWords = map[string]string{
	"bell": "notify, wake", "cure": "fix", "cured": "fixed, holds", "deaf": "rejects, ignores",
	"doubt": "uncertainty", "lift": "raise, convert", "mend": "fix, correct", "mended": "fixed, corrected",
	"mends": "fixes, corrects", "plug": "connect, assign", "quiet": "timed out, silent", "reckon": "compute",
	"reckoned": "computed", "rouse": "wake", "sane": "valid", "stranger": "unknown, not a board",
	"tend": "run, serve", "told": "reported, sent", "trouble": "fault, problem, error",
}

// privatePhrases are the same in comments, with what to write instead.
var privatePhrases = regexp.MustCompile(`(?i)\b(give or take|do(es)? without|puts? down)\b`)

// standardTerms contain one of the words and are the field's own.
var standardTerms = regexp.MustCompile(`(?i)\bquiet zone\b`)

// standardNames are identifiers from standardTerms.
var standardNames = []string{"quietZone"}

func wordRule() rule {
	return rule{"names and comments use the field's words", each(checkWords), []example{
		{one("internal/wire/a.go", "package wire", "func deafUntil() {}"), `internal/wire/a.go:2: "deaf" in deafUntil`},
		{one("internal/wire/a.go", "package wire", "type StrangerError struct{}"), `"stranger" in StrangerError`},
		{one("internal/wire/a.go", "package wire", "func f() { clockDoubtNs := 1; _ = clockDoubtNs }"), `"doubt"`},
		{one("internal/rig/a_test.go", "package rig", "// f is", "// Told twice."), `internal/rig/a_test.go:3: "told"`},
		{one("internal/rig/a.go", "package rig", "// f puts down", "// when it was."), `"puts down"`},
		{one("internal/rig/a.go", "package rig", "var x = 1 // give or take 2"), `"give or take"`},
		{one("internal/rig/a.go", "package rig", "// f does without it."), `"does without"`},
		{one("firmware/src/a.c", "/* What the host", " * was told. */"), `firmware/src/a.c:2: "told" in a comment`},
		{one("firmware/src/a.h", "static int quiet_samples;"), `"quiet" in quiet_samples`},
		{one("web/js/a.js", "/** What it was told. */", "let x = 1;"), `web/js/a.js:1: "told" in a comment`},
	}, []files{
		one("internal/render/a.go", "package render", "// quietZone is the quiet zone.", "const quietZone = 4"),
		one("internal/wire/a.go", "package wire", `var plugin, intend = "told, deaf", 1`),
		one("firmware/src/a.c", `const char *name = "quiet"; /* tendency */`),
		one("web/js/a.js", "const words = [`quiet`, 'told']; // Shown."),
		one("README.md", "If in doubt, unplug."),
	}}
}

// otherBounds is how a constant is named that bounds something and is called neither min... nor max...
var otherBounds = regexp.MustCompile(`^(least|most|fewest|greatest|Least|Most|Fewest|Greatest)[A-Z]|(Least|Most)$`)

func boundRule() rule {
	return rule{"bounds are min and max", eachGo(checkBounds), []example{
		{one("a.go", "package a", "const leastGap = 1"), "a.go:2: leastGap: name bounds min... and max..."},
		{one("a.go", "package a", "const (", "a = 1", "gapMost = 2", ")"), "a.go:4: gapMost"},
	}, []files{one("a.go", "package a", "const minGap, maxGap, mostly, almost = 1, 2, 3, 4", "func leastOf() {}")}}
}

func checkBounds(s source) (found []string) {
	for _, d := range s.code.Decls {
		group, ok := d.(*ast.GenDecl)
		if !ok || group.Tok != token.CONST {
			continue
		}
		for _, spec := range group.Specs {
			for _, name := range spec.(*ast.ValueSpec).Names {
				if otherBounds.MatchString(name.Name) {
					found = append(found, fmt.Sprintf("%s: %s: name bounds min... and max...", s.at(name.Pos()), name.Name))
				}
			}
		}
	}
	return found
}

// cToken is a comment, a string or a name of C, or of JavaScript.
var cToken = regexp.MustCompile(`(?s:/\*.*?\*/)|//.*|"(?:\\.|[^"\\\n])*"|'(?:\\.|[^'\\\n])*'|` +
	"`[^`]*`" + `|[A-Za-z_]\w*`)

func checkWords(s source) (found []string) {
	switch path.Ext(s.path) {
	case ".go":
		ast.Inspect(s.code, func(n ast.Node) bool {
			if name, ok := n.(*ast.Ident); ok {
				found = append(found, wordsInName(s.at(name.Pos()), name.Name)...)
			}
			return true
		})
		for _, group := range s.code.Comments {
			for _, c := range group.List {
				found = append(found, wordsInComment(s.path, s.fset.Position(c.Pos()).Line, c.Text)...)
			}
		}
	case ".c", ".h", ".js", ".ts":
		for _, at := range cToken.FindAllStringIndex(s.text, -1) {
			text, line := s.text[at[0]:at[1]], 1+strings.Count(s.text[:at[0]], "\n")
			switch text[0] {
			case '/':
				found = append(found, wordsInComment(s.path, line, text)...)
			case '"', '\'', '`':
			default:
				found = append(found, wordsInName(fmt.Sprintf("%s:%d", s.path, line), text)...)
			}
		}
	}
	return found
}

// wordsInName finds private words in an identifier.
func wordsInName(at, name string) (found []string) {
	if slices.Contains(standardNames, name) {
		return nil
	}
	for _, word := range nameWords(name) {
		if instead := privateWords[word]; instead != "" {
			found = append(found, fmt.Sprintf("%s: %q in %s: write %s", at, word, name, instead))
		}
	}
	return found
}

// wordsInComment finds private words in a comment that begins in a line.
func wordsInComment(path string, first int, comment string) (found []string) {
	for i, text := range strings.Split(comment, "\n") {
		at := fmt.Sprintf("%s:%d", path, first+i)
		text = standardTerms.ReplaceAllString(text, "")
		for _, name := range standardNames {
			text = strings.ReplaceAll(text, name, "")
		}
		if phrase := privatePhrases.FindString(text); phrase != "" {
			found = append(found, fmt.Sprintf("%s: %q in a comment", at, strings.ToLower(phrase)))
		}
		for _, word := range strings.FieldsFunc(text, func(r rune) bool { return !unicode.IsLetter(r) }) {
			if instead := privateWords[strings.ToLower(word)]; instead != "" {
				found = append(found, fmt.Sprintf("%s: %q in a comment: write %s", at, strings.ToLower(word), instead))
			}
		}
	}
	return found
}

// nameWords splits a camel-case name into its words, in lower case.
func nameWords(name string) (words []string) {
	start := 0
	runes := []rune(name)
	for i := 1; i <= len(runes); i++ {
		if i == len(runes) || runes[i] == '_' || unicode.IsUpper(runes[i]) && !unicode.IsUpper(runes[i-1]) {
			words = append(words, strings.ToLower(strings.Trim(string(runes[start:i]), "_")))
			start = i
		}
	}
	return words
}
