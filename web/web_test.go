package web_test

import (
	"bytes"
	"compress/gzip"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/control"
	"stillwater/internal/need"
	"stillwater/internal/page"
	"stillwater/internal/record"
	"stillwater/internal/shot"
	"stillwater/web"
)

// TestServedFiles: only the page's own kinds of file leave the machine. What a browser loads first weighs less than
// 100 kB, compressed as it is served; what it loads when it is needed is no part of that.
func TestServedFiles(t *testing.T) {
	first, later, total := 0, 0, 0
	loaded := firstLoad(t)
	look := loadedWith(t, "lookback.css", "js/lookback/place.js")
	assert.True(t, loaded["js/page.js"], "the page")
	assert.False(t, loaded["js/lookback/place.js"], "loaded when it comes into view")
	err := fs.WalkDir(web.Files, ".", func(path string, entry fs.DirEntry, err error) error {
		require.NoError(t, err)
		if entry.IsDir() {
			return nil
		}
		assert.Contains(t, []string{".html", ".css", ".js", ".svg"}, filepath.Ext(path), path)
		body, err := fs.ReadFile(web.Files, path)
		require.NoError(t, err)
		total += served(t, body)
		switch {
		case loaded[path]:
			first += served(t, body)
		case look[path]:
			later += served(t, body)
		}
		return nil
	})
	require.NoError(t, err)
	t.Logf("first load %d bytes over the wire, without headers; %d more with Look back; all of the page %d", first, later,
		total)
	assert.Less(t, first, 100_000)
}

// imported finds what a module imports before it runs.
var imported = regexp.MustCompile(`(?m)^import .* from "(\./|\.\./)([^"]+)";`)

// firstLoad lists what a browser loads at once: what index.html names, and what its modules import.
func firstLoad(t *testing.T) map[string]bool {
	t.Helper()
	index, err := fs.ReadFile(web.Files, "index.html")
	require.NoError(t, err)
	var modules []string
	for _, m := range regexp.MustCompile(`(?:src|href)="([^"#]+)"`).FindAllStringSubmatch(string(index), -1) {
		modules = append(modules, m[1])
	}
	loaded := loadedWith(t, modules...)
	loaded["index.html"] = true
	return loaded
}

// loadedWith lists what a browser loads with some files: those, and what modules among them import.
func loadedWith(t *testing.T, modules ...string) map[string]bool {
	t.Helper()
	loaded := map[string]bool{}
	for len(modules) > 0 {
		path := modules[0]
		modules = modules[1:]
		if loaded[path] {
			continue
		}
		loaded[path] = true
		body, err := fs.ReadFile(web.Files, path)
		require.NoError(t, err)
		for _, m := range imported.FindAllStringSubmatch(string(body), -1) {
			modules = append(modules, filepath.Join(filepath.Dir(path), m[1]+m[2]))
		}
	}
	return loaded
}

// TestImports: each module that a module asks for is served.
func TestImports(t *testing.T) {
	err := fs.WalkDir(web.Files, "js", func(path string, entry fs.DirEntry, err error) error {
		require.NoError(t, err)
		if entry.IsDir() {
			return nil
		}
		body, err := fs.ReadFile(web.Files, path)
		for _, m := range imported.FindAllStringSubmatch(string(body), -1) {
			_, missing := fs.Stat(web.Files, filepath.Join(filepath.Dir(path), m[1]+m[2]))
			assert.NoError(t, missing, "%s", path)
		}
		return err
	})
	require.NoError(t, err)
}

// served is how many bytes of a file go over the wire.
func served(t *testing.T, body []byte) int {
	var zipped bytes.Buffer
	w := gzip.NewWriter(&zipped)
	_, err := w.Write(body)
	require.NoError(t, err)
	require.NoError(t, w.Close())
	return min(zipped.Len(), len(body))
}

// TestPageObeysItsPolicy: nothing in the page needs a hole in the content security policy, asks another machine for
// anything, or puts data into the page as markup.
func TestPageObeysItsPolicy(t *testing.T) {
	forbidden := map[string]*regexp.Regexp{
		"an inline style":            regexp.MustCompile(`(?i)<[^>]*\sstyle\s*=|<style|setAttribute\("style"`),
		"an inline script":           regexp.MustCompile(`(?i)<script[^>]*>[^<]|<[^>]*\son[a-z]+\s*=\s*"`),
		"markup from text":           regexp.MustCompile(`(inner|outer|Adjacent)HTML|document\.write|\beval\(`),
		"an address elsewhere":       regexp.MustCompile(`https?://|//[a-z0-9-]+\.[a-z]{2,}/`),
		"an import from outside":     regexp.MustCompile(`from "[^.]|import\("[^.]`),
		"something that moves alone": regexp.MustCompile(`@keyframes|animation:|<animate`),
	}
	space := `http://www.w3.org/2000/svg`
	err := fs.WalkDir(web.Files, ".", func(path string, entry fs.DirEntry, err error) error {
		require.NoError(t, err)
		if entry.IsDir() {
			return nil
		}
		body, err := fs.ReadFile(web.Files, path)
		text := strings.ReplaceAll(string(body), space, "")
		for what, pattern := range forbidden {
			assert.NotRegexp(t, pattern, text, "%s has %s", path, what)
		}
		return err
	})
	require.NoError(t, err)
}

// TestParts: the page sends a file in parts as the machine takes them.
func TestParts(t *testing.T) {
	body, err := fs.ReadFile(web.Files, "js/lookback/sending.js")
	require.NoError(t, err)
	for name, bytes := range map[string]int{"mostBytes": page.MaxPartBytes, "leastBytes": page.FirstPartBytes} {
		assert.Contains(t, string(body), fmt.Sprintf("const %s = %d * 1024;", name, bytes>>10))
	}
}

