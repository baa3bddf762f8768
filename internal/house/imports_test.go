package house

import (
	"fmt"
	"go/ast"
	"path"
	"slices"
	"strconv"
	"strings"
)

const module = "stillwater/"

// layers says which layer each package is in: it imports lower layers only.
var layers = map[string]int{
	"internal/phys": 0, "internal/hostname": 0, "internal/filename": 0, "internal/care": 0, "internal/record": 0, "web": 0,
	"internal/liquids": 0, "internal/outliers": 0, "internal/sentence": 0,
	"hardware/circuit": 1, "hardware/kicad": 1, "hardware/head": 2, "internal/beam": 1, "internal/lag": 1,
	"internal/meter":      1,
	"internal/ballistics": 1, "internal/splash": 1, "internal/valve": 1, "internal/lateness": 1, "internal/clocksync": 1,
	"internal/optics": 1, "internal/tuning": 1, "internal/match": 1, "internal/svg": 1, "internal/xmp": 1,
	"internal/strip": 2,
	"internal/shot":  2, "internal/elevation": 2, "internal/wire": 2, "internal/trigger": 2, "hardware/layout": 2,
	"internal/executor": 3, "internal/board": 3, "internal/board/boardtest": 3, "internal/scene": 3, "internal/picture": 3,
	"internal/lighting": 2, "internal/drawing": 3,
	"internal/history": 3, "internal/unarmed": 3, "internal/background": 3, "internal/logonce": 3, "internal/textfile": 3,
	"internal/regular": 3,
	"internal/devnode": 3, "internal/wiring": 3, "firmware/image": 3,
	"internal/rehearsal": 4, "internal/bootclock": 4, "internal/practice": 4, "internal/mdns": 4, "internal/service": 4,
	"internal/rig": 4, "internal/gpiochip": 4, "internal/realtime": 4, "internal/spawn": 4, "internal/journal": 4,
	"internal/look": 2, "internal/frames": 4, "internal/tether": 4, "internal/radio": 4, "internal/contactsheet": 6,
	"internal/intake": 6,
	"internal/config": 4, "internal/render": 4, "internal/commandline": 4, "internal/serialport": 4, "firmware/avr": 4,
	"internal/control": 5, "internal/page": 5, "internal/pairing": 5, "internal/export": 5, "internal/gpioboard": 5,
	"internal/serialboard": 5,
	"internal/calc":        5, "firmware/flash": 5,
	"internal/check": 6, "internal/setup": 6, "internal/lateness/bench": 6, "hardware/gen": 6, "cmd/release": 6,
	"cmd/stillwater": 7,
}

// purest is the highest layer without clock, I/O, goroutines and logging.
const purest = 2

// siblings are the imports allowed within a layer.
var siblings = map[[2]string]bool{
	{"internal/trigger", "internal/wire"}:          true,
	{"internal/elevation", "internal/shot"}:        true,
	{"internal/picture", "internal/scene"}:         true,
	{"internal/lighting", "internal/shot"}:         true,
	{"internal/valve", "internal/splash"}:          true,
	{"internal/liquids", "internal/phys"}:          true,
	{"internal/page", "internal/control"}:          true,
	{"internal/intake", "internal/contactsheet"}:   true,
	{"internal/rehearsal", "internal/render"}:      true,
	{"internal/setup", "internal/lateness/bench"}:  true,
	{"internal/board/boardtest", "internal/board"}: true,
}

// homes says where a third-party module may be used when that is in more than one package.
var homes = map[string][]string{
	"golang.org/x/sys": {"cmd/stillwater", "internal/bootclock", "internal/check", "internal/frames",
		"internal/gpiochip", "internal/intake", "internal/journal", "internal/mdns", "internal/need", "internal/realtime",
		"internal/regular", "internal/serialport", "internal/service", "internal/spawn", "internal/tether"},
}

// testOnly modules appear in no program.
var testOnly = []string{"github.com/stretchr/testify", "github.com/chromedp/"}

