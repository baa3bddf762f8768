package house

import (
	"fmt"
	"go/ast"
	"go/token"
	"slices"
	"strings"
)

// sleepers are the functions of tests that may sleep in real time. But for two they wait for a condition that has
// nothing to wait on, and look at it again and again.
var sleepers = []string{
	"internal/proctest.Eventually",  // everybody's
	"cmd/release.wait",              // what an emulated machine writes on its console
	"cmd/release.standStill",        // no wait: for how long an emulated machine is stopped
	"cmd/stillwater.lit",            // no wait: it says that a host is alive, ten times a second
	"cmd/stillwater.until",          // what a browser's page shows
	"internal/gpiochip/guest.Sleep", // the suite's way to let a board's time pass
	// In virtual time, but called there by others than tests:
	"internal/control.Disarm", "internal/control.Release", "internal/page.inTurn", "internal/spawn.Write",
}

func sleepRule() rule {
	test := func(body string) files {
		return one("internal/rig/a_test.go", "package rig", `import ("testing"; "testing/synctest"; "time")`, body)
	}
	const bubble = "func TestA(t *testing.T) { synctest.Test(t, func(t *testing.T) { "
	return rule{"tests sleep in virtual time", checkSleeps, []example{
		{test("func TestA(t *testing.T) { time.Sleep(1) }"), "internal/rig/a_test.go:3: TestA sleeps in real time"},
		{test(bubble + "f() }) }\nfunc TestB(t *testing.T) { f() }\nfunc f() { time.Sleep(1) }"), "a_test.go:5: f sleeps"},
		{test(bubble + "g() }) }\nfunc TestB(t *testing.T) { f() }\nfunc f() { g() }\nfunc g() { time.Sleep(1) }"),
			"g sleeps"},
		{test(bubble + "}) }\nfunc TestB(t *testing.T) { in(f) }\nfunc in(f func()) {}\nfunc f() { time.Sleep(1) }"),
			"f sleeps"},
		{test("func f() { time.Sleep(1) }"), "f sleeps"},
		{test("func TestA(t *testing.T) { require.Eventually(t, f, 1, 1) }"), "TestA sleeps"},
		{test("func f(t *testing.T) { assert.EventuallyWithT(t, g, 1, 1) }"), "f sleeps"},
		{test("func TestA(t *testing.T) { wait(time.Sleep) }"), "TestA sleeps"},
		{test("func TestA(t *testing.T) { <-time.After(1) }"), "internal/rig/a_test.go:3: TestA sleeps in real time"},
		{test("func TestA(t *testing.T) { for { select { case <-time.After(1): } } }"), "TestA sleeps"},
		{test("func TestA(t *testing.T) { <-time.NewTimer(1).C }"), "TestA sleeps"},
		{test("func TestA(t *testing.T) { for range time.Tick(1) {} }"), "TestA sleeps"},
		{one("internal/proctest/a.go", "package proctest", `import "time"`, "func f() { time.Sleep(1) }"), "f sleeps"},
	}, []files{
		test(bubble + "time.Sleep(1) }) }"),
		test(bubble + "f() }) }\nfunc f() { g() }\nfunc g() { time.Sleep(1); g() }"),
		test(bubble + "x.m() }) }\ntype x int\nfunc (x) m() { time.Sleep(1) }"),
		test("func TestA(t *testing.T) { for _, f := range []func(){func() { time.Sleep(1) }} {\n" +
			"synctest.Test(t, func(t *testing.T) { f() }) } }"),
		test("func in(t *testing.T, f func()) { synctest.Test(t, func(*testing.T) { f() }) }\n" +
			"func TestA(t *testing.T) { in(t, func() { time.Sleep(1) }) }"),
		test(bubble + "<-time.After(1) }) }"),
		test("func TestA(t *testing.T) { select { case <-t.Context().Done(): case <-time.After(1): t.Fatal() } }"),
		test("func BenchmarkA(b *testing.B) { f() }\nfunc f() { time.Sleep(1) }"),
		one("internal/proctest/a.go", "package proctest", `import "time"`, "func Eventually() { time.Sleep(1) }"),
		one("internal/rig/a.go", "package rig", `import "time"`, "func f() { time.Sleep(1) }"),
	}}
}

// checkSleeps looks at the tests of each folder.
func checkSleeps(t tree) (found []string) {
	folders := map[string][]source{}
	for _, s := range t.golang() {
		if s.test() {
			folders[s.dir()] = append(folders[s.dir()], s)
		}
	}
	for dir, sources := range folders {
		found = append(found, realSleeps(dir, sources)...)
	}
	return found
}

// use is a place in which a function is named, or in which it sleeps.
type use struct {
	name    string // of what is used; "": it sleeps
	in      string // the function around it
	virtual bool   // within a bubble of virtual time
	at      string
}

// realSleeps finds what sleeps and is not only called in virtual time. Functions and methods are distinguished by name
// alone: where two have one name, both must be called in virtual time only.
func realSleeps(dir string, sources []source) (found []string) {
	bubbles, functions := map[string]bool{"synctest.Test": true}, map[string]bool{}
	for _, s := range sources {
		for _, d := range s.code.Decls {
			f, ok := d.(*ast.FuncDecl)
			if !ok || f.Recv != nil {
				continue
			}
			functions[f.Name.Name] = true
			if makesBubble(f) {
				bubbles[f.Name.Name] = true
			}
		}
	}
	var uses []use
	for _, s := range sources {
		for _, d := range s.code.Decls {
			uses = append(uses, usesIn(s, d, bubbles, functions)...)
		}
	}
	real := calledInRealTime(uses)
	for _, u := range uses {
		if u.name == "" && !u.virtual && real[u.in] && !slices.Contains(sleepers, dir+"."+u.in) {
			found = append(found, fmt.Sprintf("%s: %s sleeps in real time: wait for the event, or use testing/synctest",
				u.at, u.in))
		}
	}
	return found
}

