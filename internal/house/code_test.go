package house

import (
	"fmt"
	"go/ast"
	"go/format"
	"go/token"
	"go/types"
	"regexp"
	"strings"
	"unicode/utf8"
)

const (
	longestLine     = 120  // runes
	longestFunction = 70   // lines: about one screen
	longestCommand  = 2500 // lines of the command without its tests
)

// The words are put together here, so that this file does not break its own rule.
var unfinished = regexp.MustCompile(`\b(TO` + `DO|FIX` + `ME|XX` + `X|HA` + `CK|W` + `IP)\b`)

// ownPaths are folders that exist on one person's machine only.
var ownPaths = regexp.MustCompile(`(^|[^\w./-])(/(home|Users|root|wor` + `k|mnt|media)/[\w.-]|[A-Z]:\\Users\\)`)

// atTop are the names that may stand at the repository's top, apart from those that begin with a dot.
var atTop = map[string]bool{"cmd": true, "firmware": true, "internal": true, "web": true, "hardware": true,
	"testdata": true, "go.mod": true, "go.sum": true, "README.md": true, "DEVELOPERS.md": true, "LICENSE": true}

// fuzzName is what Go takes for a fuzz target.
var fuzzName = regexp.MustCompile(`^Fuzz(\P{Ll}|$)`)

// outside finds addresses that a browser would fetch from elsewhere. The names of XML namespaces are not fetched.
var (
	outside    = regexp.MustCompile(`(?i)\b(https?|wss?|ftp)://[a-z0-9\[]|["'(=]\s*//[a-z0-9-]+\.[a-z]`)
	namespaces = regexp.MustCompile(`http://www\.w3\.org/(2000/svg|1999/xlink|1999/xhtml)`)
)

// provenance is what a published table's header has: its source, or how its numbers were computed.
var provenance = regexp.MustCompile(`(?i)\b(sources?|obtained|computed)\b`)

// wellKnown methods say what they do by their interface.
var wellKnown = map[string]bool{"String": true, "Error": true, "Unwrap": true, "MarshalText": true,
	"UnmarshalText": true, "MarshalJSON": true, "UnmarshalJSON": true}

func codeRules() []rule { return append(append(styleRules(), shapeRules()...), fileRules()...) }

// styleRules are about how Go is written.
func styleRules() []rule {
	lines := func(n int) string { return strings.Repeat("\n", n-1) }
	return []rule{
		{"Go files are formatted", eachGo(checkFormat),
			[]example{{one("a.go", "package a", "var  x = 1", ""), "a.go: not as gofmt writes it"}},
			[]files{one("a.go", "package a", "", "var x = 1", "")}},
		{"lines are short", eachGo(checkLines),
			[]example{{one("a.go", "package a", "// "+strings.Repeat("é", 118)), "a.go:2: 121 runes"}},
			[]files{one("a.go", "package a", "// "+strings.Repeat("é", 117)), one("a.md", strings.Repeat("x", 200))}},
		{"no init functions", eachGo(checkInit),
			[]example{{one("a.go", "package a", "func init() {}"), "a.go:2: init"}},
			[]files{one("a.go", "package a", "type t int", "func (t) init() {}")}},
		{"contexts are passed, not kept", eachGo(checkContexts), []example{
			{one("a.go", "package a", "type t struct {", "ctx context.Context", "}"), "a.go:3: a context in a struct"},
			{one("a.go", "package a", "type t struct{ context.Context }"), "a.go:2: a context in a struct"},
		}, []files{one("a.go", "package a", "type t struct{ f func(context.Context) }", "func f(ctx context.Context) {}"),
			one("internal/frames/bounded.go", "package frames", "type t struct{ ctx context.Context }")}},
		{"functions fit on a screen", eachGo(checkLength),
			[]example{{one("a.go", "package a", "func f() {"+lines(71)+"}"), "a.go:2: f has 71 lines"}},
			[]files{one("a.go", "package a", "func f() {"+lines(70)+"}"),
				one("a_test.go", "package a", "func g() {"+lines(90)+"}")}},
		{"skips go through need", eachGo(checkSkips),
			[]example{{one("a_test.go", "package a", `func f(t T) { t.Skip("no") }`), "a_test.go:2: Skip"},
				{one("a_test.go", "package a", "func f(b T) { b.SkipNow() }"), "SkipNow"}},
			[]files{one("internal/need/need.go", "package need", `func f(t T) { t.Skipf("no") }`),
				one("a.go", "package a", "func f(d D) { d.Skip(3) }")}},
	}
}