// impure are the packages, with those below them, that a pure package does not import.
var impure = []string{"os", "net", "log", "sync", "syscall", "database", "io/ioutil", "bufio", "runtime", "context",
	"math/rand", "crypto/rand", "unsafe"}

// clock are the functions of package time that read a clock or wait for one.
var clock = map[string]bool{"Now": true, "Since": true, "Until": true, "Sleep": true, "After": true, "AfterFunc": true,
	"Tick": true, "NewTimer": true, "NewTicker": true}

// imported is one import of a file.
type imported struct {
	path, where string
	spec        *ast.ImportSpec
}

func imports(s source) (list []imported) {
	for _, spec := range s.code.Imports {
		p, err := strconv.Unquote(spec.Path.Value)
		if err != nil {
			p = spec.Path.Value
		}
		list = append(list, imported{p, s.at(spec.Pos()), spec})
	}
	return list
}

func importRules() []rule {
	return []rule{layerRule(), domainRule(), hardwareRule(), moduleRule(), pureRule(), systemRule()}
}

func layerRule() rule {
	return rule{"packages import lower layers", checkLayers, []example{
		{one("internal/phys/a.go", "package phys", `import _ "stillwater/internal/wire"`),
			"phys (layer 0) imports internal/wire (layer 2)"},
		{one("internal/rig/a.go", "package rig", `import _ "stillwater/internal/spawn"`),
			"rig (layer 4) imports internal/spawn (layer 4)"},
		{one("internal/wire/a.go", "package wire", `import _ "stillwater/internal/trigger"`),
			"wire (layer 2) imports internal/trigger (layer 2)"},
		{one("internal/news/a.go", "package news"), "internal/news has no layer"},
		{one("web/a.go", "package web", `import _ "stillwater/internal/news"`),
			"imports internal/news, which has no layer"},
		{one("cmd/stillwater/a.go", "package main", `import _ "stillwater/internal/need"`), "is for tests only"},
	}, []files{
		one("internal/trigger/a.go", "package trigger", `import _ "stillwater/internal/wire"`),
		one("internal/wire/a_test.go", "package wire_test", `import _ "stillwater/internal/board/boardtest"`),
		one("internal/rig/a.go", "package rig", `import _ "stillwater/internal/scene"`, `import _ "os"`),
	}}
}

func hardwareRule() rule {
	return rule{"nothing imports the hardware's drawings", checkHardware, []example{
		{one("internal/shot/a.go", "package shot", `import _ "stillwater/hardware/circuit"`),
			"internal/shot/a.go:2: imports stillwater/hardware/circuit"},
		{one("cmd/stillwater/a.go", "package main", `import _ "stillwater/hardware/layout"`), "hardware/layout"},
		{one("internal/rig/a_test.go", "package rig", `import _ "stillwater/hardware/circuit"`), "hardware/circuit"},
	}, []files{
		one("hardware/gen/a.go", "package main", `import _ "stillwater/hardware/circuit"`),
		one("hardware/circuit/a.go", "package circuit", `import _ "stillwater/internal/care"`),
	}}
}

func moduleRule() rule {
	const gomod = "module stillwater\nrequire (\n\texample.org/m v1.0.0\n\tgolang.org/x/sys v0.1.0 // indirect\n)"
	user := func(pkg, imports string) string { return "package " + pkg + "\nimport _ \"" + imports + "\"" }
	return rule{"each module has one home", checkModules, []example{
		{files{"go.mod": gomod, "internal/rig/a.go": user("rig", "example.org/m/a"),
			"internal/scene/a.go": user("scene", "example.org/m/b")},
			"example.org/m is imported by internal/rig, internal/scene"},
		{files{"go.mod": gomod, "internal/rig/a.go": user("rig", "golang.org/x/sys/unix")}, "golang.org/x/sys belongs in"},
		{files{"go.mod": gomod, "internal/rig/a.go": user("rig", "github.com/stretchr/testify/assert")}, "for tests only"},
		{files{"go.mod": gomod, "internal/rig/a.go": user("rig", "example.org/other")}, "not in go.mod"},
	}, []files{{"go.mod": gomod,
		"internal/rig/a.go":        user("rig", "example.org/m/a"),
		"internal/rig/b.go":        user("rig", "example.org/m"),
		"internal/scene/a_test.go": user("scene", "example.org/m/b"),
		"internal/spawn/a.go":      user("spawn", "golang.org/x/sys/unix"),
		"internal/gpiochip/a.go":   user("gpiochip", "golang.org/x/sys/unix"),
	}}}
}

