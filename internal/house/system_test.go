package house

import (
	"fmt"
	"go/ast"
	"regexp"
	"slices"
	"strings"
)

// fromOS are the types of package syscall that packages os and os/exec hand out or ask for.
var fromOS = []string{"Stat_t", "WaitStatus", "SysProcAttr", "Credential", "RawConn"}

// everywhere are the names of package syscall that all systems have: errors and signals.
var everywhere = regexp.MustCompile(`^(E[A-Z0-9]+|SIG[A-Z]+|Errno|Signal)$`)

// systemRule: a file built for some systems only calls them through x/sys/unix. In all other files package syscall is
// for errors and signals.
func systemRule() rule {
	file := func(imports, use string) string { return "package a\nimport \"" + imports + "\"\nvar _ = " + use }
	const kernel = "golang.org/x/sys/unix"
	return rule{"syscall is for errors and signals", eachGo(checkSystem), []example{
		{one("a_linux.go", file("syscall", "syscall.Kill")), "a_linux.go:3: syscall.Kill: use x/sys/unix"},
		{one("a_linux_test.go", file("syscall", "syscall.EINVAL")), "a_linux_test.go:3: syscall.EINVAL: use x/sys/unix"},
		{one("a.go", "//go:build unix", file("syscall", "syscall.EINVAL")), "a.go:4: syscall.EINVAL: use x/sys/unix"},
		{one("a.go", file("syscall", "syscall.Dup")), "a.go:3: syscall.Dup is not on all systems"},
	}, []files{
		one("a_linux.go", file("syscall", "syscall.Stat_t{}")),
		one("a_linux.go", file(kernel, "unix.EINVAL")),
		one("a.go", file("syscall", "syscall.EINVAL")),
		one("a_test.go", file("syscall", "syscall.SIGTERM")),
	}}
}

func checkSystem(s source) (found []string) {
	if !slices.ContainsFunc(imports(s), func(i imported) bool { return i.path == "syscall" }) {
		return nil
	}
	forSome := forSomeSystems(s)
	ast.Inspect(s.code, func(n ast.Node) bool {
		of, ok := n.(*ast.SelectorExpr)
		if !ok {
			return true
		}
		if pkg, ok := of.X.(*ast.Ident); !ok || pkg.Name != "syscall" {
			return true
		}
		switch name := of.Sel.Name; {
		case forSome && !slices.Contains(fromOS, name):
			found = append(found, fmt.Sprintf("%s: syscall.%s: use x/sys/unix", s.at(of.Pos()), name))
		case !forSome && !everywhere.MatchString(name):
			found = append(found, fmt.Sprintf("%s: syscall.%s is not on all systems: use x/sys/unix in a file for those that "+
				"have it", s.at(of.Pos()), name))
		}
		return true
	})
	return found
}

// forSomeSystems reports whether a file is built for some systems only: by its name or by its constraint.
func forSomeSystems(s source) bool {
	if strings.HasSuffix(strings.TrimSuffix(strings.TrimSuffix(s.path, ".go"), "_test"), "_linux") {
		return true
	}
	for _, group := range s.code.Comments {
		if group.Pos() < s.code.Package && strings.HasPrefix(group.List[0].Text, "//go:build ") {
			return true
		}
	}
	return false
}
