// Command debs builds Stillwater's Debian packages: one for each kind of processor, in dist/. Two runs on the same
// commit give the same bytes.
//
//	go run ./cmd/debs
package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/signal"
	"path/filepath"
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
		fmt.Fprintln(os.Stderr, "debs:", err)
		os.Exit(2)
	case err != nil:
		fmt.Fprintln(os.Stderr, "debs:", err)
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
	targets  []target
	source   source
	progress func(format string, args ...any)
}

// run builds the packages and prints their paths, one a line.
func run(ctx context.Context, args []string, stdout, stderr io.Writer) error {
	flags := flag.NewFlagSet("debs", flag.ContinueOnError)
	flags.SetOutput(stderr)
	version := flags.String("version", "", "`VERSION` of the packages (default: from git: the tag, or the commit's date)")
	out := flags.String("out", "", "`FOLDER` for the packages (default: dist in the project's folder)")
	only := flags.String("arch", "", "`NAMES` of Debian's architectures, with commas (default: arm64,armhf,amd64)")
	if err := flags.Parse(args); err != nil {
		return fmt.Errorf("%w: %w", errUsage, err)
	}
	if flags.NArg() > 0 {
		return fmt.Errorf("%w: unexpected argument %q; see go run ./cmd/debs -h", errUsage, flags.Arg(0))
	}
	j := job{out: *out, progress: func(string, ...any) {}}
	if render.IsTerminal(stderr) {
		j.progress = func(format string, args ...any) { fmt.Fprintf(stderr, format+"\n", args...) }
	}
	var err error
	if j.targets, err = chosen(*only); err != nil {
		return err
	}
	if j.source, err = findSource(ctx); err != nil {
		return err
	}
	if j.version, j.when, err = j.source.stamp(ctx, *version, os.Getenv("SOURCE_DATE_EPOCH")); err != nil {
		return err
	}
	if j.out == "" {
		j.out = filepath.Join(j.source.root, "dist")
	}
	paths, err := j.build(ctx)
	if err != nil {
		return err
	}
	for _, path := range paths {
		fmt.Fprintln(stdout, path)
	}
	return nil
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

// build builds the packages one after the other.
func (j job) build(ctx context.Context) ([]string, error) {
	work, err := os.MkdirTemp("", "debs-")
	if err != nil {
		return nil, fmt.Errorf("a folder to build in: %w", err)
	}
	defer os.RemoveAll(work)
	if err := os.MkdirAll(j.out, 0o755); err != nil {
		return nil, fmt.Errorf("the folder for the packages: %w", err)
	}
	j.progress("asking the program for its commands, for manual and completion")
	help, err := j.source.words(ctx, work)
	if err != nil {
		return nil, err
	}
	var paths []string
	for _, t := range j.targets {
		path, err := j.buildTarget(ctx, t, help, filepath.Join(work, t.debian))
		if err != nil {
			return nil, fmt.Errorf("%s: %w", t.debian, err)
		}
		paths = append(paths, path)
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