// TestTypes has the TypeScript compiler check the page's JSDoc types, strictly. See .ci/typecheck.
func TestTypes(t *testing.T) {
	tsc := need.Tool(t, "tsc")
	out, err := exec.Command(tsc, "-p", "jsconfig.json").CombinedOutput()
	assert.NoError(t, err, "%s", out)
}

// TestProtocolMatchesControl holds protocol.d.ts to the Go types it mirrors: the same interfaces, the same fields, the
// same kinds of value.
func TestProtocolMatchesControl(t *testing.T) {
	declared := interfaces(t)
	wanted := map[string]map[string]string{}
	mirror(wanted, reflect.TypeFor[control.Snapshot]())
	mirror(wanted, reflect.TypeFor[control.Command]())
	for _, answer := range []reflect.Type{reflect.TypeFor[page.PastSessions](), reflect.TypeFor[page.Evening](),
		reflect.TypeFor[page.PastShots](), reflect.TypeFor[page.SetAgain](), reflect.TypeFor[page.RadioView](),
		reflect.TypeFor[page.ReceivedPart](), reflect.TypeFor[page.CameraView]()} {
		mirror(wanted, answer)
	}
	require.Contains(t, wanted, "Snapshot")
	require.Contains(t, wanted, "DropSet")
	for name, fields := range wanted {
		if assert.Contains(t, declared, name, "protocol.d.ts lacks an interface") {
			assert.Equal(t, fields, declared[name], "interface %s", name)
		}
	}
	for name := range declared {
		if name != "Request" {
			assert.Contains(t, wanted, name, "protocol.d.ts has an interface that Go does not")
		}
	}
}

// TestProtocolMatchesConstants holds the unions of protocol.d.ts to Go's constants.
func TestProtocolMatchesConstants(t *testing.T) {
	source := protocol(t)
	unions := map[string][]string{
		"State":     words(control.States()...),
		"Verdict":   words(record.Verdicts()...),
		"Picture":   words(control.Pictures()...),
		"Kind":      words(shot.Drop, shot.Throw, shot.Sound, shot.Drops),
		"Exposure":  words(shot.FlashInDark, shot.LagLed),
		"ShutterBy": words(shot.ByEdgeOrGo, shot.ByEdge, shot.ByGo, shot.ByHand),
	}
	for name, values := range unions {
		m := regexp.MustCompile(`export type ` + name + ` = ([^;]*);`).FindStringSubmatch(source)
		require.NotNil(t, m, name)
		assert.Equal(t, `"`+strings.Join(values, `" | "`)+`"`, m[1], name)
	}
	m := regexp.MustCompile(`type CommandType =\s+([^;]*);`).FindStringSubmatch(source)
	require.NotNil(t, m)
	for _, quoted := range strings.Split(strings.Join(strings.Fields(m[1]), " "), " | ") {
		_, known := control.Fields(strings.Trim(quoted, `"`))
		assert.True(t, known, "the control knows no command %s", quoted)
	}
}

func words[T ~string](of ...T) (list []string) {
	for _, w := range of {
		list = append(list, string(w))
	}
	return list
}

func protocol(t *testing.T) string {
	t.Helper()
	source, err := os.ReadFile("protocol.d.ts")
	require.NoError(t, err)
	return string(source)
}

// interfaces reads the interfaces of protocol.d.ts: name to field to kind of value.
func interfaces(t *testing.T) map[string]map[string]string {
	found := map[string]map[string]string{}
	block := regexp.MustCompile(`(?s)export interface (\w+)[^{]*\{(.*?)\n\}`)
	line := regexp.MustCompile(`(?m)^\t(\w+\??): (.*);$`)
	for _, b := range block.FindAllStringSubmatch(protocol(t), -1) {
		fields := map[string]string{}
		for _, l := range line.FindAllStringSubmatch(b[2], -1) {
			fields[l[1]] = kind(l[2])
		}
		found[b[1]] = fields
	}
	return found
}

// kind makes unions of string constants the strings they are on the wire.
func kind(ts string) string {
	switch ts {
	case `Kind | ""`, "State", "Verdict", "Picture", "Kind", "Exposure", "ShutterBy", "CommandType":
		return "string"
	}
	if strings.HasPrefix(ts, `"`) {
		return "string"
	}
	return ts
}

// mirror writes a Go struct, and those it holds, the way protocol.d.ts does.
func mirror(into map[string]map[string]string, of reflect.Type) {
	if _, done := into[of.Name()]; done {
		return
	}
	fields := map[string]string{}
	into[of.Name()] = fields
	for i := range of.NumField() {
		f := of.Field(i)
		name, options, _ := strings.Cut(f.Tag.Get("json"), ",")
		if name == "-" {
			continue
		}
		if strings.Contains(options, "omitempty") {
			name += "?"
		}
		fields[name] = wireKind(into, f.Type)
	}
}

// wireKind is the kind of JSON value a Go type becomes.
func wireKind(into map[string]map[string]string, of reflect.Type) string {
	marshals := of.Implements(reflect.TypeFor[interface{ MarshalText() ([]byte, error) }]())
	switch {
	case marshals:
		return "string"
	case of.Kind() == reflect.Pointer:
		return wireKind(into, of.Elem()) + " | null"
	case of.Kind() == reflect.Slice:
		return wireKind(into, of.Elem()) + "[]"
	case of.Kind() == reflect.Struct:
		mirror(into, of)
		return of.Name()
	case of.Kind() == reflect.String:
		return "string"
	case of.Kind() == reflect.Bool:
		return "boolean"
	}
	return "number"
}
