package main

import (
	"archive/tar"
	"bytes"
	"context"
	"embed"
	"errors"
	"fmt"
	"io"
	"maps"
	"os"
	"os/exec"
	"path"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
)

//go:embed card
var cardFiles embed.FS

const (
	// suite is the Debian release on the card.
	suite = "trixie"
	// diskID names the card and, with a number behind it, its partitions. It was drawn once; all cards have the same.
	diskID = 0x5717a7e6
	// stateUUID names the partition for changes, and seeds the hashes of its directories.
	stateUUID  = "b3b8a7a2-7d0c-4c61-9f5e-5717a7e60003"
	fatBytes   = 128 << 20
	stateBytes = 1 << 30
)

// cardPackages are Debian's on the card, beside what every system has. Recommended ones are left out.
var cardPackages = []string{
	"linux-image-arm64", "initramfs-tools", "zstd", "kmod", "systemd", "systemd-sysv", "udev", "dbus", "libpam-systemd",
	"systemd-timesyncd", "e2fsprogs", "dosfstools",
	"network-manager", "wpasupplicant", "dnsmasq-base", "nftables", "iw", "wireless-regdb", "iproute2",
	"raspi-firmware", "firmware-brcm80211", "systemd-boot-efi",
	"adduser", "init-system-helpers", "sudo", "openssh-server", "avrdude", "nano", "less",
	"kbd", "console-data", "mandoc",
}

// cardFile is a file that the card has beside its packages.
type cardFile struct {
	name, destination string
	mode              int64
}

func cardTree() []cardFile {
	list := []cardFile{
		{"card", "usr/lib/stillwater-card/card", 0o755},
		{"overlay", "etc/initramfs-tools/scripts/local-bottom/stillwater", 0o755},
		{"overlay-hook", "etc/initramfs-tools/hooks/stillwater", 0o755},
		{"modules", "usr/share/initramfs-tools/modules.d/stillwater", 0o644},
		{"etc/initramfs.conf", "etc/initramfs-tools/conf.d/stillwater.conf", 0o644},
		{"etc/journald.conf", "etc/systemd/journald.conf.d/stillwater.conf", 0o644},
		{"etc/networkmanager.conf", "etc/NetworkManager/conf.d/stillwater.conf", 0o644},
		{"etc/sshd.conf", "etc/ssh/sshd_config.d/stillwater.conf", 0o644},
		{"etc/sudoers", "etc/sudoers.d/stillwater", 0o440},
		{"etc/motd", "etc/motd", 0o644},
		{"man", "usr/local/bin/man", 0o755},
		{"etc/getty.conf", "etc/systemd/system/getty@.service.d/stillwater.conf", 0o644},
		{"etc/service.conf", "etc/systemd/system/stillwater.service.d/card.conf", 0o644},
	}
	for _, unit := range cardUnits() {
		list = append(list, cardFile{"units/" + unit, "etc/systemd/system/" + unit, 0o644})
	}
	return list
}

func cardUnits() []string {
	return []string{"stillwater-card.service", "stillwater-card-note.path", "stillwater-card-note.service",
		"stillwater-card-country.path", "stillwater-card-country.service", "stillwater-card-screen.service"}
}

// image makes the card's image and the list of Debian's packages in it.
func (j job) image(ctx context.Context, deb, work string) (paths []string, err error) {
	if err := checkTools(ctx); err != nil {
		return nil, err
	}
	c := card{j, work}
	j.progress("image: installing Debian %s for arm64", suite)
	if err := c.install(ctx, deb); err != nil {
		return nil, err
	}
	j.progress("image: making its file systems")
	packages, err := c.fat(ctx)
	if err != nil {
		return nil, err
	}
	if err := c.squash(ctx); err != nil {
		return nil, err
	}
	if err := c.state(ctx); err != nil {
		return nil, err
	}
	name := filepath.Join(j.out, fmt.Sprintf("stillwater_%s_card", j.version))
	if err := os.WriteFile(name+".packages", packages, 0o644); err != nil {
		return nil, fmt.Errorf("the list of packages: %w", err)
	}
	j.progress("image: packing")
	err = assemble(c.in("card.img"), diskID, []partition{{partitionFAT, c.in("fat.img")},
		{partitionLinux, c.in("system.img")}, {partitionLinux, c.in("state.img")}})
	if err != nil {
		return nil, err
	}
	if _, err := command(ctx, "", nil, "xz", "--threads=2", "-3", "--force", c.in("card.img")); err != nil {
		return nil, err
	}
	return []string{name + ".img.xz", name + ".packages"}, move(c.in("card.img.xz"), name+".img.xz")
}

