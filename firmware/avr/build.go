// Package avr is for tests only: it builds the timing board's firmware and runs it on a simulated ATmega328P, in
// lock-step with a test or in real time at a pseudo-terminal.
package avr

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"stillwater/internal/need"
)

// Built is the firmware and the simulator it runs on.
type Built struct {
	ELF, Simulator string // paths
	Hex            string // the image as it is flashed
	Portable       string // the portable part, as a program for this machine
	Dir            string // where they are, with the compiler's reports
}

// builder builds once for all tests of a package.
type builder struct {
	once sync.Once
	Built
	log string
	err error
}

var built builder

// Build builds firmware and simulator, or ends the test when the tools for it are missing.
func Build(t testing.TB) Built {
	t.Helper()
	for _, tool := range []string{"make", "avr-gcc", "avr-objcopy", "cc", "pkg-config"} {
		need.Tool(t, tool)
	}
	if exec.Command("pkg-config", "--exists", "simavr").Run() != nil {
		need.Missing(t, "no libsimavr (Debian: libsimavr-dev)")
	}
	probe := exec.Command("avr-gcc", "-mmcu=atmega328p", "-E", "-")
	probe.Stdin = strings.NewReader("#include <avr/io.h>\n")
	if probe.Run() != nil {
		need.Missing(t, "no avr-libc")
	}
	built.once.Do(built.build)
	if built.err != nil {
		t.Fatalf("firmware: %v\n%s", built.err, built.log)
	}
	return built.Built
}

func (b *builder) build() {
	if b.Dir, b.err = os.MkdirTemp("", "stillwater-avr-"); b.err != nil {
		return
	}
	root, err := Root()
	if err != nil {
		b.err = err
		return
	}
	if b.err = readAll(filepath.Join(root, "firmware")); b.err != nil {
		return
	}
	out, err := exec.Command("make", "--silent", "-C", filepath.Join(root, "firmware"), "OUT="+b.Dir,
		"IMAGE="+filepath.Join(b.Dir, "image.hex"), "all", "simulator", "portable").CombinedOutput()
	b.log, b.err = string(out), err
	b.ELF = filepath.Join(b.Dir, "stillwater.elf")
	b.Simulator = filepath.Join(b.Dir, "simulator")
	b.Hex = filepath.Join(b.Dir, "stillwater.hex")
	b.Portable = filepath.Join(b.Dir, "portable")
}

// Remove removes what was built. A package's TestMain calls it at the end.
func Remove() {
	if built.Dir != "" {
		os.RemoveAll(built.Dir)
	}
}

// Root is the repository's folder: the first above this one with a go.mod.
func Root() (string, error) {
	dir, err := os.Getwd()
	for err == nil {
		if _, err := os.Stat(filepath.Join(dir, "go.mod")); err == nil {
			return dir, nil
		}
		if dir == filepath.Dir(dir) {
			return "", os.ErrNotExist
		}
		dir = filepath.Dir(dir)
	}
	return "", err
}

// readAll opens the sources, so that Go's cache of test results knows that they matter.
func readAll(dir string) error {
	for _, pattern := range []string{"Makefile", "src/*", "test/*"} {
		files, err := filepath.Glob(filepath.Join(dir, pattern))
		if err != nil {
			return err
		}
		for _, f := range files {
			if _, err := os.ReadFile(f); err != nil {
				return err
			}
		}
	}
	return nil
}
