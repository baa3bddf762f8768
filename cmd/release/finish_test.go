package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/need"
)

// repository is a project with some commits and one tag.
func repository(t *testing.T, guide string) (s source, git func(args ...string)) {
	t.Helper()
	tool := need.Tool(t, "git")
	s = source{root: t.TempDir()}
	git = func(args ...string) {
		c := exec.CommandContext(t.Context(), tool, args...)
		c.Dir = s.root
		c.Env = append(os.Environ(), "GIT_CONFIG_GLOBAL=/dev/null", "GIT_AUTHOR_NAME=a", "GIT_AUTHOR_EMAIL=a@b.invalid",
			"GIT_COMMITTER_NAME=a", "GIT_COMMITTER_EMAIL=a@b.invalid")
		out, err := c.CombinedOutput()
		require.NoError(t, err, "%s", out)
	}
	require.NoError(t, os.WriteFile(filepath.Join(s.root, changesPlace), []byte(guide), 0o644))
	git("init", "-q")
	git("commit", "-q", "--allow-empty", "-m", "trigger: first")
	git("tag", "-a", "-m", "Stillwater 0.1.0", "v0.1.0")
	git("commit", "-q", "--allow-empty", "-m", "page: second")
	git("commit", "-q", "--allow-empty", "-m", "page: third")
	return s, git
}

func TestChangesSinceTheLastTag(t *testing.T) {
	const guide = "# Guide\n\n## Versions\n\n### 0.2.0, not released yet\n\nNew:\n\n- a card\n\n" +
		"### 0.1.0\n\nThe first one.\n"
	s, git := repository(t, guide)
	const commits = "Every commit since v0.1.0, the newest first:\n\n- page: third\n- page: second\n"
	text, err := s.changes(t.Context(), "0.2.0~20260102.030405.0123456789")
	require.NoError(t, err)
	assert.Equal(t, "Stillwater 0.2.0~20260102.030405.0123456789, before the release of 0.2.0\n\n"+
		"New:\n\n- a card\n\n"+commits, text)
	git("tag", "-a", "-m", "Stillwater 0.2.0", "v0.2.0")
	text, err = s.changes(t.Context(), "0.2.0")
	require.NoError(t, err)
	assert.Equal(t, "Stillwater 0.2.0\n\nNew:\n\n- a card\n\n"+commits, text, "the release's own tag is not the last one")

	_, err = s.changes(t.Context(), "0.3.0")
	assert.ErrorContains(t, err, `DEVELOPERS.md has no heading "### 0.3.0" with the changes of this release`)
	s, _ = repository(t, "### 0.2.0\n\n### 0.1.0\n\nThe first one.\n")
	_, err = s.changes(t.Context(), "0.2.0")
	assert.ErrorContains(t, err, "write them there", "an empty list is none")
}

// The project's own list has the version that is released next.
func TestTheNextReleaseHasItsChanges(t *testing.T) {
	guide, err := os.ReadFile("../../" + changesPlace)
	require.NoError(t, err)
	text, found := section(string(guide), nextRelease)
	assert.True(t, found)
	assert.Contains(t, text, "the page for a phone")
}

// Whoever has the public key can tell the release from anything else, with programs that every system has.
func TestChecksumsAreSigned(t *testing.T) {
	keygen, sums := need.Tool(t, "ssh-keygen"), need.Tool(t, "sha256sum")
	dir := t.TempDir()
	key := filepath.Join(dir, "key")
	do(t, keygen, "-q", "-t", "ed25519", "-N", "", "-C", "", "-f", key)
	j := job{version: "1.2.3", out: filepath.Join(dir, "dist"), key: key, when: time.Unix(0, 0)}
	require.NoError(t, os.Mkdir(j.out, 0o755))
	require.NoError(t, j.checkKey())
	made := filepath.Join(j.out, "stillwater_1.2.3_arm64.deb")
	require.NoError(t, os.WriteFile(made, []byte("a package"), 0o644))
	for range 2 { // a second run replaces the first one's
		paths, err := j.finish(t.Context(), []string{made}, "changes\n")
		require.NoError(t, err)
		require.Len(t, paths, 4)
	}
	list := filepath.Join(j.out, "stillwater_1.2.3_SHA256SUMS")
	check := exec.CommandContext(t.Context(), sums, "--check", "--strict", filepath.Base(list))
	check.Dir = j.out
	out, err := check.CombinedOutput()
	require.NoError(t, err, "%s", out)
	assert.Equal(t, "stillwater_1.2.3_arm64.deb: OK\nstillwater_1.2.3_changes.txt: OK\n", string(out))

	public, err := os.ReadFile(key + ".pub")
	require.NoError(t, err)
	signers := filepath.Join(dir, "signers")
	require.NoError(t, os.WriteFile(signers, []byte("stillwater "+string(public)), 0o644))
	verify := func(text string) error {
		c := exec.CommandContext(t.Context(), keygen, "-Y", "verify", "-f", signers, "-I", "stillwater", "-n", signatureSpace,
			"-s", list+".sig")
		c.Stdin = strings.NewReader(text)
		return c.Run()
	}
	text, err := os.ReadFile(list)
	require.NoError(t, err)
	assert.NoError(t, verify(string(text)))
	assert.Error(t, verify(string(text)+" "), "anything else is not signed")

	j.key = filepath.Join(dir, "none")
	assert.ErrorContains(t, j.checkKey(), "--key: stat ")
}

// A program without the firmware that it should have is no release.
func TestTheFirmwareIsLookedFor(t *testing.T) {
	program := filepath.Join(t.TempDir(), "program")
	require.NoError(t, os.WriteFile(program, []byte("\x7fELF...:0102\r\n:0304\r\n..."), 0o755))
	assert.NoError(t, source{}.checkFirmware(program), "built without")
	assert.NoError(t, source{firmware: []byte(":0102\r\n:0304\r\n")}.checkFirmware(program))
	assert.ErrorContains(t, source{firmware: []byte(":0102\r\n:0305\r\n")}.checkFirmware(program),
		"the firmware is not in the program")
}

// The firmware is built outside the project's folder, and the program built after it has it.
func TestTheProgramCarriesTheFirmware(t *testing.T) {
	need.Tool(t, "avr-gcc")
	s, err := findSource(t.Context())
	require.NoError(t, err)
	dir := t.TempDir()
	bare, carrying := filepath.Join(dir, "bare"), filepath.Join(dir, "carrying")
	require.NoError(t, s.compile(t.Context(), nil, "1.2.3", bare))
	require.NoError(t, s.addFirmware(t.Context(), dir))
	require.NoError(t, s.compile(t.Context(), nil, "1.2.3", carrying))
	assert.NoError(t, s.checkFirmware(carrying))
	if _, err := os.Stat(filepath.Join(s.root, firmwarePlace)); err != nil {
		assert.Error(t, s.checkFirmware(bare))
	}
	assert.Contains(t, do(t, carrying, "flash", "--dry-run", "--port", "/dev/null"), "avrdude")
}