// move renames a file, also to another disk.
func move(from, to string) error {
	if os.Rename(from, to) == nil {
		return nil
	}
	in, err := os.Open(from)
	if err != nil {
		return err
	}
	defer in.Close()
	out, err := os.Create(to)
	if err != nil {
		return err
	}
	_, err = io.Copy(out, in)
	return errors.Join(err, out.Close())
}

// checkTools says what is missing before minutes are spent.
func checkTools(ctx context.Context) error {
	for tool, pkg := range map[string]string{"mmdebstrap": "mmdebstrap", "sqfstar": "squashfs-tools", "xz": "xz-utils",
		"mkfs.vfat": "dosfstools", "mcopy": "mtools", "mke2fs": "e2fsprogs", "apt-get": "apt", "arch-test": "arch-test"} {
		if _, err := exec.LookPath(tool); err != nil {
			return fmt.Errorf("the image needs %s: on Debian, sudo apt install %s: %w", tool, pkg, err)
		}
	}
	if _, err := command(ctx, "", nil, "arch-test", "arm64"); err != nil {
		return fmt.Errorf("this machine does not run programs for arm64, which installing packages needs: on Debian, "+
			"sudo apt install qemu-user-static binfmt-support: %w", err)
	}
	if text, err := os.ReadFile(arm64Emulator); err == nil { // there is none on a machine that is arm64 itself
		return checkEmulator(string(text))
	}
	return nil
}

const arm64Emulator = "/proc/sys/fs/binfmt_misc/qemu-aarch64"

// checkEmulator looks whether the kernel keeps the emulator open (the flag F of binfmt_misc). Otherwise it would look
// for it inside the new system, where it is not.
func checkEmulator(registered string) error {
	if regexp.MustCompile(`(?m)^flags: .*F`).MatchString(registered) {
		return nil
	}
	return fmt.Errorf("this machine's emulator for arm64 cannot be used inside the new system, as %s has not the flag F: "+
		"on Debian, sudo update-binfmts --package qemu-user-binfmt --remove qemu-aarch64 "+
		"/usr/libexec/qemu-binfmt/aarch64-binfmt-P, then sudo apt install qemu-user-static and "+
		"sudo update-binfmts --import qemu-aarch64", arm64Emulator)
}

// card is an image that is being made in the folder work.
type card struct {
	job
	work string
}

func (c card) in(name string) string { return filepath.Join(c.work, name) }

// install makes root.tar, the system, and boot.tar, what becomes the FAT partition.
func (c card) install(ctx context.Context, deb string) error {
	sources, err := debianSources(ctx)
	if err != nil {
		return err
	}
	if err := c.writeTree(c.in("tree.tar")); err != nil {
		return err
	}
	customize, err := cardFiles.ReadFile("card/customize")
	if err != nil {
		return err
	}
	if err := os.WriteFile(c.in("customize"), customize, 0o755); err != nil {
		return err
	}
	args := []string{"--quiet", "--variant=minbase", "--architectures=arm64", "--format=tar",
		"--include=" + strings.Join(cardPackages, ","), `--aptopt=Apt::Install-Recommends "false"`,
		`--aptopt=Acquire::Languages "none"`}
	// The card's files come before the packages, so that the initial RAM disk is made as it shall be from the first time
	// on: emulated, the usual one takes minutes.
	args = append(args, "--essential-hook=tar-in "+c.in("tree.tar")+" /",
		"--customize-hook=upload "+deb+" /var/cache/apt/archives/stillwater.deb",
		"--customize-hook=chroot \"$1\" dpkg --install /var/cache/apt/archives/stillwater.deb",
		"--customize-hook="+c.in("customize"),
		"--customize-hook=tar-out /boot/card "+c.in("boot.tar"),
		"--customize-hook=rm -r \"$1/boot/card\"",
		suite, c.in("root.tar"))
	_, err = command(ctx, c.work, c.environment(), "mmdebstrap", append(args, sources...)...)
	return err
}

