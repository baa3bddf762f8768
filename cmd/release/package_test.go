package main

import (
	"bufio"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/need"
)

// unpack puts a package's files into a folder.
func unpack(t *testing.T, arch string) string {
	t.Helper()
	deb := debs(t, arch)
	dir := t.TempDir()
	do(t, need.Tool(t, "dpkg-deb"), "-x", deb, dir)
	return dir
}

func TestPackagesAreWhatDebianWants(t *testing.T) {
	lintian := need.Tool(t, "lintian")
	for _, target := range targets() {
		deb := debs(t, target.debian)
		cmd := exec.CommandContext(t.Context(), lintian, "--allow-root", "--fail-on", "none", "--show-overrides", deb)
		cmd.Env = append(os.Environ(), "TMPDIR="+t.TempDir()) // it leaves files behind
		out, err := cmd.CombinedOutput()
		assert.NoError(t, err, "%s", out)
		for line := range strings.Lines(string(out)) {
			known := strings.HasPrefix(line, "N:") || strings.HasPrefix(line, "O: stillwater: statically-linked-binary")
			assert.True(t, known, "%s: %s", target.debian, line)
		}
	}
}

func TestEachPackageHasItsOwnProcessor(t *testing.T) {
	tool := need.Tool(t, "dpkg-deb")
	for _, target := range targets() {
		assert.Equal(t, target.debian+"\n", do(t, tool, "-f", debs(t, target.debian), "Architecture"))
		info := do(t, "go", "version", "-m", filepath.Join(unpack(t, target.debian), "usr/bin/stillwater"))
		for _, setting := range append([]string{"CGO_ENABLED=0", "-trimpath=true"}, target.env...) {
			assert.Contains(t, info, "build\t"+setting, target.debian)
		}
	}
}

// The package has the licences of all that is in the program.
func TestEveryLinkedModuleHasItsLicence(t *testing.T) {
	dir := unpack(t, "arm64")
	text, err := os.ReadFile(filepath.Join(dir, "usr/share/doc/stillwater/copyright"))
	require.NoError(t, err)
	info := do(t, "go", "version", "-m", filepath.Join(dir, "usr/bin/stillwater"))
	modules := regexp.MustCompile(`\tdep\t(\S+)\t(\S+)`).FindAllStringSubmatch(info, -1)
	require.NotEmpty(t, modules)
	for _, m := range modules {
		assert.Contains(t, string(text), "\n"+m[1]+" "+m[2]+"\n")
	}
	assert.Contains(t, string(text), "Go's runtime and standard library go1")
}

func TestTwoRunsGiveTheSameBytes(t *testing.T) {
	debs(t, "amd64") // only where packages were built, which takes the packing program
	t.Setenv("SOURCE_DATE_EPOCH", "1764028800")
	var both [2][]byte
	for i := range both {
		out := t.TempDir()
		t.Setenv("TMPDIR", t.TempDir())
		here, err := os.Getwd()
		require.NoError(t, err)
		relative, err := filepath.Rel(here, out)
		require.NoError(t, err)
		var printed strings.Builder
		args := []string{"--only", "packages", "--arch", "amd64", "--version", "1.2.3", "--out", []string{out, relative}[i]}
		require.NoError(t, run(t.Context(), args, &printed, io.Discard))
		path := filepath.Join(out, "stillwater_1.2.3_amd64.deb")
		assert.Equal(t, path+"\n", printed.String())
		both[i], err = os.ReadFile(path)
		require.NoError(t, err)
	}
	assert.True(t, string(both[0]) == string(both[1]), "the packages of two runs differ")
}

// The programs inside the packages for the small boards, on an emulated processor: the same numbers as here, a page.
func TestPackagedProgramsOnTheirProcessors(t *testing.T) {
	own, err := exec.CommandContext(t.Context(), filepath.Join(unpack(t, "amd64"), "usr/bin/stillwater"), "drop").Output()
	if err != nil {
		need.Missing(t, "this is no amd64 machine: "+err.Error())
	}
	for arch, emulator := range map[string]string{"arm64": "qemu-aarch64", "armhf": "qemu-arm"} {
		t.Run(arch, func(t *testing.T) {
			qemu := need.Tool(t, emulator)
			program := filepath.Join(unpack(t, arch), "usr/bin/stillwater")
			_, version, _ := strings.Cut(filepath.Base(debs(t, arch)), "_")
			assert.Equal(t, "stillwater "+strings.TrimSuffix(version, "_"+arch+".deb")+"\n", do(t, qemu, program, "version"))
			assert.Equal(t, string(own), do(t, qemu, program, "drop")) // processors differ in the last of sixteen digits
			fetchPage(t, qemu, program)
		})
	}
}

