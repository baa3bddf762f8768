package house

import (
	"fmt"
	"go/ast"
	"path"
	"regexp"
	"slices"
	"strings"
)

// guide is the page for newcomers; what it names must be there.
const guide = "DEVELOPERS.md"

// named is a `package.Name` or `package.Type.Name` in the guide.
var named = regexp.MustCompile("`([a-z]+)\\.([A-Za-z]+(?:\\.[A-Za-z]+)?)`")

func guideRule() rule {
	guided := func(text string) files {
		return files{guide: text, "internal/rig/a.go": "package rig\n\nfunc F() {}\n\ntype T struct{}\n\nfunc (*T) m() {}\n"}
	}
	return rule{"the guide names what is there", checkGuide, []example{
		{guided("first\nthen `rig.G` runs"), "DEVELOPERS.md:2: rig.G"},
		{guided("`rig.T.n`"), "rig.T.n"},
		{guided("`rig.m`"), "rig.m"},
	}, []files{guided("`rig.F`, `rig.T.m`, `rig.T`, `stillwater.toml`, `go.mod`")}}
}

// tabled is a row of the guide's tables of packages: layer, package.
var tabled = regexp.MustCompile("^\\| ([0-9]) \\| `([a-z/]+)` \\|")

func layersRule() rule {
	guided := func(text string) files { return files{guide: text, "internal/rig/a.go": "package rig"} }
	return rule{"the guide's layers are the code's", checkGuideLayers, []example{
		{guided("| 3 | `rig` | x |"), "DEVELOPERS.md:1: rig is in layer 4"},
		{guided("| 4 | `news` | x |"), "DEVELOPERS.md:1: there is no package news"},
		{guided("| 4 | `rig` | x |\n| 3 | `board` | x |"), "DEVELOPERS.md:2: board is below a higher layer"},
		{guided("no table"), "DEVELOPERS.md: internal/rig is in no table"},
	}, []files{guided("| 4 | `rig` | x |"), {guide: "", "internal/board/boardtest/a.go": "package boardtest"}}}
}

// checkGuideLayers holds the guide's tables to the layers: each package that is not for tests only is in one.
func checkGuideLayers(t tree) (found []string) {
	listed := map[string]bool{}
	for _, s := range t.files {
		if s.path != guide {
			continue
		}
		above := ""
		for i, line := range strings.Split(s.text, "\n") {
			m := tabled.FindStringSubmatch(line)
			if m == nil {
				above = ""
				continue
			}
			dir, at := drawnDir(m[2]), fmt.Sprintf("%s:%d", s.path, i+1)
			if m[1] < above {
				found = append(found, fmt.Sprintf("%s: %s is below a higher layer: sort the rows by layer", at, m[2]))
			}
			above = m[1]
			listed[dir] = true
			if layer, known := layers[dir]; !known {
				found = append(found, fmt.Sprintf("%s: there is no package %s", at, m[2]))
			} else if fmt.Sprint(layer) != m[1] {
				found = append(found, fmt.Sprintf("%s: %s is in layer %d", at, m[2], layer))
			}
		}
	}
	for _, s := range t.golang() {
		if _, known := layers[s.dir()]; known && !testPackages[s.dir()] && s.dir() != "web" && !listed[s.dir()] {
			found = append(found, fmt.Sprintf("%s: %s is in no table", guide, s.dir()))
			listed[s.dir()] = true
		}
	}
	return found
}

func drawingRule() rule {
	guided := func(lines ...string) files {
		return files{guide: "### Packages\n\n" + strings.Join(lines, "\n") + "\n\nwords", "internal/rig/a.go": "package rig",
			"internal/setup/a.go": "package setup", "internal/lateness/bench/a.go": "package bench"}
	}
	const highest, lower = "    6  setup > lateness/bench", "    4  rig"
	return rule{"the guide's drawing of the layers is the code's", checkDrawing, []example{
		{guided(highest, "    3  rig"), "DEVELOPERS.md:4: rig is in layer 4"},
		{guided(highest, lower, "       news"), "DEVELOPERS.md:5: there is no package news"},
		{guided(highest), "DEVELOPERS.md: internal/rig is not in the drawing of the layers"},
		{guided("    6  setup  lateness/bench", lower), "setup > lateness/bench is not drawn"},
		{guided(highest, "    4  rig > setup"), "DEVELOPERS.md:4: rig > setup is drawn and not allowed"},
	}, []files{guided(highest, lower), guided("    6  setup > lateness/bench", "    4", "       rig"),
		{guide: "", "internal/board/boardtest/a.go": "package boardtest"}}}
}

