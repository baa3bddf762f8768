package house

import (
	"maps"
	"slices"
	"strings"
)

// domain are the packages that know the words of the domain, and nothing of the files that these are kept in.
var domain = []string{"internal/control", "internal/page"}

// storage is what reads and writes those files: the adapters, and the modules they hide.
var storage = []string{"stillwater/internal/journal", "modernc.org/sqlite", "stillwater/internal/config",
	"github.com/pelletier/go-toml"}

// domainRule holds for imports of imports too, which the layers alone would let through.
func domainRule() rule {
	uses := func(pkg, imports string) string { return "package " + pkg + "\nimport _ \"" + imports + "\"" }
	return rule{"control and page reach no storage", checkDomain, []example{
		{one("internal/control/a.go", uses("control", "stillwater/internal/journal")),
			"internal/control imports stillwater/internal/journal"},
		{one("internal/control/a.go", uses("control", "stillwater/internal/config")),
			"internal/control imports stillwater/internal/config"},
		{one("internal/control/a.go", uses("control", "github.com/pelletier/go-toml/v2")),
			"internal/control imports github.com/pelletier/go-toml/v2"},
		{one("internal/page/a.go", uses("page", "modernc.org/sqlite/lib")), "internal/page imports modernc.org/sqlite/lib"},
		{files{"internal/page/a.go": uses("page", "stillwater/internal/control"),
			"internal/control/a.go": uses("control", "stillwater/internal/pairing"),
			"internal/pairing/a.go": uses("pairing", "stillwater/internal/journal")},
			"internal/page imports internal/control imports internal/pairing imports stillwater/internal/journal"},
	}, []files{
		one("internal/control/a.go", uses("control", "stillwater/internal/record")),
		one("internal/control/a.go", uses("control", "stillwater/internal/wiring")),
		one("internal/control/a_test.go", uses("control", "stillwater/internal/journal")),
		one("internal/export/a.go", uses("export", "stillwater/internal/journal")),
	}}
}

func checkDomain(t tree) (found []string) {
	graph := map[string]map[string]bool{} // package: what it imports
	for _, s := range t.golang() {
		if s.test() {
			continue
		}
		if graph[s.dir()] == nil {
			graph[s.dir()] = map[string]bool{}
		}
		for _, i := range imports(s) {
			graph[s.dir()][i.path] = true
		}
	}
	for _, from := range domain {
		seen := map[string]bool{}
		var walk func(pkg, way string)
		walk = func(pkg, way string) {
			for _, next := range slices.Sorted(maps.Keys(graph[pkg])) {
				if seen[next] {
					continue
				}
				seen[next] = true
				if slices.ContainsFunc(storage, func(s string) bool { return next == s || strings.HasPrefix(next, s+"/") }) {
					found = append(found, way+" imports "+next+": use the words of internal/record and internal/wiring")
				}
				if ours, ok := strings.CutPrefix(next, module); ok {
					walk(ours, way+" imports "+ours)
				}
			}
		}
		walk(from, from)
	}
	return found
}
