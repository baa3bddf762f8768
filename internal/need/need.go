// Package need says, in one place, what a test does when a tool it needs is missing: skip with a plain reason, or fail
// when STILLWATER_REQUIRE=all demands every check.
package need

import (
	"os"
	"os/exec"
	"testing"
)

// required reports whether missing tools are failures.
func required() bool { return os.Getenv("STILLWATER_REQUIRE") == "all" }

// Missing ends the test: skipped, or failed when everything is required.
func Missing(t testing.TB, why string) {
	t.Helper()
	if required() {
		t.Fatalf("required (STILLWATER_REQUIRE=all) and missing: %s", why)
	}
	t.Skipf("skipped: %s", why)
}

// Tool returns the path of a program on PATH, trying the names in order, or ends the test.
func Tool(t testing.TB, names ...string) string {
	t.Helper()
	for _, n := range names {
		if p, err := exec.LookPath(n); err == nil {
			return p
		}
	}
	Missing(t, "no program "+names[0]+" on PATH")
	return ""
}