// shapeRules are about what is documented.
func shapeRules() []rule {
	return []rule{
		{"packages are documented", checkPackageDoc,
			[]example{{files{"a/a.go": "package a", "a/b.go": "package a"}, "a: no package comment"}},
			[]files{{"a/a.go": "package a", "a/b.go": "// Package a is.\npackage a", "a/c_test.go": "package a_test"}}},
		{"exported names are documented", eachGo(checkExported), []example{
			{one("a.go", "package a", "func F() {}"), "a.go:2: F"},
			{one("a.go", "package a", "type T int"), "a.go:2: T"},
			{one("a.go", "package a", "// T is.", "type T[P any] struct{}", "func (t *T[P]) M() {}"), "a.go:4: M"},
			{one("a.go", "package a", "var V = 1"), "a.go:2: V"},
			{one("a.go", "package a", "const C = 1"), "a.go:2: C"},
			{one("a.go", "package a", "const (", "A t = iota", "B", ")"), "a.go:4: B"},
		}, []files{
			one("a.go", "package a", "// T is.", "type T int", `func (T) String() string { return "" }`, "const (",
				"A T = iota", "B", ")", "type u int", "func (u) M() {}", "// Both.", "var (", "X = 1", "Y = 2", ")",
				"const Z = 1 // last"),
			one("a_test.go", "package a", "func F() {}"),
		}},
	}
}

// fileRules are about all text files.
func fileRules() []rule {
	half := strings.Repeat("\n", longestCommand/2)
	return []rule{
		{"the command is flags and wiring", checkCommand, []example{
			{files{"cmd/stillwater/a.go": "package main" + half, "cmd/stillwater/b.go": "package main" + half + "\n"},
				fmt.Sprintf("cmd/stillwater has %d lines without its tests", longestCommand+1)},
		}, []files{{"cmd/stillwater/a.go": "package main" + half, "cmd/stillwater/b.go": "package main" + half,
			"cmd/stillwater/a_test.go": "package main" + half, "cmd/release/a.go": "package main" + half}}},
		{"nothing is left unfinished", each(checkUnfinished), []example{
			{one("a.go", "package a", "// TO"+"DO: more"), "a.go:2"}, {one("b/c.js", "// FIX"+"ME"), "b/c.js:1"},
		}, []files{one("a.go", "package a", "// to do things, mktemp x.XX"+"XX")}},
		{"no paths of one machine", each(checkPaths), []example{
			{one("a.md", "see /home/"+"ann/x"), "a.md:1"}, {one("a.go", "package a", `var p = "/Users/`+`ann"`), "a.go:2"},
		}, []files{one("a.md", "~/.local, $HOME/x, /etc/stillwater.toml, example.org/home/page, /home, ./mnt/x")}},
		{"the top folder is tidy", checkTop, []example{
			{one("notes.txt", "x"), "notes.txt"}, {one("pkg/a.go", "package a"), "pkg"},
		}, []files{one("README.md", "x"), one(".ci/run", "x"), one("cmd/a/a.go", "package main")}},
		{"the page fetches nothing from outside", each(checkPage), []example{
			{one("web/a.html", `<script src="https://cdn.example/x.js">`), "web/a.html:1"},
			{one("web/a.css", "@import url(//fonts.example/x)"), "web/a.css:1"},
			{one("web/a.js", "new WebSocket('wss://example')"), "web/a.js:1"},
		}, []files{
			one("web/a.svg", `<svg xmlns="http://www.w3.org/2000/svg">`),
			one("web/a.js", "// a comment.", "new WebSocket(`ws://${location.host}/ws`)"),
			one("README.md", "https://example.org"),
		}},
		{"published tables say where their numbers come from", each(checkTables), []example{
			{one("testdata/published/a.csv", "x,y", "1,2"), "testdata/published/a.csv"},
			{one("testdata/published/a.csv", "# A table.", "source,y", "1,2"), "testdata/published/a.csv"},
		}, []files{one("testdata/published/a.csv", "# SOURCE: Worthington 1908.", "x,y"),
			one("testdata/published/a.csv", "# A table. HOW OBTAINED: computed.", "x,y"), one("testdata/wire/a.csv", "x")}},
		{"each fuzz target has seeds on file", checkSeeds, []example{
			{one("internal/wire/a_test.go", "package wire", "func FuzzA(f *testing.F) {}"),
				"internal/wire/a_test.go:2: FuzzA: no seeds in internal/wire/testdata/fuzz/FuzzA"},
			{files{"internal/wire/a_test.go": "package wire\nfunc FuzzA(f *testing.F) {}", "wire/testdata/fuzz/FuzzA/x": "x"},
				"FuzzA: no seeds"},
		}, []files{{"internal/wire/a_test.go": "package wire\nfunc FuzzA(f *testing.F) {}\nfunc Fuzzy() {}",
			"internal/wire/testdata/fuzz/FuzzA/x": "go test fuzz v1"}}},
	}
}