func pureRule() rule {
	return rule{"the low layers are pure", checkPure, []example{
		{one("internal/phys/a.go", "package phys", `import "os"`, "var _ = os.Args"), "imports os"},
		{one("internal/shot/a.go", "package shot", `import _ "net/http"`), "imports net/http"},
		{one("internal/wire/a.go", "package wire", `import _ "log/slog"`), "imports log/slog"},
		{one("internal/wire/a.go", "package wire", `import _ "sync/atomic"`), "imports sync/atomic"},
		{one("internal/splash/a.go", "package splash", `import "time"`, "var t = time.Now()"), "uses time.Now"},
		{one("internal/splash/a.go", "package splash", `import x "time"`, "var f = x.Sleep"), "uses time.Sleep"},
		{one("internal/splash/a.go", "package splash", `import . "time"`), "imports time without its name"},
		{one("internal/trigger/a.go", "package trigger", "func f() { go f() }"), "starts a goroutine"},
		{one("internal/trigger/a.go", "package trigger", "func f() { println(1) }"), "prints"},
		{one("internal/care/a.go", "package care", `import "fmt"`, "func f() { fmt.Println(1) }"), "prints"},
	}, []files{
		one("internal/phys/a.go", "package phys", `import "time"`, "var d = 3 * time.Second"),
		one("internal/phys/a_test.go", "package phys", `import _ "os"`),
		one("internal/rig/a.go", "package rig", `import "time"`, "var t = time.Now()"),
	}}
}

func checkLayers(t tree) (found []string) {
	for _, s := range t.golang() {
		own, known := layers[s.dir()]
		if !known && !testPackages[s.dir()] {
			found = append(found, fmt.Sprintf("%s: package %s has no layer: give it one", s.path, s.dir()))
		}
		if strings.HasSuffix(s.path, "_test.go") {
			continue
		}
		for _, i := range imports(s) {
			other, ours := strings.CutPrefix(i.path, module)
			if !ours {
				continue
			}
			below, known := layers[other]
			switch {
			case testPackages[other] && !testPackages[s.dir()]:
				found = append(found, fmt.Sprintf("%s: imports %s, which is for tests only", i.where, other))
			case testPackages[other] && !known:
			case !known:
				found = append(found, fmt.Sprintf("%s: imports %s, which has no layer", i.where, other))
			case testPackages[s.dir()]: // tests may use anything
			case below >= own && !siblings[[2]string{s.dir(), other}]:
				found = append(found,
					fmt.Sprintf("%s: %s (layer %d) imports %s (layer %d)", i.where, s.dir(), own, other, below))
			}
		}
	}
	return found
}

// checkHardware keeps what makes the hardware's drawings out of everything else, its tests included.
func checkHardware(t tree) (found []string) {
	const tools = "hardware/"
	for _, s := range t.golang() {
		for _, i := range imports(s) {
			if strings.HasPrefix(i.path, module+tools) && !strings.HasPrefix(s.path, tools) {
				found = append(found, i.where+": imports "+i.path+": only "+tools+" may")
			}
		}
	}
	return found
}

// required lists the modules of go.mod.
func required(t tree) (modules []string) {
	for _, s := range t.files {
		if s.path != "go.mod" {
			continue
		}
		for line := range strings.Lines(s.text) {
			words := strings.Fields(strings.TrimPrefix(strings.TrimSpace(line), "require "))
			if len(words) >= 2 && strings.Contains(words[0], ".") && strings.HasPrefix(words[1], "v") {
				modules = append(modules, words[0])
			}
		}
	}
	return modules
}

