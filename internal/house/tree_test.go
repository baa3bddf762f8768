// Package house holds the project's rules for its own code, as tests: who may import whom, and how code is written. It
// has no code of its own. Each rule is also run on a small bad example, to show that it can fail.
package house

import (
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"sort"
	"strings"
	"testing"
	"testing/fstest"
	"unicode/utf8"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// source is one text file of the repository.
type source struct {
	path string // slashes, from the root
	text string
	code *ast.File // Go only
	fset *token.FileSet
}

func (s source) dir() string { return path.Dir(s.path) }

// test reports whether the file is for tests only: by its name, or in a package that only tests import.
func (s source) test() bool {
	return strings.HasSuffix(s.path, "_test.go") || testPackages[s.dir()]
}

// at says where in the file something is.
func (s source) at(pos token.Pos) string {
	return fmt.Sprintf("%s:%d", s.path, s.fset.Position(pos).Line)
}

// testPackages are for tests only: what they need, and programs that tests run.
var testPackages = map[string]bool{"internal/need": true, "internal/published": true, "internal/house": true,
	"internal/board/boardtest": true, "internal/frames/framestest": true,
	"internal/gpiochip/guest": true, "internal/gpiochip/guest/init": true,
	"internal/page/pagetest": true, "firmware/avr": true,
	"firmware/image/imagetest": true, "internal/gpioboard/gpioboardtest": true, "internal/proctest": true,
	"internal/serialboard/serialboardtest": true, "internal/service/servicetest": true,
	"internal/tether/tethertest": true}

// tree is the repository's text files and the names at its top.
type tree struct {
	files []source
	top   []string
}

// golang returns the Go files.
func (t tree) golang() (files []source) {
	for _, f := range t.files {
		if f.code != nil {
			files = append(files, f)
		}
	}
	return files
}

// ignored says what git ignores, by the simple rules that are in use: "/name" at the top, "name" anywhere.
func ignored(repo fs.FS) func(name string) bool {
	rules, _ := fs.ReadFile(repo, ".gitignore") // without one nothing more is ignored
	patterns := append([]string{".git", "node_modules"}, strings.Fields(string(rules))...)
	return func(name string) bool {
		for _, p := range patterns {
			against := path.Base(name)
			if strings.HasPrefix(p, "/") {
				against = "/" + name
			}
			if hit, err := path.Match(strings.TrimSuffix(p, "/"), against); hit && err == nil {
				return true
			}
		}
		return false
	}
}

// load reads a repository, without what git ignores.
func load(repo fs.FS) (tree, error) {
	var t tree
	skip := ignored(repo)
	err := fs.WalkDir(repo, ".", func(name string, d fs.DirEntry, err error) error {
		switch {
		case err != nil:
			return err
		case skip(name):
			if d.IsDir() {
				return fs.SkipDir
			}
			return nil
		}
		if name != "." && !strings.Contains(name, "/") {
			t.top = append(t.top, name)
		}
		if d.Type().IsRegular() {
			return t.read(repo, name)
		}
		return nil
	})
	return t, err
}

func (t *tree) read(repo fs.FS, name string) error {
	text, err := fs.ReadFile(repo, name)
	if err != nil {
		return err
	}
	if !utf8.Valid(text) || strings.ContainsRune(string(text), 0) {
		return nil // a picture or another binary
	}
	s := source{path: name, text: string(text)}
	if strings.HasSuffix(name, ".go") {
		s.fset = token.NewFileSet()
		s.code, err = parser.ParseFile(s.fset, name, text, parser.ParseComments|parser.SkipObjectResolution)
		if err != nil {
			return err
		}
	}
	t.files = append(t.files, s)
	return nil
}

// rule finds what goes against it, each as "where: what". A bad example breaks it with something that contains why; a
// good one does not.
type rule struct {
	name  string
	check func(tree) []string
	bad   []example
	good  []files
}

type files map[string]string

type example struct {
	files files
	why   string
}

func (f files) load(t *testing.T) tree {
	t.Helper()
	repo := fstest.MapFS{}
	for name, text := range f {
		repo[name] = &fstest.MapFile{Data: []byte(text)}
	}
	tree, err := load(repo)
	require.NoError(t, err)
	return tree
}

func allRules() []rule {
	return append(append(importRules(), codeRules()...), guideRule(), layersRule(), drawingRule(), librariesRule(),
		wordRule(),
		boundRule(), sleepRule())
}

// one is a tree of a single file.
func one(name string, lines ...string) files { return files{name: strings.Join(lines, "\n")} }

func TestRepository(t *testing.T) {
	root, err := filepath.Abs("../..")
	require.NoError(t, err)
	_, err = os.Stat(filepath.Join(root, "go.mod"))
	require.NoError(t, err, "the repository's root is two folders up")
	repo, err := load(os.DirFS(root))
	require.NoError(t, err)
	require.Greater(t, len(repo.golang()), 20, "the whole repository is seen")
	for _, r := range allRules() {
		t.Run(strings.ReplaceAll(r.name, " ", "-"), func(t *testing.T) {
			if found := r.check(repo); len(found) > 0 {
				sort.Strings(found)
				t.Errorf("%s:\n%s", r.name, strings.Join(found, "\n"))
			}
		})
	}
}

func TestRulesCanFail(t *testing.T) {
	for _, r := range allRules() {
		t.Run(strings.ReplaceAll(r.name, " ", "-"), func(t *testing.T) {
			require.NotEmpty(t, r.bad, "a rule without a bad example")
			for _, bad := range r.bad {
				assert.Contains(t, strings.Join(r.check(bad.files.load(t)), "\n"), bad.why)
			}
			require.NotEmpty(t, r.good, "a rule without a good example")
			for _, good := range r.good {
				assert.Empty(t, r.check(good.load(t)))
			}
		})
	}
}

func TestIgnoredFilesAreNotSeen(t *testing.T) {
	tree := files{".gitignore": "/built\n*.out\n", "built": "x", "node_modules/a.js": "x", "web/node_modules/a.js": "x",
		"x/a.out": "x", "x/built": "x", "a.txt": "x", "picture.png": "\x89PNG\x00"}.load(t)
	var seen []string
	for _, f := range tree.files {
		seen = append(seen, f.path)
	}
	assert.Equal(t, []string{".gitignore", "a.txt", "x/built"}, seen)
	assert.Equal(t, []string{".gitignore", "a.txt", "picture.png", "web", "x"}, tree.top)
}