// fetchPage starts the program with its simulated board, reads its page, and stops it.
func fetchPage(t *testing.T, qemu, program string) {
	t.Helper()
	c := exec.CommandContext(t.Context(), qemu, program, "--listen", "127.0.0.1:0", "--journal",
		filepath.Join(t.TempDir(), "journal.db"))
	c.Dir, c.Stderr = t.TempDir(), os.Stderr
	out, err := c.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, c.Start())
	guard := time.AfterFunc(2*time.Minute, func() { _ = c.Process.Kill() }) // or a program that hangs blocks all tests
	defer guard.Stop()
	var page string
	lines := bufio.NewScanner(out)
	for page == "" && lines.Scan() {
		if m := regexp.MustCompile(`http://\S+/`).FindString(lines.Text()); m != "" {
			page = m
		}
	}
	require.NotEmpty(t, page)
	answer, err := http.Get(page)
	require.NoError(t, err)
	text, err := io.ReadAll(answer.Body)
	answer.Body.Close()
	require.NoError(t, err)
	assert.Equal(t, http.StatusOK, answer.StatusCode)
	assert.Contains(t, string(text), "<title>Stillwater")
	require.NoError(t, c.Process.Signal(syscall.SIGTERM))
	_, _ = io.Copy(io.Discard, out)
	assert.NoError(t, c.Wait())
}

func TestVersions(t *testing.T) {
	s := source{root: t.TempDir()}
	version, when, err := s.stamp(t.Context(), "1.2.0", "86400")
	require.NoError(t, err)
	assert.Equal(t, "1.2.0", version)
	assert.Equal(t, time.Unix(86400, 0).UTC(), when)

	for _, c := range []struct{ version, date, says string }{
		{"v1", "0", `version "v1": write a digit`},
		{"1-2", "0", "write a digit"},
		{"", "0", "give both --version and SOURCE_DATE_EPOCH"},
		{"1", "", "give both --version and SOURCE_DATE_EPOCH"},
		{"1", "yesterday", `SOURCE_DATE_EPOCH="yesterday": write seconds since 1970`},
		{"1", "-1", "write seconds since 1970"},
	} {
		_, _, err := s.stamp(t.Context(), c.version, c.date)
		assert.ErrorContains(t, err, c.says, "%q %q", c.version, c.date)
	}
}

// A later commit has a later version, and all of them come before the release.
func TestVersionsGrow(t *testing.T) {
	git := need.Tool(t, "git")
	s := source{root: t.TempDir()}
	in := func(date string, args ...string) {
		c := exec.CommandContext(t.Context(), git, args...)
		c.Dir = s.root
		c.Env = append(os.Environ(), "GIT_AUTHOR_DATE="+date, "GIT_COMMITTER_DATE="+date, "GIT_CONFIG_GLOBAL=/dev/null",
			"GIT_AUTHOR_NAME=a", "GIT_AUTHOR_EMAIL=a@b.invalid", "GIT_COMMITTER_NAME=a", "GIT_COMMITTER_EMAIL=a@b.invalid")
		out, err := c.CombinedOutput()
		require.NoError(t, err, "%s", out)
	}
	stamp := func() string {
		version, _, err := s.stamp(t.Context(), "", "")
		require.NoError(t, err)
		return version
	}
	in("", "init", "-q")
	in("2026-01-02T03:04:05Z", "commit", "-q", "--allow-empty", "-m", "one")
	first := stamp()
	assert.Regexp(t, `^0\.1\.0~20260102\.030405\.[0-9a-f]{10}$`, first)
	in("2026-01-02T03:04:06Z", "commit", "-q", "--allow-empty", "-m", "two")
	second := stamp()
	dpkg := need.Tool(t, "dpkg")
	do(t, dpkg, "--compare-versions", first, "lt", second)
	do(t, dpkg, "--compare-versions", second, "lt", nextRelease)
	in("", "tag", "v0.1.0-mine")
	assert.Equal(t, second, stamp(), "a tag without a message is no release")
	in("2026-01-02T03:04:07Z", "tag", "-a", "-m", "Stillwater 0.1.0", "v0.1.0")
	assert.Equal(t, "0.1.0", stamp())
}

func TestWrongCalls(t *testing.T) {
	for _, c := range []struct {
		args []string
		says string
	}{
		{[]string{"all"}, `unexpected argument "all"`},
		{[]string{"--arch", "riscv"}, `there is no package for "riscv"; choose from arm64, armhf, amd64`},
		{[]string{"--version", "v 1"}, "write a digit"},
		{[]string{"--only", "debs"}, `--only: there is no part "debs"; choose from packages, image, firmware`},
		{[]string{"--arch", "amd64"}, "a release has the packages for all processors"},
	} {
		err := run(t.Context(), c.args, io.Discard, io.Discard)
		assert.ErrorIs(t, err, errUsage)
		assert.ErrorContains(t, err, c.says)
	}
}