// moduleOf finds the module a third-party package is in, "" if go.mod has none.
func moduleOf(pkg string, modules []string) (longest string) {
	for _, m := range modules {
		if (pkg == m || strings.HasPrefix(pkg, m+"/")) && len(m) > len(longest) {
			longest = m
		}
	}
	return longest
}

func checkModules(t tree) (found []string) {
	modules := required(t)
	users := map[string][]string{}
	for _, s := range t.golang() {
		if s.test() {
			continue
		}
		for _, i := range imports(s) {
			if first, _, _ := strings.Cut(i.path, "/"); !strings.Contains(first, ".") {
				continue // the standard library, or ours
			}
			if beginsWithAny(i.path, testOnly) {
				found = append(found, i.where+": "+i.path+" is for tests only")
				continue
			}
			m := moduleOf(i.path, modules)
			if m == "" {
				found = append(found, i.where+": "+i.path+" is not in go.mod")
				continue
			}
			if len(users[m]) == 0 || users[m][len(users[m])-1] != s.dir() {
				users[m] = append(users[m], s.dir())
			}
		}
	}
	for m, dirs := range users {
		allowed := homes[m]
		if len(dirs) > 1 && allowed == nil {
			found = append(found, fmt.Sprintf("go.mod: %s is imported by %s", m, strings.Join(dirs, ", ")))
		}
		for _, d := range dirs {
			if allowed != nil && !slices.Contains(allowed, d) {
				found = append(found, fmt.Sprintf("%s: %s belongs in %s", d, m, strings.Join(allowed, ", ")))
			}
		}
	}
	return found
}

func beginsWithAny(text string, prefixes []string) bool {
	for _, p := range prefixes {
		if strings.HasPrefix(text, p) {
			return true
		}
	}
	return false
}

func checkPure(t tree) (found []string) {
	for _, s := range t.golang() {
		layer, known := layers[s.dir()]
		if s.test() || !known || layer > purest || s.dir() == "web" {
			continue
		}
		names := map[string]string{} // in this file: name of a package, its path
		for _, i := range imports(s) {
			for _, bad := range impure {
				if i.path == bad || strings.HasPrefix(i.path, bad+"/") {
					found = append(found, i.where+": imports "+i.path)
				}
			}
			name := path.Base(i.path)
			if i.spec.Name != nil {
				name = i.spec.Name.Name
			}
			if name == "." {
				found = append(found, i.where+": imports "+i.path+" without its name")
			}
			names[name] = i.path
		}
		found = append(found, impurities(s, names)...)
	}
	return found
}

// impurities finds goroutines, clocks and printing in the code of one file.
func impurities(s source, names map[string]string) (found []string) {
	ast.Inspect(s.code, func(n ast.Node) bool {
		switch n := n.(type) {
		case *ast.GoStmt:
			found = append(found, s.at(n.Pos())+": starts a goroutine")
		case *ast.SelectorExpr:
			pkg, ok := n.X.(*ast.Ident)
			if ok && names[pkg.Name] == "time" && clock[n.Sel.Name] {
				found = append(found, s.at(n.Pos())+": uses time."+n.Sel.Name)
			}
			if ok && names[pkg.Name] == "fmt" && beginsWithAny(n.Sel.Name, []string{"Print", "Scan"}) &&
				n.Sel.Name != "Scanner" && n.Sel.Name != "ScanState" {
				found = append(found, s.at(n.Pos())+": prints or reads by fmt."+n.Sel.Name)
			}
		case *ast.CallExpr:
			if f, ok := n.Fun.(*ast.Ident); ok && (f.Name == "print" || f.Name == "println") {
				found = append(found, s.at(n.Pos())+": prints")
			}
		}
		return true
	})
	return found
}
