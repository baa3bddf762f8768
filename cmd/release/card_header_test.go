//go:build card

package main

import (
	"encoding/base64"
	"fmt"
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

// headerUnit is t.service of the emulated board with the 40-pin header. Nothing but the kernel's command line, of at
// most 2047 letters, can hand it over; its script is on the FAT partition.
const headerUnit = `[Unit]
After=multi-user.target stillwater.service
[Service]
Type=oneshot
ExecStart=/bin/bash /boot/firmware/trial.sh
StandardOutput=file:/dev/ttyS1
StandardError=inherit
`

// The very image on an emulated board with the 40-pin header. Its boot program is not emulated: QEMU loads what the
// FAT partition has for it. testdata/header.sh has the findings inside; QEMU's radio, screen and network adapter of
// this board do not get as far as to be looked at.
func TestCardOnTheHeader(t *testing.T) {
	dir := t.TempDir()
	card := filepath.Join(dir, "card")
	run := func(name string, args ...string) {
		out, err := exec.CommandContext(t.Context(), need.Tool(t, name), args...).CombinedOutput()
		require.NoError(t, err, "%s", out)
	}
	run("cp", "--sparse=always", cardImage(t), card)
	require.NoError(t, os.Truncate(card, 2<<30)) // the emulated slot takes cards of a power of two
	functions, err := os.ReadFile("testdata/card.sh")
	require.NoError(t, err)
	checks, err := os.ReadFile("testdata/header.sh")
	require.NoError(t, err)
	before, _, found := strings.Cut(string(functions), "\ncheck \"")
	require.True(t, found)
	script := filepath.Join(dir, "trial.sh")
	require.NoError(t, os.WriteFile(script, []byte(before+"\n"+string(checks)), 0o600))
	fat := fmt.Sprintf("%s@@%d", card, alignBytes)
	for _, name := range []string{"vmlinuz", "initrd.img", "bcm2837-rpi-3-b.dtb", "cmdline.txt"} {
		run("mcopy", "-n", "-i", fat, "::/"+name, dir)
	}
	run("mcopy", "-i", fat, script, "::/")
	written, err := os.ReadFile(filepath.Join(dir, "cmdline.txt"))
	require.NoError(t, err)

	m := &emulated{t: t, console: filepath.Join(dir, "console"), ended: make(chan struct{})}
	m.cmd = exec.Command(need.Tool(t, "qemu-system-aarch64"), "-M", "raspi3b", "-m", "1G", "-smp", "4",
		"-kernel", filepath.Join(dir, "vmlinuz"), "-initrd", filepath.Join(dir, "initrd.img"),
		"-dtb", filepath.Join(dir, "bcm2837-rpi-3-b.dtb"), "-append", strings.TrimSpace(string(written))+
			" console=ttyS1,115200 loglevel=4 systemd.show_status=no systemd.mask=serial-getty@ttyS1.service"+
			" systemd.set_credential_binary=systemd.extra-unit.t.service:"+
			base64.StdEncoding.EncodeToString([]byte(headerUnit))+
			" systemd.wants=t.service",
		"-drive", "if=sd,format=raw,file="+card, "-display", "none", "-serial", "null", "-serial", "file:"+m.console)
	began := time.Now()
	m.start()
	m.wait("the end of the trial", func() bool { return strings.Contains(m.said(), "TRIAL done") })
	t.Logf("after %v:\n%s", time.Since(began).Round(time.Second), strings.Join(m.findings(), "\n"))
	assert.Equal(t, strings.Count(string(checks), "\ncheck \""), strings.Count(m.said(), "TRIAL ok "))
}
