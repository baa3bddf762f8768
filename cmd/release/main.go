// Command release makes all that is released of Stillwater, in dist/: the Debian packages, one for each kind of
// processor; the image of a memory card with a whole system; the firmware; the list of changes; checksums, and their
// signature. It is one command, because all of these have one version and one date, and the package is what the card
// has installed. Two runs on the same commit give the same bytes; the image, if Debian's packages are the same too.
//
//	go run ./cmd/release --key KEY           # everything; KEY is a private SSH key
//	go run ./cmd/release --only packages     # what Go alone can make
package main

import (
	"cmp"
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/signal"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"stillwater/internal/render"
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	defer stop()
	err := run(ctx, os.Args[1:], os.Stdout, os.Stderr)
	switch {
	case errors.Is(err, flag.ErrHelp):
	case errors.Is(err, errUsage):
		fmt.Fprintln(os.Stderr, "release:", err)
		os.Exit(2)
	case err != nil:
		fmt.Fprintln(os.Stderr, "release:", err)
		os.Exit(1)
	}
}

// errUsage marks errors of usage.
var errUsage = errors.New("usage")

// target is one architecture: Debian's name for it and Go's environment.
type target struct {
	debian string
	env    []string
}

// targets lists what is built. armhf is built for ARMv6 with hardware floating point, for all boards since the oldest.
func targets() []target {
	return []target{
		{"arm64", []string{"GOOS=linux", "GOARCH=arm64", "GOARM64=v8.0"}},
		{"armhf", []string{"GOOS=linux", "GOARCH=arm", "GOARM=6"}},
		{"amd64", []string{"GOOS=linux", "GOARCH=amd64", "GOAMD64=v1"}},
	}
}

// job is one run of the command.
type job struct {
	version  string
	when     time.Time // modification time of every file in the packages
	out      string
	parts    map[string]bool
	key      string // "": nothing is signed
	targets  []target
	source   source
	progress func(format string, args ...any)
}

// parts are what can be made by itself.
func parts() []string { return []string{"packages", "image", "firmware"} }

// run makes the release and prints the paths of its files, one a line.
func run(ctx context.Context, args []string, stdout, stderr io.Writer) error {
	flags := flag.NewFlagSet("release", flag.ContinueOnError)
	flags.SetOutput(stderr)
	version := flags.String("version", "", "`VERSION` of the release (default: from git: the tag, or the commit's date)")
	out := flags.String("out", "", "`FOLDER` for its files (default: dist in the project's folder)")
	arch := flags.String("arch", "", "`NAMES` of Debian's architectures, with commas (default: arm64,armhf,amd64)")
	only := flags.String("only", "", "`PARTS` to make, with commas, without changes and checksums: "+
		strings.Join(parts(), ", ")+" (default: everything)")
	key := flags.String("key", "", "private SSH key `FILE` that signs the checksums (default: they are not signed)")
	if err := flags.Parse(args); err != nil {
		return fmt.Errorf("%w: %w", errUsage, err)
	}
	if flags.NArg() > 0 {
		return fmt.Errorf("%w: unexpected argument %q; see go run ./cmd/release -h", errUsage, flags.Arg(0))
	}
	j := job{out: *out, key: *key, progress: func(string, ...any) {}}
	if render.IsTerminal(stderr) {
		j.progress = func(format string, args ...any) { fmt.Fprintf(stderr, format+"\n", args...) }
	}
	var err error
	if j.targets, err = chosen(*arch); err != nil {
		return err
	}
	if j.parts, err = chosenParts(*only); err != nil {
		return err
	}
	if *only == "" && *arch != "" {
		return fmt.Errorf("%w: a release has the packages for all processors: leave out --arch, or name the parts by --only",
			errUsage)
	}
	if j.source, err = findSource(ctx); err != nil {
		return err
	}
	if j.version, j.when, err = j.source.stamp(ctx, *version, os.Getenv("SOURCE_DATE_EPOCH")); err != nil {
		return err
	}
	// Absolute, since the tools that write there do not run in this folder.
	if j.out, err = filepath.Abs(cmp.Or(j.out, filepath.Join(j.source.root, "dist"))); err != nil {
		return fmt.Errorf("the folder for the release: %w", err)
	}
	paths, err := j.make(ctx, *only == "", stderr)
	if err != nil {
		return err
	}
	for _, path := range paths {
		fmt.Fprintln(stdout, path)
	}
	return nil
}

// chosenParts reads a list of parts; an empty list means all.
func chosenParts(list string) (map[string]bool, error) {
	chosen := map[string]bool{}
	for name := range strings.SplitSeq(cmp.Or(list, strings.Join(parts(), ",")), ",") {
		if !slices.Contains(parts(), name) {
			return nil, fmt.Errorf("%w: --only: there is no part %q; choose from %s", errUsage, name,
				strings.Join(parts(), ", "))
		}
		chosen[name] = true
	}
	return chosen, nil
}

