package main

import (
	"bufio"
	"context"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/need"
)

// debs is the folder of the packages, built beforehand: building them takes minutes.
func debs(t *testing.T, arch string) string {
	t.Helper()
	folder := os.Getenv("STILLWATER_DEBS")
	if folder == "" {
		need.Missing(t, "no packages: go run ./cmd/release --only packages --out FOLDER, then name it in STILLWATER_DEBS")
	}
	found, err := filepath.Glob(filepath.Join(folder, "stillwater_*_"+arch+".deb"))
	require.NoError(t, err)
	require.Len(t, found, 1, "packages for %s in STILLWATER_DEBS=%s", arch, folder)
	return found[0]
}

// disposableRoot unpacks a small Debian system into a temporary folder.
func disposableRoot(t *testing.T) string {
	t.Helper()
	archive := os.Getenv("STILLWATER_ROOT")
	switch {
	case archive == "":
		need.Missing(t, "no Debian system to install in: .ci/fetch-root FILE, then name it in STILLWATER_ROOT")
	case os.Getuid() != 0:
		need.Missing(t, "only root can install into a system")
	case runtime.GOARCH != "amd64":
		need.Missing(t, "the package for this processor is not tried by installing")
	}
	root := t.TempDir()
	do(t, need.Tool(t, "tar"), "-x", "-f", archive, "-C", root)
	return root
}

func do(t *testing.T, name string, args ...string) string {
	t.Helper()
	out, err := exec.CommandContext(t.Context(), name, args...).CombinedOutput()
	require.NoError(t, err, "%s %v: %s", name, args, out)
	return string(out)
}

// allFiles lists all files of a system, except the databases and logs of dpkg and of its users.
func allFiles(t *testing.T, root string) (all []string) {
	t.Helper()
	excluded := []string{"/dev", "/proc", "/sys", "/var/lib/dpkg", "/var/log", "/var/cache", "/etc/passwd-", "/etc/group-",
		"/etc/shadow-", "/etc/gshadow-", "/etc/subuid-", "/etc/subgid-", "/etc/.pwd.lock", "/run/adduser"}
	require.NoError(t, filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		name := strings.TrimPrefix(path, root)
		if slices.Contains(excluded, name) {
			if d.IsDir() {
				return filepath.SkipDir
			}
			return nil
		}
		all = append(all, name)
		return err
	}))
	return all
}

// missing lists what is in a and not in b.
func missing(a, b []string) (list []string) {
	for _, name := range a {
		if !slices.Contains(b, name) {
			list = append(list, name)
		}
	}
	return list
}

// In a system without systemd running, as in a container.
func TestInstallRemovePurgeWithoutServices(t *testing.T) {
	deb := debs(t, "amd64")
	root := disposableRoot(t)
	chroot := need.Tool(t, "chroot")
	dpkg := func(args ...string) string { return do(t, chroot, append([]string{root, "dpkg"}, args...)...) }
	inside := func(command string) string { return do(t, chroot, root, "sh", "-c", command) }
	do(t, "cp", deb, filepath.Join(root, "trial.deb"))
	before := allFiles(t, root)
	users := inside("getent passwd; getent group")

	out := dpkg("-i", "/trial.deb")
	assert.Contains(t, out, "sudo stillwater pairing")
	for _, name := range missing(allFiles(t, root), before) {
		assert.True(t, strings.Contains(name, "stillwater") || strings.HasSuffix(name, "/sockets.target.wants"),
			"a file of a strange name came: %s", name)
	}
	assert.Empty(t, dpkg("--verify", "stillwater"))
	assert.Contains(t, inside("getent passwd stillwater"), "/usr/sbin/nologin")
	assert.Contains(t, inside("getent passwd stillwater-board"), "/usr/sbin/nologin")
	assert.Contains(t, inside("id -nG stillwater-board"), "dialout")
	assert.Regexp(t, `^stillwater [0-9]`, inside("stillwater version"))
	assert.FileExists(t, filepath.Join(root, "etc/systemd/system/multi-user.target.wants/stillwater.service"))

	config := filepath.Join(root, "etc/stillwater/stillwater.toml")
	dpkg("-r", "stillwater")
	assert.FileExists(t, config, "removing keeps the configuration")
	assert.NoFileExists(t, filepath.Join(root, "usr/bin/stillwater"))
	assert.NotContains(t, dpkg("-P", "stillwater"), "record", "there is none")
	assert.Empty(t, missing(allFiles(t, root), before), "left by purging")
	assert.Empty(t, missing(before, allFiles(t, root)), "taken by purging")
	assert.Equal(t, users, inside("getent passwd; getent group"))

	dpkg("-i", "/trial.deb")
	record := filepath.Join(root, "var/lib/stillwater/journal.db")
	require.NoError(t, os.MkdirAll(filepath.Dir(record), 0o700))
	require.NoError(t, os.WriteFile(record, []byte("shots"), 0o600))
	assert.Contains(t, dpkg("-P", "stillwater"),
		"The record of your shots stays in /var/lib/stillwater. To delete it too: sudo rm -r /var/lib/stillwater")
	assert.Equal(t, []string{"/var/lib/stillwater", "/var/lib/stillwater/journal.db"}, missing(allFiles(t, root), before))
}

