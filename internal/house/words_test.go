package house

import (
	"fmt"
	"go/ast"
	"go/token"
	"regexp"
	"slices"
	"strings"
	"unicode"
)

// plainPackages are free of private words. The list grows until it holds every package.
var plainPackages = []string{"internal/phys", "internal/care", "internal/record", "internal/wiring",
	"internal/ballistics", "internal/splash", "internal/clocksync", "internal/shot", "internal/wire",
	"internal/trigger", "internal/executor", "internal/board", "internal/board/boardtest", "internal/scene",
	"internal/rig", "internal/bootclock", "internal/render", "internal/house", "internal/spawn", "internal/gpioboard",
	"internal/gpioboard/gpioboardtest", "internal/serialboard", "internal/serialboard/serialboardtest",
	"internal/lateness", "internal/lateness/bench", "internal/service", "internal/service/servicetest",
	"internal/proctest", "internal/devnode", "internal/hostname", "firmware/image", "firmware/image/imagetest",
	"firmware/flash", "firmware/avr", "internal/realtime", "internal/serialport", "internal/gpiochip",
	"hardware/circuit", "hardware/layout", "hardware/gen", "internal/control", "internal/journal", "internal/page",
	"internal/page/pagetest", "internal/check", "internal/pairing", "internal/calc", "internal/config",
	"internal/elevation", "internal/history", "cmd/stillwater"}

// privateWords are words that were once used here for things that have a name in the field.
var privateWords = map[string]string{
	"bell": "notify, wake", "cure": "fix", "cured": "fixed, holds", "deaf": "rejects, ignores",
	"doubt": "uncertainty", "lift": "raise, convert", "mend": "fix, correct", "mended": "fixed, corrected",
	"mends": "fixes, corrects", "plug": "connect, assign", "quiet": "timed out, silent", "reckon": "compute",
	"reckoned": "computed", "rouse": "wake", "sane": "valid", "stranger": "unknown, not a board",
	"tend": "run, serve", "told": "reported, sent", "trouble": "fault, problem, error",
}

// privatePhrases are the same in comments, with what to write instead.
var privatePhrases = regexp.MustCompile(`(?i)\b(give or take|to do without|do without|puts? down when|puts? down)\b`)

// standardTerms contain one of the words and are the field's own.
var standardTerms = regexp.MustCompile(`(?i)\bquiet zone\b`)

// standardNames are identifiers from standardTerms.
var standardNames = []string{"quietZone"}

func wordRule() rule {
	return rule{"names and comments use the field's words", eachGo(checkWords), []example{
		{one("internal/wire/a.go", "package wire", "func deafUntil() {}"), `internal/wire/a.go:2: "deaf" in deafUntil`},
		{one("internal/wire/a.go", "package wire", "type StrangerError struct{}"), `"stranger" in StrangerError`},
		{one("internal/wire/a.go", "package wire", "func f() { clockDoubtNs := 1; _ = clockDoubtNs }"), `"doubt"`},
		{one("internal/rig/a_test.go", "package rig", "// f is", "// Told twice."), `internal/rig/a_test.go:3: "told"`},
		{one("internal/rig/a.go", "package rig", "// f puts down", "// when it was."), `"puts down"`},
		{one("internal/rig/a.go", "package rig", "var x = 1 // give or take 2"), `"give or take"`},
	}, []files{
		one("internal/render/a.go", "package render", "// quietZone is the quiet zone.", "const quietZone = 4"),
		one("internal/wire/a.go", "package wire", `var plugin, intend = "told, deaf", 1`),
		one("internal/plain/a.go", "package plain", "func deaf() {}"),
	}}
}

func checkWords(s source) (found []string) {
	if !slices.Contains(plainPackages, s.dir()) {
		return nil
	}
	report := func(pos token.Pos, word, where string) {
		found = append(found, fmt.Sprintf("%s: %q in %s: write %s", s.at(pos), word, where, privateWords[word]))
	}
	ast.Inspect(s.code, func(n ast.Node) bool {
		name, ok := n.(*ast.Ident)
		if !ok || slices.Contains(standardNames, name.Name) {
			return true
		}
		for _, word := range nameWords(name.Name) {
			if privateWords[word] != "" {
				report(name.Pos(), word, name.Name)
			}
		}
		return true
	})
	for _, group := range s.code.Comments {
		for _, line := range group.List {
			found = append(found, commentWords(s, line)...)
		}
	}
	return found
}

// commentWords finds private words in one line of a comment.
func commentWords(s source, line *ast.Comment) (found []string) {
	text := standardTerms.ReplaceAllString(line.Text, "")
	for _, name := range standardNames {
		text = strings.ReplaceAll(text, name, "")
	}
	if phrase := privatePhrases.FindString(text); phrase != "" {
		found = append(found, fmt.Sprintf("%s: %q in a comment", s.at(line.Pos()), strings.ToLower(phrase)))
	}
	for _, word := range strings.FieldsFunc(text, func(r rune) bool { return !unicode.IsLetter(r) }) {
		if instead := privateWords[strings.ToLower(word)]; instead != "" {
			found = append(found,
				fmt.Sprintf("%s: %q in a comment: write %s", s.at(line.Pos()), strings.ToLower(word), instead))
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
