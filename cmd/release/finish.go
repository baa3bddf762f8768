package main

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
)

// changesPlace is the file that lists each release's changes, under a heading with its version.
const changesPlace = "DEVELOPERS.md"

// changes are a version's changes, as they were written for it, and the commits since the last tag. A release without
// written changes is none.
func (s source) changes(ctx context.Context, version string) (string, error) {
	guide, err := os.ReadFile(filepath.Join(s.root, changesPlace))
	if err != nil {
		return "", fmt.Errorf("the list of changes: %w", err)
	}
	release, _, between := strings.Cut(version, "~")
	written, found := section(string(guide), release)
	if !found {
		return "", fmt.Errorf("%s has no heading \"### %s\" with the changes of this release: write them there",
			changesPlace, release)
	}
	rangeWords := []string{"HEAD"}
	since := "the beginning"
	if tag, err := command(ctx, s.root, nil, "git", "describe", "--abbrev=0", "--match", "v[0-9]*", "HEAD^"); err == nil {
		since = strings.TrimSpace(tag)
		rangeWords = []string{since + "..HEAD"}
	}
	commits, err := command(ctx, s.root, nil, "git", append([]string{"log", "--format=- %s"}, rangeWords...)...)
	if err != nil {
		return "", fmt.Errorf("the commits since %s: %w", since, err)
	}
	title := "Stillwater " + version
	if between {
		title += ", before the release of " + release
	}
	return fmt.Sprintf("%s\n\n%s\n\nEvery commit since %s, the newest first:\n\n%s", title, written, since, commits), nil
}

// section is what stands under the heading of a version.
func section(guide, version string) (text string, found bool) {
	var kept []string
	for line := range strings.SplitSeq(guide, "\n") {
		if strings.HasPrefix(line, "#") {
			if found {
				break
			}
			name, _ := strings.CutPrefix(line, "### ")
			name, _, _ = strings.Cut(name, ",")
			found = name == version
			continue
		}
		if found {
			kept = append(kept, line)
		}
	}
	text = strings.TrimSpace(strings.Join(kept, "\n"))
	return text, text != ""
}

// checkKey says what is wrong with the key before anything is built.
func (j job) checkKey() error {
	if j.key == "" {
		return nil
	}
	if _, err := exec.LookPath("ssh-keygen"); err != nil {
		return fmt.Errorf("signing needs ssh-keygen: on Debian, sudo apt install openssh-client: %w", err)
	}
	if _, err := os.Stat(j.key); err != nil {
		return fmt.Errorf("%w: --key: %w", errUsage, err)
	}
	return nil
}

// signatureSpace says what a signature of ours is for, so that it is good for nothing else (ssh-keygen(1), -Y sign).
const signatureSpace = "stillwater-release"

// finish adds the list of changes, the checksums of all files, and their signature.
func (j job) finish(ctx context.Context, paths []string, changes string) ([]string, error) {
	list := filepath.Join(j.out, fmt.Sprintf("stillwater_%s_changes.txt", j.version))
	if err := os.WriteFile(list, []byte(changes), 0o644); err != nil {
		return nil, fmt.Errorf("the list of changes: %w", err)
	}
	paths = append(paths, list)
	var sums strings.Builder
	for _, path := range paths {
		sum, err := checksum(path)
		if err != nil {
			return nil, fmt.Errorf("the checksums: %w", err)
		}
		fmt.Fprintf(&sums, "%s  %s\n", sum, filepath.Base(path))
	}
	path := filepath.Join(j.out, fmt.Sprintf("stillwater_%s_SHA256SUMS", j.version))
	if err := os.WriteFile(path, []byte(sums.String()), 0o644); err != nil {
		return nil, fmt.Errorf("the checksums: %w", err)
	}
	paths = append(paths, path)
	if j.key == "" {
		return paths, nil
	}
	if err := os.Remove(path + ".sig"); err != nil && !errors.Is(err, os.ErrNotExist) { // or it asks
		return nil, fmt.Errorf("the signature: %w", err)
	}
	sign := []string{"-q", "-Y", "sign", "-f", j.key, "-n", signatureSpace, path}
	if _, err := command(ctx, "", nil, "ssh-keygen", sign...); err != nil {
		return nil, fmt.Errorf("the signature: %w", err)
	}
	return append(paths, path+".sig"), nil
}

// checksum is a file's SHA-256.
func checksum(path string) (string, error) {
	in, err := os.Open(path)
	if err != nil {
		return "", err
	}
	defer in.Close()
	h := sha256.New()
	if _, err := io.Copy(h, in); err != nil {
		return "", err
	}
	return fmt.Sprintf("%x", h.Sum(nil)), nil
}