// chosen finds the targets of a list of names; an empty list means all.
func chosen(list string) ([]target, error) {
	if list == "" {
		return targets(), nil
	}
	var found []target
	for name := range strings.SplitSeq(list, ",") {
		before := len(found)
		for _, t := range targets() {
			if t.debian == name {
				found = append(found, t)
			}
		}
		if len(found) == before {
			return nil, fmt.Errorf("%w: --arch: there is no package for %q; choose from arm64, armhf, amd64", errUsage, name)
		}
	}
	return found, nil
}

// make makes the parts that were asked for, and of a whole release what speaks of all of them.
func (j job) make(ctx context.Context, whole bool, warnings io.Writer) (paths []string, err error) {
	work, err := os.MkdirTemp("", "release-")
	if err != nil {
		return nil, fmt.Errorf("a folder to build in: %w", err)
	}
	defer os.RemoveAll(work)
	if err := os.MkdirAll(j.out, 0o755); err != nil {
		return nil, fmt.Errorf("the folder for the release: %w", err)
	}
	var changes string
	if whole { // what is wrong with these is known at once
		if changes, err = j.source.changes(ctx, j.version); err != nil {
			return nil, err
		}
		if err := j.checkKey(); err != nil {
			return nil, err
		}
	}
	j.progress("building the firmware")
	switch err := j.source.addFirmware(ctx, work); {
	case errors.Is(err, errNoCompiler) && !whole && !j.parts["firmware"]:
		fmt.Fprintf(warnings, "release: %v; \"stillwater flash\" of these packages will say so\n", err)
	case err != nil:
		return nil, err
	}
	if paths, err = j.makeParts(ctx, work); err != nil || !whole {
		return paths, err
	}
	return j.finish(ctx, paths, changes)
}

// makeParts makes firmware, packages and image.
func (j job) makeParts(ctx context.Context, work string) (paths []string, err error) {
	if j.parts["firmware"] {
		path := filepath.Join(j.out, fmt.Sprintf("stillwater_%s_firmware.hex", j.version))
		if err := os.WriteFile(path, j.source.firmware, 0o644); err != nil {
			return nil, fmt.Errorf("the firmware: %w", err)
		}
		paths = append(paths, path)
	}
	var packages map[string]string
	if j.parts["packages"] || j.parts["image"] {
		if packages, err = j.packages(ctx, work); err != nil {
			return nil, err
		}
	}
	for _, t := range j.targets {
		if j.parts["packages"] {
			paths = append(paths, packages[t.debian])
		}
	}
	if j.parts["image"] {
		made, err := j.image(ctx, packages["arm64"], work)
		if err != nil {
			return nil, fmt.Errorf("the card's image: %w", err)
		}
		paths = append(paths, made...)
	}
	return paths, nil
}

// packages builds the packages one after the other, and returns their paths by architecture. Without being asked for,
// the one that the image needs is built elsewhere.
func (j job) packages(ctx context.Context, work string) (paths map[string]string, err error) {
	if !j.parts["packages"] {
		j.targets, j.out = targets()[:1], work
	} else if j.parts["image"] && !slices.ContainsFunc(j.targets, func(t target) bool { return t.debian == "arm64" }) {
		return nil, fmt.Errorf("%w: --arch: the image needs the package for arm64", errUsage)
	}
	j.progress("asking the program for its commands, for manual and completion")
	help, err := j.source.words(ctx, work)
	if err != nil {
		return nil, err
	}
	paths = map[string]string{}
	for _, t := range j.targets {
		if paths[t.debian], err = j.buildTarget(ctx, t, help, filepath.Join(work, t.debian)); err != nil {
			return nil, fmt.Errorf("%s: %w", t.debian, err)
		}
	}
	return paths, nil
}

// buildTarget makes the package for one target in a folder of its own.
func (j job) buildTarget(ctx context.Context, t target, help manual, work string) (string, error) {
	if err := os.MkdirAll(work, 0o755); err != nil {
		return "", fmt.Errorf("a folder to build in: %w", err)
	}
	j.progress("%s: building %s", t.debian, j.version)
	program := filepath.Join(work, "stillwater")
	if err := j.source.compile(ctx, t.env, j.version, program); err != nil {
		return "", err
	}
	if err := j.source.checkFirmware(program); err != nil {
		return "", err
	}
	notices, err := j.source.notices(ctx, t.env)
	if err != nil {
		return "", err
	}
	list, err := j.contents(help, notices, program, work)
	if err != nil {
		return "", err
	}
	j.progress("%s: packing", t.debian)
	path := filepath.Join(j.out, fmt.Sprintf("stillwater_%s_%s.deb", j.version, t.debian))
	return path, j.pack(ctx, t, list, work, path)
}

// epoch parses SOURCE_DATE_EPOCH: whole seconds since 1970, as reproducible-builds.org specifies it.
func epoch(text string) (time.Time, error) {
	seconds, err := strconv.ParseInt(text, 10, 64)
	if err != nil || seconds < 0 {
		return time.Time{}, fmt.Errorf("SOURCE_DATE_EPOCH=%q: write seconds since 1970, or unset it", text)
	}
	return time.Unix(seconds, 0).UTC(), nil
}
