package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"time"
)

// nextRelease is the release that packages between releases sort before.
const nextRelease = "0.1.0"

// source is the project's folder, and the firmware that is built into the program.
type source struct {
	root     string
	firmware []byte // in the Intel HEX format; nil: none
	overlay  string // a file that puts it in its place for Go, so that the project's folder is not written to
}

func findSource(ctx context.Context) (source, error) {
	out, err := command(ctx, "", nil, "go", "list", "-m", "-f", "{{.Dir}}")
	if err != nil {
		return source{}, fmt.Errorf("find the project's folder (run this inside it): %w", err)
	}
	return source{root: strings.TrimSpace(out)}, nil
}

// command runs a program and returns what it printed; the error has its last words.
func command(ctx context.Context, dir string, env []string, name string, args ...string) (string, error) {
	c := exec.CommandContext(ctx, name, args...)
	c.Dir, c.Env = dir, append(os.Environ(), env...)
	var stderr strings.Builder
	c.Stderr = &stderr
	out, err := c.Output()
	if err != nil {
		return "", fmt.Errorf("%s %s: %w: %s", name, strings.Join(args, " "), err, strings.TrimSpace(stderr.String()))
	}
	return string(out), nil
}

// debianVersion is what Debian Policy 5.6.12 lets an upstream version be, without epoch and revision.
var debianVersion = regexp.MustCompile(`^[0-9][A-Za-z0-9.+~]*$`)

// stamp gives version and time of the packages. A version of its own wins over git's, SOURCE_DATE_EPOCH over the
// commit's time.
func (s source) stamp(ctx context.Context, version, sourceDate string) (string, time.Time, error) {
	if version != "" { // a wrong one is said with or without git
		if err := checkVersion(version); err != nil {
			return "", time.Time{}, err
		}
	}
	when, gitVersion, gitErr := s.commit(ctx)
	if sourceDate != "" {
		var err error
		if when, err = epoch(sourceDate); err != nil {
			return "", when, err
		}
	}
	switch {
	case gitErr != nil && (version == "" || sourceDate == ""):
		return "", when, fmt.Errorf("version and date come from git, and that failed; give both --version and "+
			"SOURCE_DATE_EPOCH: %w", gitErr)
	case version == "":
		return gitVersion, when, checkVersion(gitVersion)
	}
	return version, when, nil
}

func checkVersion(version string) error {
	if !debianVersion.MatchString(version) {
		return fmt.Errorf("%w: version %q: write a digit, then letters, digits, dots, plus and tilde, such as 1.2.0",
			errUsage, version)
	}
	return nil
}

// commit is the time of the newest commit and the version that follows from it: an annotated tag such as v1.2.0, or a
// version that sorts before nextRelease and grows with time.
func (s source) commit(ctx context.Context) (time.Time, string, error) {
	out, err := command(ctx, s.root, nil, "git", "log", "-1", "--format=%ct %h", "--abbrev=10")
	if err != nil {
		return time.Time{}, "", err
	}
	seconds, hash, _ := strings.Cut(strings.TrimSpace(out), " ")
	when, err := epoch(seconds)
	if err != nil {
		return time.Time{}, "", fmt.Errorf("git's time of the commit: %w", err)
	}
	version := fmt.Sprintf("%s~%s.%s", nextRelease, when.Format("20060102.150405"), hash)
	tag, err := command(ctx, s.root, nil, "git", "describe", "--exact-match", "--match", "v[0-9]*")
	if err == nil {
		version = strings.TrimPrefix(strings.TrimSpace(tag), "v")
	}
	// Of what is not committed only what would be built in counts: dist/ may be anywhere.
	changes, err := command(ctx, s.root, nil, "git", "status", "--porcelain", "--untracked-files=all", "--",
		"cmd", "firmware", "internal", "web", "go.mod", "go.sum")
	if err != nil {
		return time.Time{}, "", err
	}
	if changes != "" {
		version += "+changed"
	}
	return when, version, nil
}

// compile builds the program for a target; env nil is this machine.
func (s source) compile(ctx context.Context, env []string, version, path string) error {
	args := []string{"build", "-trimpath", "-buildvcs=false", "-ldflags", "-s -w -X main.release=" + version, "-o", path}
	if s.overlay != "" {
		args = append(args, "-overlay", s.overlay)
	}
	_, err := command(ctx, s.root, append([]string{"CGO_ENABLED=0"}, env...), "go", append(args, "./cmd/stillwater")...)
	return err
}

// words builds the program for this machine and reads its help.
func (s source) words(ctx context.Context, work string) (manual, error) {
	program := filepath.Join(work, "own")
	if err := s.compile(ctx, nil, "own", program); err != nil {
		return manual{}, err
	}
	return readManual(func(args ...string) (string, error) {
		out, err := exec.CommandContext(ctx, program, args...).CombinedOutput()
		return string(out), err
	})
}

// licenceNotice is the licence of one module that is linked into the program.
type licenceNotice struct{ module, version, text string }

// notices collects the licences of what is linked into a target's program: the modules, and Go's own library.
func (s source) notices(ctx context.Context, env []string) ([]licenceNotice, error) {
	out, err := command(ctx, s.root, append([]string{"CGO_ENABLED=0"}, env...), "go", "list", "-deps",
		"-f", `{{with .Module}}{"Path":"{{.Path}}","Version":"{{.Version}}","Dir":{{printf "%q" .Dir}}}{{end}}`,
		"./cmd/stillwater")
	if err != nil {
		return nil, err
	}
	goroot, err := command(ctx, s.root, nil, "go", "env", "GOROOT", "GOVERSION")
	if err != nil {
		return nil, err
	}
	root, version, _ := strings.Cut(strings.TrimSpace(goroot), "\n")
	text, err := licence(root)
	if err != nil {
		return nil, fmt.Errorf("the licence of Go: %w", err)
	}
	list := []licenceNotice{{"Go's runtime and standard library", version, text}}
	seen := map[string]bool{}
	for d := json.NewDecoder(strings.NewReader(out)); ; {
		var m struct{ Path, Version, Dir string }
		if err := d.Decode(&m); errors.Is(err, io.EOF) {
			break
		} else if err != nil {
			return nil, fmt.Errorf("go list: %w", err)
		}
		if m.Version == "" || seen[m.Path] {
			continue // the project itself
		}
		seen[m.Path] = true
		text, err := licence(m.Dir)
		if err != nil {
			return nil, fmt.Errorf("the licence of %s: %w", m.Path, err)
		}
		list = append(list, licenceNotice{m.Path, m.Version, text})
	}
	slices.SortFunc(list[1:], func(a, b licenceNotice) int { return strings.Compare(a.module, b.module) })
	return list, nil
}

// licence reads the licence file of a folder, whatever it is called. Go's own is one folder up on some systems.
func licence(dir string) (string, error) {
	for _, name := range []string{"LICENSE", "LICENSE.txt", "LICENSE.md", "LICENCE", "COPYING", "../LICENSE"} {
		text, err := os.ReadFile(filepath.Join(dir, name))
		if err == nil {
			return string(text), nil
		}
		if !errors.Is(err, os.ErrNotExist) {
			return "", err
		}
	}
	return "", fmt.Errorf("no LICENSE in %s", dir)
}
