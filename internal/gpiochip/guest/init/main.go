//go:build linux

// Command init is the first process of the emulated machine: it mounts what the tests need, loads the kernel's modules,
// runs the test binary, says how it ended and powers the machine off.
package main

import (
	"errors"
	"fmt"
	"os"
	"os/exec"
	"strings"

	"golang.org/x/sys/unix"
)

// Where the host's test puts things into the machine.
const (
	modules = "/modules"
	tests   = "/t/guest.test"
)

func main() {
	code := 125
	if err := prepare(); err != nil {
		fmt.Println("init:", err)
	} else {
		code = run()
	}
	fmt.Printf("\nGUEST-EXIT %d\n", code)
	unix.Sync()
	if err := unix.Reboot(unix.LINUX_REBOOT_CMD_POWER_OFF); err != nil {
		fmt.Println("init: power off:", err)
	}
	select {}
}

func prepare() error {
	errs := []error{mount("proc", "/proc"), mount("sysfs", "/sys"), mount("devtmpfs", "/dev"), mount("tmpfs", "/tmp")}
	for _, name := range []string{"configfs.ko", "gpio-sim.ko"} {
		errs = append(errs, load(modules+"/"+name))
	}
	errs = append(errs, mount("configfs", "/sys/kernel/config"), mount("tracefs", "/sys/kernel/tracing"),
		mount("debugfs", "/sys/kernel/debug"), loopback())
	return errors.Join(errs...)
}

func mount(kind, dir string) error {
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return err
	}
	if err := unix.Mount(kind, dir, kind, 0, ""); err != nil && !errors.Is(err, unix.EBUSY) {
		return fmt.Errorf("mount %s on %s: %w", kind, dir, err)
	}
	return nil
}

func load(path string) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	defer f.Close()
	if err := unix.FinitModule(int(f.Fd()), "", 0); err != nil && !errors.Is(err, unix.EEXIST) {
		return fmt.Errorf("load %s: %w", path, err)
	}
	return nil
}

// loopback brings the loopback interface up.
func loopback() error {
	s, err := unix.Socket(unix.AF_INET, unix.SOCK_DGRAM|unix.SOCK_CLOEXEC, 0)
	if err != nil {
		return err
	}
	defer unix.Close(s)
	lo, err := unix.NewIfreq("lo")
	if err != nil {
		return err
	}
	lo.SetUint16(unix.IFF_UP | unix.IFF_RUNNING)
	return unix.IoctlIfreq(s, unix.SIOCSIFFLAGS, lo)
}

// run runs the tests; what the kernel's command line had for us is in the environment.
func run() int {
	args := []string{"-test.v", "-test.timeout=0"}
	for name, flag := range map[string]string{"GUEST_RUN": "-test.run=", "GUEST_SKIP": "-test.skip="} {
		if pick := os.Getenv(name); pick != "" {
			args = append(args, flag+pick)
		}
	}
	cmd := exec.Command(tests, args...)
	cmd.Env = append(os.Environ(), "PATH=/t", "HOME=/tmp", "TMPDIR=/tmp")
	cmd.Dir = "/tmp"
	cmd.Stdout, cmd.Stderr = os.Stdout, os.Stderr
	err := cmd.Run()
	if cmd.ProcessState == nil {
		fmt.Println("init:", err)
		return 125
	}
	if code := cmd.ProcessState.ExitCode(); code >= 0 {
		return code
	}
	fmt.Println("init:", strings.TrimSpace(cmd.ProcessState.String()))
	return 126
}