// checkCommand: what a test cannot call in a package, and another command cannot use, is in the wrong place.
func checkCommand(t tree) (found []string) {
	const dir = "cmd/stillwater"
	lines := 0
	for _, s := range t.golang() {
		if s.dir() == dir && !s.test() {
			lines += strings.Count(s.text, "\n")
		}
	}
	if lines > longestCommand {
		found = append(found, fmt.Sprintf("%s has %d lines without its tests: move what is neither flags nor wiring to the "+
			"package it belongs in", dir, lines))
	}
	return found
}

// each makes a rule for the repository out of one for a file.
func each(check func(source) []string) func(tree) []string {
	return func(t tree) (found []string) {
		for _, s := range t.files {
			found = append(found, check(s)...)
		}
		return found
	}
}

// eachGo does so for Go files only.
func eachGo(check func(source) []string) func(tree) []string {
	return each(func(s source) []string {
		if s.code == nil {
			return nil
		}
		return check(s)
	})
}

// matches says in which lines a pattern is found.
func matches(s source, pattern *regexp.Regexp) (found []string) {
	n := 0
	for line := range strings.Lines(s.text) {
		n++
		if hit := pattern.FindString(line); hit != "" {
			found = append(found, fmt.Sprintf("%s:%d: %q", s.path, n, hit))
		}
	}
	return found
}

func checkFormat(s source) []string {
	want, err := format.Source([]byte(s.text))
	if err != nil || string(want) != s.text {
		return []string{s.path + ": not as gofmt writes it"}
	}
	return nil
}

func checkLines(s source) (found []string) {
	n := 0
	for line := range strings.Lines(s.text) {
		n++
		if runes := utf8.RuneCountInString(strings.TrimRight(line, "\r\n")); runes > longestLine {
			found = append(found, fmt.Sprintf("%s:%d: %d runes", s.path, n, runes))
		}
	}
	return found
}

func checkUnfinished(s source) []string { return matches(s, unfinished) }

func checkPaths(s source) []string { return matches(s, ownPaths) }

func checkInit(s source) (found []string) {
	for _, d := range s.code.Decls {
		if f, ok := d.(*ast.FuncDecl); ok && f.Recv == nil && f.Name.Name == "init" {
			found = append(found, s.at(f.Pos())+": init")
		}
	}
	return found
}

// readsUntilDone is a reader's, which has no other way to its context: io.ReaderAt passes none.
const readsUntilDone = "internal/frames/bounded.go"

func checkContexts(s source) (found []string) {
	if s.path == readsUntilDone || s.test() { // a test's browser is a context
		return nil
	}
	ast.Inspect(s.code, func(n ast.Node) bool {
		one, ok := n.(*ast.StructType)
		if !ok {
			return true
		}
		for _, field := range one.Fields.List {
			if types.ExprString(field.Type) == "context.Context" {
				found = append(found, s.at(field.Pos())+": a context in a struct")
			}
		}
		return true
	})
	return found
}

func checkLength(s source) (found []string) {
	if s.test() {
		return nil
	}
	for _, d := range s.code.Decls {
		f, ok := d.(*ast.FuncDecl)
		if !ok {
			continue
		}
		lines := s.fset.Position(f.End()).Line - s.fset.Position(f.Pos()).Line + 1
		if lines > longestFunction {
			found = append(found, fmt.Sprintf("%s: %s has %d lines", s.at(f.Pos()), f.Name.Name, lines))
		}
	}
	return found
}