// environment makes what the tools write the same at any time and place.
func (c card) environment() []string {
	stamp := fmt.Sprint(c.when.Unix())
	return []string{"SOURCE_DATE_EPOCH=" + stamp, "E2FSPROGS_FAKE_TIME=" + stamp, "TZ=UTC", "LC_ALL=C.UTF-8"}
}

// debianSources are the lines of apt for the release, at the mirrors that this machine uses.
func debianSources(ctx context.Context) ([]string, error) {
	site := func(label string) (string, error) {
		out, err := command(ctx, "", nil, "apt-get", "indextargets", "--format", "$(SITE)", "Created-By: Packages",
			"Component: main", "Origin: Debian", "Label: "+label)
		if first, _, _ := strings.Cut(out, "\n"); err == nil && first != "" {
			return first, nil
		}
		return "", fmt.Errorf("apt knows no mirror of %s: is this Debian, and was apt-get update run? %w", label, err)
	}
	main, err := site("Debian")
	if err != nil {
		return nil, err
	}
	security, err := site("Debian-Security")
	if err != nil {
		return nil, err
	}
	return []string{
		fmt.Sprintf("deb %s %s main non-free-firmware", main, suite),
		fmt.Sprintf("deb %s %s-updates main non-free-firmware", main, suite),
		fmt.Sprintf("deb %s %s-security main non-free-firmware", security, suite),
	}, nil
}

// writeTree writes the card's own files as an archive.
func (c card) writeTree(path string) error {
	var b bytes.Buffer
	w := tar.NewWriter(&b)
	seen := map[string]bool{}
	for _, f := range cardTree() {
		for _, dir := range parents(f.destination) {
			if !seen[dir] {
				seen[dir] = true
				if err := w.WriteHeader(&tar.Header{Typeflag: tar.TypeDir, Name: dir + "/", Mode: 0o755,
					ModTime: c.when}); err != nil {
					return err
				}
			}
		}
		text, err := cardFiles.ReadFile("card/" + f.name)
		if err != nil {
			return err
		}
		if err := w.WriteHeader(&tar.Header{Name: f.destination, Mode: f.mode, Size: int64(len(text)),
			ModTime: c.when}); err != nil {
			return err
		}
		if _, err := w.Write(text); err != nil {
			return err
		}
	}
	if err := w.Close(); err != nil {
		return err
	}
	return os.WriteFile(path, b.Bytes(), 0o644)
}

// parents lists the folders that a file is in, the outermost first.
func parents(name string) (list []string) {
	for dir := path.Dir(name); dir != "."; dir = path.Dir(dir) {
		list = append(list, dir)
	}
	slices.Reverse(list)
	return list
}

// squash makes the system read-only and small.
func (c card) squash(ctx context.Context) error {
	in, err := os.Open(c.in("root.tar"))
	if err != nil {
		return err
	}
	defer in.Close()
	// Level 15 is the default; sqfstar 4.5.1 does not take a level that is given. It leaves out what the archive says of
	// the root folder, and takes the clock's time, no later than SOURCE_DATE_EPOCH, and mode 777.
	run := exec.CommandContext(ctx, "sqfstar", "-quiet", "-no-progress", "-comp", "zstd", "-root-mode", "755",
		c.in("system.img"))
	run.Stdin, run.Env = in, append(os.Environ(), c.environment()...)
	if out, err := run.CombinedOutput(); err != nil {
		return fmt.Errorf("sqfstar: %w: %s", err, bytes.TrimSpace(out))
	}
	return nil
}

