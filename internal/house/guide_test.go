package house

import (
	"fmt"
	"go/ast"
	"path"
	"regexp"
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
