//go:build !guest

package guest

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stillwater/internal/need"
)

// longest is when the machine is given up: far beyond the minute that it takes.
const longest = 30 * time.Minute

// machine is an emulated computer: what QEMU calls it, what else it is given, and the command line of its kernel.
type machine struct {
	qemu   []string
	kernel string // added to the kernel's command line
	run    string // the tests for it, if not those that GUEST_RUN in the environment picks
	skip   string // and those that are for others
}

// simulated has chips of the kernel's gpio-sim.
func simulated() machine {
	return machine{
		qemu: []string{"-M", "virt", "-cpu", "cortex-a53", "-smp", "1", "-m", "512"},
		run:  os.Getenv("GUEST_RUN"), skip: "^TestHeader",
	}
}

// withHeader is a small board with the 40-pin header, its processor's own GPIO, and Debian's device tree of it. Its
// kernel has no device for the GPIO registers alone, and has to be asked to let root have them.
func withHeader(kernel string) machine {
	return machine{
		qemu:   []string{"-M", "raspi3b", "-dtb", filepath.Join(kernel, "header.dtb")},
		kernel: "iomem=relaxed maxcpus=1", run: "^TestHeader",
	}
}

// TestOnARealKernel runs the guest's tests; each is a subtest here. GUEST_RUN in the environment picks some of them.
func TestOnARealKernel(t *testing.T) {
	qemu := need.Tool(t, "qemu-system-aarch64")
	kernel := kernelDir(t)
	readSources(t)
	dir := t.TempDir()
	build(t, dir, "init", "build", "./init")
	build(t, dir, "guest.test", "test", "-c", "-tags", "guest", ".")
	build(t, dir, "stillwater", "build", "stillwater/cmd/stillwater")

	initrd := filepath.Join(dir, "initrd")
	writeInitrd(t, initrd, map[string]string{
		"init":                filepath.Join(dir, "init"),
		"t/guest.test":        filepath.Join(dir, "guest.test"),
		"t/stillwater":        filepath.Join(dir, "stillwater"),
		"modules/configfs.ko": filepath.Join(kernel, "configfs.ko"),
		"modules/gpio-sim.ko": filepath.Join(kernel, "gpio-sim.ko"),
	})
	for _, m := range []machine{withHeader(kernel), simulated()} {
		report(t, boot(t, qemu, m, filepath.Join(kernel, "vmlinuz"), initrd))
	}
}

// kernelDir is where .ci/fetch-kernel put the kernel.
func kernelDir(t *testing.T) string {
	dir := os.Getenv("STILLWATER_KERNEL")
	if dir == "" {
		cache, err := os.UserCacheDir()
		if err != nil {
			need.Missing(t, "no user cache folder: "+err.Error())
		}
		dir = filepath.Join(cache, "stillwater", "kernel")
	}
	for _, name := range []string{"vmlinuz", "configfs.ko", "gpio-sim.ko", "header.dtb"} {
		if _, err := os.Stat(filepath.Join(dir, name)); err != nil {
			need.Missing(t, fmt.Sprintf("no test kernel in %s: run .ci/fetch-kernel %s, or set STILLWATER_KERNEL", dir, dir))
		}
	}
	return dir
}

// readSources lists the folders of all that goes into the machine: a test result is kept only while what the test
// itself has looked at is unchanged, and what the builds below read does not count.
func readSources(t *testing.T) {
	for _, top := range []string{"cmd", "internal", "web"} {
		require.NoError(t, filepath.WalkDir(filepath.Join("..", "..", "..", top),
			func(_ string, _ fs.DirEntry, err error) error { return err }))
	}
}

// build makes a static arm64 Linux binary.
func build(t *testing.T, dir, name string, args ...string) {
	t.Helper()
	last := args[len(args)-1]
	args = append(args[:len(args)-1:len(args)-1], "-ldflags=-s -w", "-o", filepath.Join(dir, name), last)
	cmd := exec.CommandContext(t.Context(), "go", args...)
	cmd.Env = append(os.Environ(), "CGO_ENABLED=0", "GOOS=linux", "GOARCH=arm64")
	out, err := cmd.CombinedOutput()
	require.NoErrorf(t, err, "go %s:\n%s", strings.Join(args, " "), out)
}