// state makes the partition for what is changed. It is empty.
func (c card) state(ctx context.Context) error {
	_, err := command(ctx, c.work, c.environment(), "mke2fs", "-q", "-t", "ext4", "-L", "stillwater", "-U", stateUUID,
		"-E", "root_owner=0:0,hash_seed="+stateUUID, "-m", "1", c.in("state.img"), fmt.Sprintf("%dk", stateBytes>>10))
	return err
}

// fat makes the partition that board and computer read, and returns the list of packages that is not for it.
func (c card) fat(ctx context.Context) (packages []byte, err error) {
	content, err := readBoot(c.in("boot.tar"))
	if err != nil {
		return nil, err
	}
	packages = content["packages"]
	delete(content, "packages")
	content["EFI/BOOT/BOOTAA64.EFI"] = content["systemd-bootaa64.efi"]
	delete(content, "systemd-bootaa64.efi")
	line := commandLine()
	content["cmdline.txt"] = []byte(line + "\n")
	content["loader/entries/stillwater.conf"] = fmt.Appendf(nil,
		"title Stillwater\nlinux /vmlinuz\ninitrd /initrd.img\noptions %s\n", line)
	for name, destination := range map[string]string{"config.txt": "config.txt", "loader.conf": "loader/loader.conf",
		"settings.txt": "settings.txt"} {
		text, err := cardFiles.ReadFile("card/fat/" + name)
		if err != nil {
			return nil, err
		}
		content[destination] = bytes.ReplaceAll(text, []byte("\n"), []byte("\r\n")) // for whatever opens it
	}
	return packages, c.writeFAT(ctx, content)
}

// commandLine is the kernel's, for the board's own boot program and for UEFI alike.
func commandLine() string {
	return fmt.Sprintf("root=PARTUUID=%08x-02 rootfstype=squashfs ro rootwait stillwater.state=PARTUUID=%08[1]x-03 "+
		"console=tty1 consoleblank=0 quiet loglevel=3 systemd.show_status=auto net.ifnames=0", diskID)
}

// readBoot reads the files in an archive of one folder.
func readBoot(path string) (map[string][]byte, error) {
	in, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer in.Close()
	content := map[string][]byte{}
	for r := tar.NewReader(in); ; {
		h, err := r.Next()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, fmt.Errorf("what the card boots from: %w", err)
		}
		if h.Typeflag == tar.TypeReg {
			if content[filepath.Base(h.Name)], err = io.ReadAll(r); err != nil {
				return nil, fmt.Errorf("what the card boots from: %w", err)
			}
		}
	}
	for _, name := range []string{"vmlinuz", "initrd.img", "start4.elf", "systemd-bootaa64.efi", "packages"} {
		if len(content[name]) == 0 {
			return nil, fmt.Errorf("what the card boots from: there is no %s among Debian's packages", name)
		}
	}
	return content, nil
}

// writeFAT makes a FAT file system with these files, each of the release's date.
func (c card) writeFAT(ctx context.Context, content map[string][]byte) error {
	image := c.in("fat.img")
	env := append(c.environment(), "MTOOLS_SKIP_CHECK=1")
	if err := os.RemoveAll(image); err != nil {
		return err
	}
	if _, err := command(ctx, c.work, env, "mkfs.vfat", "--invariant", "-F", "32", "-s", "2", "-n", "STILLWATER", "-i",
		fmt.Sprintf("%08x", diskID), "-C", image, fmt.Sprint(fatBytes>>10)); err != nil {
		return err
	}
	made := map[string]bool{}
	for _, name := range slices.Sorted(maps.Keys(content)) {
		for _, dir := range parents(name) {
			if !made[dir] {
				made[dir] = true
				if _, err := command(ctx, c.work, env, "mmd", "-i", image, "::/"+dir); err != nil {
					return err
				}
			}
		}
		file := c.in("file")
		if err := os.WriteFile(file, content[name], 0o644); err != nil {
			return err
		}
		if err := os.Chtimes(file, c.when, c.when); err != nil {
			return err
		}
		if _, err := command(ctx, c.work, env, "mcopy", "-i", image, "-m", file, "::/"+name); err != nil {
			return fmt.Errorf("%s: %w", name, err)
		}
	}
	return nil
}