// In a system that systemd has booted: the services, sandboxed as their units say, in both orders, killed and hung.
// testdata/trial.sh has the findings. The board's pins are virtual; the rest is the package's own.
func TestServicesInABootedSystem(t *testing.T) {
	deb := debs(t, "amd64")
	nspawn := need.Tool(t, "systemd-nspawn")
	root := disposableRoot(t)
	do(t, "cp", deb, filepath.Join(root, "trial.deb"))
	do(t, "cp", "testdata/trial.sh", filepath.Join(root, "trial.sh"))
	build := exec.CommandContext(t.Context(), "go", "test", "-c", "-trimpath", "-o", filepath.Join(root, "trial.program"),
		"stillwater/cmd/stillwater")
	build.Env = append(os.Environ(), "CGO_ENABLED=0")
	out, err := build.CombinedOutput()
	require.NoError(t, err, "%s", out)
	write := func(name, text string) {
		require.NoError(t, os.WriteFile(filepath.Join(root, name), []byte(text), 0o644))
	}
	write("etc/systemd/system/trial.service", `[Service]
Type=oneshot
ExecStart=/bin/bash /trial.sh
StandardOutput=file:/trial.log
StandardError=inherit
TimeoutStartSec=20min
`)
	require.NoError(t, os.Symlink("../trial.service",
		filepath.Join(root, "etc/systemd/system/multi-user.target.wants/trial.service")))

	ctx, cancel := context.WithTimeout(t.Context(), 10*time.Minute)
	defer cancel()
	boot := exec.CommandContext(ctx, nspawn, "--quiet", "--register=no", "--keep-unit", "--private-network",
		"--capability=CAP_IPC_LOCK", "--console=pipe", "-D", root, "-b")
	console, bootErr := boot.CombinedOutput()
	log, err := os.ReadFile(filepath.Join(root, "trial.log"))
	if err != nil && bootErr != nil {
		need.Missing(t, "systemd does not boot in a container here: "+bootErr.Error()+": "+string(console))
	}
	require.NoError(t, err, "%s", console)
	if what, missing := strings.CutPrefix(string(log), "MISSING "); missing {
		need.Missing(t, strings.TrimSpace(what))
	}
	t.Logf("%s", log)
	assertFindings(t, string(log))
}

func assertFindings(t *testing.T, log string) {
	t.Helper()
	script, err := os.ReadFile("testdata/trial.sh")
	require.NoError(t, err)
	want, fine, ended := strings.Count(string(script), "\ncheck \""), 0, false
	for s := bufio.NewScanner(strings.NewReader(log)); s.Scan(); {
		switch line := s.Text(); {
		case strings.HasPrefix(line, "ok "):
			fine++
		case strings.HasPrefix(line, "FAILED "):
			t.Error(line)
		case line == "done":
			ended = true
		}
	}
	assert.True(t, ended, "the trial did not come to its end")
	assert.Equal(t, want, fine, "findings that are well")
}