// checkDrawing holds the drawing of the layers to them: each package of the product, in its layer, with the imports
// within it.
func checkDrawing(t tree) (found []string) {
	seen, pairs := map[string]bool{}, map[[2]string]bool{}
	for _, s := range t.files {
		if s.path != guide {
			continue
		}
		_, text, _ := strings.Cut(s.text, "### Packages\n")
		first := strings.Count(s.text, "\n") - strings.Count(text, "\n") + 1
		layer := ""
		for i, line := range strings.Split(text, "\n") {
			if rest, ok := strings.CutPrefix(line, "    "); ok {
				if rest[0] != ' ' {
					layer = rest[:1]
				}
				found = append(found, drawnPackages(fmt.Sprintf("%s:%d", guide, first+i), layer, rest[1:], seen, pairs)...)
			} else if layer != "" {
				break
			}
		}
	}
	for _, s := range t.golang() {
		dir := s.dir()
		if _, known := layers[dir]; known && !testPackages[dir] && !seen[dir] &&
			(strings.HasPrefix(dir, "internal/") || strings.HasPrefix(dir, "cmd/")) {
			found = append(found, fmt.Sprintf("%s: %s is not in the drawing of the layers", guide, dir))
			seen[dir] = true
		}
	}
	for pair := range siblings {
		if seen[pair[0]] && seen[pair[1]] && !pairs[pair] {
			found = append(found, fmt.Sprintf("%s: %s > %s is not drawn", guide, strings.TrimPrefix(pair[0], "internal/"),
				strings.TrimPrefix(pair[1], "internal/")))
		}
	}
	return found
}

// drawnPackages reads a line of the drawing.
func drawnPackages(at, layer, line string, seen map[string]bool, pairs map[[2]string]bool) (found []string) {
	words := strings.Fields(line)
	for i, name := range words {
		if name == ">" {
			continue
		}
		dir := drawnDir(name)
		seen[dir] = true
		if of, known := layers[dir]; !known {
			found = append(found, fmt.Sprintf("%s: there is no package %s", at, name))
		} else if fmt.Sprint(of) != layer {
			found = append(found, fmt.Sprintf("%s: %s is in layer %d", at, name, of))
		}
		if i+2 < len(words) && words[i+1] == ">" {
			pair := [2]string{dir, drawnDir(words[i+2])}
			if pairs[pair] = true; !siblings[pair] {
				found = append(found, fmt.Sprintf("%s: %s > %s is drawn and not allowed", at, name, words[i+2]))
			}
		}
	}
	return found
}

// drawnDir is the folder of a package as the guide names it.
func drawnDir(name string) string {
	if _, known := layers[name]; known {
		return name
	}
	return "internal/" + name
}

// direct is a module in go.mod that this project imports itself, and its version.
var direct = regexp.MustCompile(`(?m)^\s*(?:require )?([a-z0-9.]+\.[a-z]+/\S+) (v\S+)$`)

func librariesRule() rule {
	const gomod = "module stillwater\nrequire (\n\texample.org/m v1.2.0\n\texample.org/n v0.1.0 // indirect\n)\n"
	return rule{"the guide lists the libraries in use", checkLibraries, []example{
		{files{"go.mod": gomod, guide: "| example.org/m | v1.1.0 | v1.2.0 | x |"},
			"DEVELOPERS.md: example.org/m is used at v1.2.0: list it, with its newest release"},
		{files{"go.mod": gomod, guide: ""}, "example.org/m is used at v1.2.0"},
	}, []files{{"go.mod": gomod, guide: "| example.org/l, example.org/m | v1.0.0, v1.2.0 | the same | x |"}}}
}

// checkLibraries finds the modules whose row does not have the version in use in its second column.
func checkLibraries(t tree) (found []string) {
	var rows [][]string
	for _, s := range t.files {
		if s.path == guide {
			for line := range strings.Lines(s.text) {
				rows = append(rows, strings.Split(line, "|"))
			}
		}
	}
	for _, s := range t.files {
		if s.path != "go.mod" {
			continue
		}
		for _, m := range direct.FindAllStringSubmatch(s.text, -1) {
			if !slices.ContainsFunc(rows, func(row []string) bool {
				return len(row) > 3 && strings.Contains(row[1], m[1]) && strings.Contains(row[2], m[2])
			}) {
				found = append(found, fmt.Sprintf("%s: %s is used at %s: list it, with its newest release", guide, m[1], m[2]))
			}
		}
	}
	return found
}

func checkGuide(t tree) (found []string) {
	packages, names := declared(t)
	for _, s := range t.files {
		if s.path != guide {
			continue
		}
		for i, line := range strings.Split(s.text, "\n") {
			for _, m := range named.FindAllStringSubmatch(line, -1) {
				if name := m[1] + "." + m[2]; packages[m[1]] && !names[name] {
					found = append(found, fmt.Sprintf("%s:%d: %s is not in the code", s.path, i+1, name))
				}
			}
		}
	}
	return found
}

// declared lists the packages and their top-level types, functions and methods, as the guide writes them.
func declared(t tree) (packages, names map[string]bool) {
	packages, names = map[string]bool{}, map[string]bool{}
	for _, s := range t.golang() {
		if s.test() && path.Base(s.dir()) != "boardtest" {
			continue
		}
		pkg := s.code.Name.Name
		packages[pkg] = true
		for _, d := range s.code.Decls {
			switch d := d.(type) {
			case *ast.FuncDecl:
				name := d.Name.Name
				if d.Recv != nil {
					name = receiver(d).Name + "." + name
				}
				names[pkg+"."+name] = true
			case *ast.GenDecl:
				for _, spec := range d.Specs {
					switch spec := spec.(type) {
					case *ast.TypeSpec:
						names[pkg+"."+spec.Name.Name] = true
					case *ast.ValueSpec:
						for _, n := range spec.Names {
							names[pkg+"."+n.Name] = true
						}
					}
				}
			}
		}
	}
	return packages, names
}