// boot runs the machine until its tests have ended and returns what its console said. Not every machine can switch
// itself off.
func boot(t *testing.T, qemu string, m machine, kernel, initrd string) []byte {
	ctx, cancel := context.WithTimeout(t.Context(), longest)
	defer cancel()
	kernelLine := "console=ttyAMA0 quiet panic=-1 nokaslr mitigations=off cryptomgr.notests " + m.kernel
	for name, value := range map[string]string{"GUEST_RUN": m.run, "GUEST_SKIP": m.skip} {
		if value != "" {
			kernelLine += " " + name + "=" + value
		}
	}
	cmd := exec.CommandContext(ctx, qemu, append(m.qemu,
		"-accel", "tcg", "-icount", "shift=2,sleep=off", "-nodefaults", "-no-reboot", "-display", "none", "-serial", "stdio",
		"-kernel", kernel, "-initrd", initrd, "-append", kernelLine)...)
	console := &console{ended: cancel}
	cmd.Stdout = console
	if testing.Verbose() {
		cmd.Stdout = io.MultiWriter(console, os.Stderr)
	}
	cmd.Stderr = cmd.Stdout
	start := time.Now()
	err := cmd.Run()
	t.Logf("the machine ran for %v", time.Since(start).Round(time.Second))
	if !exitLine.Match(console.said()) {
		require.NoErrorf(t, err, "the machine said:\n%s", console.said())
	}
	return console.said()
}

// console keeps what a machine says, and ends it once it has said how its tests ended.
type console struct {
	text  bytes.Buffer
	ended func()
}

func (c *console) Write(b []byte) (int, error) {
	c.text.Write(b)
	if at := exitLine.FindIndex(c.said()); at != nil && at[1] < len(c.said()) {
		c.ended() // the line is whole
	}
	return len(b), nil
}

func (c *console) said() []byte { return bytes.ReplaceAll(c.text.Bytes(), []byte("\r"), nil) }

var (
	exitLine   = regexp.MustCompile(`(?m)^GUEST-EXIT (\d+)$`)
	resultLine = regexp.MustCompile(`(?m)^ *--- (PASS|FAIL|SKIP): (\S+) `)
)

// report makes each test of the guest a subtest.
func report(t *testing.T, output []byte) {
	results := resultLine.FindAllSubmatch(output, -1)
	for _, r := range results {
		t.Run(string(r[2]), func(t *testing.T) {
			if string(r[1]) != "PASS" {
				t.Errorf("%s in the guest", r[1])
			}
		})
	}
	exit := exitLine.FindSubmatch(output)
	if exit == nil || string(exit[1]) != "0" || len(results) == 0 {
		t.Errorf("%d tests ended in the guest, %q; it said:\n%s", len(results), exit, output)
		return
	}
	for line := range strings.Lines(string(output)) {
		if _, figure, ok := strings.Cut(line, "FIGURE "); ok {
			t.Log(strings.TrimSpace(figure))
		}
	}
}

// writeInitrd writes files into an archive of the kind the kernel unpacks at boot: cpio, "newc".
func writeInitrd(t *testing.T, path string, files map[string]string) {
	var archive bytes.Buffer
	number := 0
	entry := func(name string, mode uint32, data []byte) {
		number++
		fmt.Fprintf(&archive, "070701%08X%08X%08X%08X%08X%08X%08X%08X%08X%08X%08X%08X%08X%s\x00",
			number, mode, 0, 0, 1, 0, len(data), 0, 0, 0, 0, len(name)+1, 0, name)
		pad(&archive)
		archive.Write(data)
		pad(&archive)
	}
	for _, dir := range []string{"dev", "proc", "sys", "tmp", "t", "modules"} {
		entry(dir, 0o040755, nil)
	}
	for name, source := range files {
		data, err := os.ReadFile(source)
		require.NoError(t, err)
		entry(name, 0o100755, data)
	}
	entry("TRAILER!!!", 0, nil)
	require.NoError(t, os.WriteFile(path, archive.Bytes(), 0o644))
}

func pad(b *bytes.Buffer) {
	for b.Len()%4 != 0 {
		b.WriteByte(0)
	}
}