// makesBubble reports whether a function runs one that it is given in virtual time.
func makesBubble(f *ast.FuncDecl) (makes bool) {
	given := slices.ContainsFunc(f.Type.Params.List, func(p *ast.Field) bool {
		_, ok := p.Type.(*ast.FuncType)
		return ok
	})
	ast.Inspect(f, func(n ast.Node) bool {
		call, ok := n.(*ast.CallExpr)
		makes = makes || given && ok && callee(call) == "synctest.Test"
		return true
	})
	return makes
}

// callee is the name of what is called, with that of its package or value.
func callee(call *ast.CallExpr) string {
	switch f := call.Fun.(type) {
	case *ast.Ident:
		return f.Name
	case *ast.SelectorExpr:
		if x, ok := f.X.(*ast.Ident); ok {
			return x.Name + "." + f.Sel.Name
		}
	}
	return ""
}

// usesIn lists the calls and sleeps within a declaration, and the functions that it hands on.
func usesIn(s source, d ast.Decl, bubbles, functions map[string]bool) (uses []use) {
	in := ""
	if f, ok := d.(*ast.FuncDecl); ok {
		in = f.Name.Name
	}
	virtual, limits := inVirtualTime(d, bubbles), timeLimits(d)
	add := func(name string, at ast.Node) {
		inside := slices.ContainsFunc(virtual, func(n ast.Node) bool { return n.Pos() <= at.Pos() && at.Pos() < n.End() })
		uses = append(uses, use{name, in, inside, s.at(at.Pos())})
	}
	ast.Inspect(d, func(n ast.Node) bool {
		switch n := n.(type) {
		case *ast.CallExpr:
			if f, ok := n.Fun.(*ast.SelectorExpr); ok {
				add(f.Sel.Name, n)
			}
		case *ast.SelectorExpr:
			if x, ok := n.X.(*ast.Ident); ok && (x.Name == "time" && n.Sel.Name == "Sleep" || polls(x.Name, n.Sel.Name)) {
				add("", n)
			}
		case *ast.UnaryExpr:
			if n.Op == token.ARROW && isTimer(n.X) && !limits[n] {
				add("", n)
			}
		case *ast.RangeStmt:
			if isTimer(n.X) {
				add("", n)
			}
		case *ast.Ident:
			if functions[n.Name] {
				add(n.Name, n)
			}
		}
		return true
	})
	return uses
}

// polls reports whether a function of testify looks at a condition again and again, with a time limit of its own.
func polls(pkg, name string) bool {
	return slices.Contains([]string{"require", "assert"}, pkg) &&
		(strings.HasPrefix(name, "Eventually") || strings.HasPrefix(name, "Never"))
}

// isTimer reports whether something is a channel that has nothing but a time: to receive from it is to sleep.
func isTimer(x ast.Expr) bool {
	if s, ok := x.(*ast.SelectorExpr); ok && s.Sel.Name == "C" {
		x = s.X
	}
	call, ok := x.(*ast.CallExpr)
	return ok && slices.Contains([]string{"time.After", "time.Tick", "time.NewTimer", "time.NewTicker"}, callee(call))
}

// timeLimits are the receives of cases that have others beside them: those wait for an event, and for how long.
func timeLimits(d ast.Decl) map[ast.Expr]bool {
	limits := map[ast.Expr]bool{}
	ast.Inspect(d, func(n ast.Node) bool {
		if s, ok := n.(*ast.SelectStmt); ok && len(s.Body.List) > 1 {
			for _, c := range s.Body.List {
				if x, ok := c.(*ast.CommClause).Comm.(*ast.ExprStmt); ok {
					limits[x.X] = true
				}
			}
		}
		return true
	})
	return limits
}

// inVirtualTime lists what in a declaration runs in virtual time: calls that make a bubble, with what they are given,
// and benchmarks, whose matter is time. The cases of a test's table run in its bubble, if it has one.
func inVirtualTime(d ast.Decl, bubbles map[string]bool) (list []ast.Node) {
	if f, ok := d.(*ast.FuncDecl); ok && strings.HasPrefix(f.Name.Name, "Benchmark") {
		return []ast.Node{d}
	}
	var tables []ast.Node
	ast.Inspect(d, func(n ast.Node) bool {
		switch n := n.(type) {
		case *ast.CallExpr:
			if bubbles[callee(n)] {
				list = append(list, n)
			}
		case *ast.CompositeLit:
			tables = append(tables, n)
		}
		return true
	})
	if len(list) > 0 {
		list = append(list, tables...)
	}
	return list
}

// calledInRealTime are the functions that are called outside of virtual time, by way of others too, or by no one here.
func calledInRealTime(uses []use) map[string]bool {
	real, called := map[string]bool{}, map[string]bool{}
	for _, u := range uses {
		called[u.name] = called[u.name] || u.name != u.in
	}
	for _, u := range uses {
		real[u.in] = real[u.in] || !called[u.in]
	}
	for again := true; again; {
		again = false
		for _, u := range uses {
			if u.name != u.in && !u.virtual && real[u.in] && !real[u.name] {
				real[u.name], again = true, true
			}
		}
	}
	return real
}