func checkPackageDoc(t tree) (found []string) {
	documented := map[string]bool{}
	for _, s := range t.golang() {
		documented[s.dir()] = documented[s.dir()] || s.code.Doc != nil
	}
	for dir, ok := range documented {
		if !ok {
			found = append(found, dir+": no package comment")
		}
	}
	return found
}

func checkExported(s source) (found []string) {
	if strings.HasSuffix(s.path, "_test.go") {
		return nil
	}
	missing := func(name *ast.Ident, docs ...*ast.CommentGroup) {
		for _, d := range docs {
			if d != nil {
				return
			}
		}
		if name.IsExported() {
			found = append(found, fmt.Sprintf("%s: %s has no comment", s.at(name.Pos()), name.Name))
		}
	}
	for _, d := range s.code.Decls {
		switch d := d.(type) {
		case *ast.FuncDecl:
			if d.Recv == nil || !wellKnown[d.Name.Name] && receiver(d).IsExported() {
				missing(d.Name, d.Doc)
			}
		case *ast.GenDecl:
			checkGroup(d, missing)
		}
	}
	return found
}

// checkGroup looks at a declaration of types, constants or variables. A comment on a group is for all in it, and values
// of a named type are documented by the type.
func checkGroup(d *ast.GenDecl, missing func(*ast.Ident, ...*ast.CommentGroup)) {
	ofType := false
	for _, spec := range d.Specs {
		switch spec := spec.(type) {
		case *ast.TypeSpec:
			missing(spec.Name, d.Doc, spec.Doc, spec.Comment)
		case *ast.ValueSpec:
			named, _ := spec.Type.(*ast.Ident)
			ofType = d.Tok == token.CONST && (named != nil && named.IsExported() || ofType && len(spec.Values) == 0)
			for _, name := range spec.Names {
				if !ofType {
					missing(name, d.Doc, spec.Doc, spec.Comment)
				}
			}
		}
	}
}

// receiver finds the name of a method's type.
func receiver(f *ast.FuncDecl) *ast.Ident {
	t := f.Recv.List[0].Type
	for {
		switch x := t.(type) {
		case *ast.StarExpr:
			t = x.X
		case *ast.IndexExpr:
			t = x.X
		case *ast.IndexListExpr:
			t = x.X
		case *ast.Ident:
			return x
		default:
			return ast.NewIdent("_")
		}
	}
}

var skips = map[string]bool{"Skip": true, "Skipf": true, "SkipNow": true}

func checkSkips(s source) (found []string) {
	if !s.test() || s.dir() == "internal/need" {
		return nil
	}
	ast.Inspect(s.code, func(n ast.Node) bool {
		if sel, ok := n.(*ast.SelectorExpr); ok && skips[sel.Sel.Name] {
			found = append(found, s.at(n.Pos())+": "+sel.Sel.Name+": use package need")
		}
		return true
	})
	return found
}

func checkTop(t tree) (found []string) {
	for _, name := range t.top {
		if !atTop[name] && !strings.HasPrefix(name, ".") {
			found = append(found, name+": not one of the names agreed for the top folder")
		}
	}
	return found
}

func checkPage(s source) []string {
	if !strings.HasPrefix(s.path, "web/") || s.code != nil {
		return nil
	}
	s.text = namespaces.ReplaceAllString(s.text, "")
	return matches(s, outside)
}

func checkTables(s source) []string {
	if !strings.HasPrefix(s.path, "testdata/published/") || !strings.HasSuffix(s.path, ".csv") {
		return nil
	}
	for line := range strings.Lines(s.text) {
		if !strings.HasPrefix(line, "#") {
			break
		}
		if provenance.MatchString(line) {
			return nil
		}
	}
	return []string{s.path + ": its header says neither source nor how it was obtained"}
}

// checkSeeds: a target's seeds are found by others when they are files, and are tried by every "go test".
func checkSeeds(t tree) (found []string) {
	seeded := map[string]bool{}
	for _, s := range t.files {
		seeded[s.dir()] = true
	}
	for _, s := range t.golang() {
		for _, d := range s.code.Decls {
			f, ok := d.(*ast.FuncDecl)
			if !ok || !s.test() || !fuzzName.MatchString(f.Name.Name) {
				continue
			}
			if dir := s.dir() + "/testdata/fuzz/" + f.Name.Name; !seeded[dir] {
				found = append(found, fmt.Sprintf("%s: %s: no seeds in %s", s.at(f.Pos()), f.Name.Name, dir))
			}
		}
	}
	return found
}
