package main

import (
	"bytes"
	"encoding/binary"
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

// The system's own partitioning program reads the table as it was meant.
func TestPartitionTable(t *testing.T) {
	dir := t.TempDir()
	var parts []partition
	for i, size := range []int{5 << 20, 12345, 8 << 20} {
		path := filepath.Join(dir, fmt.Sprint(i))
		require.NoError(t, os.WriteFile(path, bytes.Repeat([]byte{byte('a' + i)}, size), 0o600))
		parts = append(parts, partition{[]byte{partitionFAT, partitionLinux, partitionLinux}[i], path})
	}
	image := filepath.Join(dir, "image")
	require.NoError(t, assemble(image, 0x5717a7e6, parts))
	text, err := os.ReadFile(image)
	require.NoError(t, err)
	require.Len(t, text, 24<<20)
	assert.Equal(t, uint32(0x5717a7e6), binary.LittleEndian.Uint32(text[440:]))
	for at, want := range map[int]byte{4 << 20: 'a', 9<<20 - 1: 'a', 9 << 20: 0, 12 << 20: 'b', 12<<20 + 12344: 'b',
		12<<20 + 12345: 0, 16 << 20: 'c', 24<<20 - 1: 'c'} {
		assert.Equal(t, want, text[at], "at %d", at)
	}
	out := do(t, need.Tool(t, "sfdisk", "/sbin/sfdisk"), "--dump", image)
	for _, want := range []string{"label: dos", "label-id: 0x5717a7e6", "start=        8192, size=       16384, type=c",
		"start=       24576, size=        8192, type=83", "start=       32768, size=       16384, type=83"} {
		assert.Contains(t, out, want)
	}
}

// What board and computer read is a file system that checks out, is the same each time, and has what was put in.
func TestFATPartition(t *testing.T) {
	for _, tool := range []string{"mkfs.vfat", "mcopy", "mtype", "fsck.vfat"} {
		need.Tool(t, tool, "/sbin/"+tool)
	}
	t.Setenv("PATH", os.Getenv("PATH")+":/sbin:/usr/sbin")
	content := map[string][]byte{"EFI/BOOT/BOOTAA64.EFI": []byte("loader"), "settings.txt": []byte("text\r\n"),
		"bcm2711-rpi-4-b.dtb": bytes.Repeat([]byte("x"), 100_000), "loader/entries/stillwater.conf": []byte("title x\n")}
	var made [2][]byte
	for i := range made {
		c := card{job{when: time.Unix(1764028800, 0).UTC()}, t.TempDir()}
		require.NoError(t, c.writeFAT(t.Context(), content))
		do(t, "fsck.vfat", "-n", c.in("fat.img"))
		for name, text := range content {
			out, err := exec.CommandContext(t.Context(), "mtype", "-i", c.in("fat.img"), "::/"+name).Output()
			require.NoError(t, err, name)
			assert.True(t, bytes.Equal(text, out), name)
		}
		var err error
		made[i], err = os.ReadFile(c.in("fat.img"))
		require.NoError(t, err)
	}
	assert.True(t, bytes.Equal(made[0], made[1]), "the file systems of two runs differ")
}

// An emulator that the kernel would look for inside the new system is none.
func TestTheEmulatorIsKeptOpen(t *testing.T) {
	const registered = "enabled\ninterpreter /usr/libexec/qemu-binfmt/aarch64-binfmt-P\nflags: %s\noffset 0\n"
	for _, flags := range []string{"F", "PF", "POCF"} {
		assert.NoError(t, checkEmulator(fmt.Sprintf(registered, flags)), flags)
	}
	for _, flags := range []string{"", "P", "POC"} {
		assert.ErrorContains(t, checkEmulator(fmt.Sprintf(registered, flags)), "qemu-user-static", flags)
	}
}

// Nothing in the system's file system is of the time when it was made, its own root folder included, which nobody but
// root may write to.
func TestSystemPartition(t *testing.T) {
	for _, tool := range []string{"sqfstar", "unsquashfs"} {
		need.Tool(t, tool)
	}
	c := card{job{when: time.Unix(1764028800, 0).UTC()}, t.TempDir()}
	require.NoError(t, c.writeTree(c.in("root.tar")))
	require.NoError(t, c.squash(t.Context()))
	t.Setenv("TZ", "UTC")
	list := do(t, "unsquashfs", "-lln", "-d", "root", c.in("system.img"))
	for line := range strings.Lines(list) {
		assert.Contains(t, line, " 2025-11-25 00:00 ")
	}
	assert.Regexp(t, `(?m)^drwxr-xr-x 0/0 .* root$`, list)
	assert.Contains(t, do(t, "unsquashfs", "-s", c.in("system.img")), "Tue Nov 25 00:00:00 2025")
}

func TestCardsUnitsAreWellFormed(t *testing.T) {
	tool := need.Tool(t, "systemd-analyze")
	dir := t.TempDir()
	args := []string{"verify", "--man=no"}
	for _, unit := range cardUnits() {
		text, err := cardFiles.ReadFile("card/units/" + unit)
		require.NoError(t, err)
		path := filepath.Join(dir, unit)
		text = bytes.ReplaceAll(text, []byte("/usr/lib/stillwater-card/card"), []byte("/bin/sh"))
		require.NoError(t, os.WriteFile(path, text, 0o644))
		args = append(args, path)
	}
	out, err := exec.CommandContext(t.Context(), tool, args...).CombinedOutput()
	require.NoError(t, err, "%s", out)
	assert.NotContains(t, string(out), "stillwater", "systemd-analyze verify")
}

// Every file of the card has its place on it.
func TestEveryFileOfTheCardIsUsed(t *testing.T) {
	used := map[string]bool{"customize": true, "fat/config.txt": true, "fat/loader.conf": true, "fat/settings.txt": true}
	for _, f := range cardTree() {
		used[f.name] = true
	}
	require.NoError(t, filepath.WalkDir("card", func(path string, d os.DirEntry, err error) error {
		if err == nil && !d.IsDir() {
			assert.True(t, used[strings.TrimPrefix(path, "card/")], path)
		}
		return err
	}))
}

// aCard is a card's system in a folder, with programs that only say how they were called.
type aCard struct {
	t    *testing.T
	root string
	env  []string
}

func newCard(t *testing.T) aCard {
	t.Helper()
	root, bin := t.TempDir(), t.TempDir()
	for _, dir := range []string{"boot/firmware", "var/lib/stillwater", "run", "etc"} {
		require.NoError(t, os.MkdirAll(filepath.Join(root, dir), 0o755))
	}
	for name, script := range map[string]string{
		"iw":         `echo "$@" >>"$CARD_ROOT/calls"`,
		"systemctl":  `echo "$@" >>"$CARD_ROOT/calls"`,
		"loadkeys":   `[ "$2" = de ] && echo loadkeys "$@" >>"$CARD_ROOT/calls"`,
		"ssh-keygen": `echo keygen "$@" >>"$CARD_ROOT/calls"`,
		"stillwater": `echo '{"pages":["http://stillwater.local:8737/"],"code":"135790"}'`,
		"nmcli": `case "$*" in *' bad '*) echo "Error: bad network" >&2; exit 2 ;; esac
printf "# %s\n" "$*"; while [ $# -gt 0 ]; do if [ "$1" = wifi-sec.psk ]; then printf "psk=%s\n" "$2"; fi; shift; done`,
	} {
		require.NoError(t, os.WriteFile(filepath.Join(bin, name), []byte("#!/bin/sh\n"+script+"\n"), 0o755))
	}
	return aCard{t, root, append(os.Environ(), "CARD_ROOT="+root, "PATH="+bin+":"+os.Getenv("PATH"))}
}

func (c aCard) run(words ...string) {
	c.t.Helper()
	run := exec.CommandContext(c.t.Context(), need.Tool(c.t, "dash", "sh"), append([]string{"card/card"}, words...)...)
	run.Env = c.env
	out, err := run.CombinedOutput()
	require.NoError(c.t, err, "%s", out)
	require.Empty(c.t, string(out))
}

func (c aCard) write(name, text string) {
	c.t.Helper()
	require.NoError(c.t, os.WriteFile(filepath.Join(c.root, name), []byte(text), 0o644))
}

// read returns a file, "" if there is none.
func (c aCard) read(name string) string {
	text, err := os.ReadFile(filepath.Join(c.root, name))
	if err != nil {
		require.ErrorIs(c.t, err, os.ErrNotExist)
	}
	return string(text)
}

const (
	ownNetwork   = "etc/NetworkManager/system-connections/stillwater-hotspot.nmconnection"
	knownNetwork = "etc/NetworkManager/system-connections/studio.nmconnection"
	cardProblems = "run/stillwater-card/problems"
)

// A new card makes a network of its own with a password that no other card has, and keeps it.
func TestCardsOwnNetwork(t *testing.T) {
	seen := map[string]bool{}
	for range 3 {
		c := newCard(t)
		c.run("settings")
		first := c.read(ownNetwork)
		_, password, _ := strings.Cut(first, "\npsk=")
		assert.Regexp(t, `^[a-hj-km-np-z2-9]{4}-[a-hj-km-np-z2-9]{4}-[a-hj-km-np-z2-9]{4}\n$`, password)
		seen[password] = true
		info, err := os.Stat(filepath.Join(c.root, ownNetwork))
		require.NoError(t, err)
		assert.Equal(t, os.FileMode(0o600), info.Mode().Perm())
		c.run("settings")
		assert.Equal(t, first, c.read(ownNetwork))
		assert.Empty(t, c.read(cardProblems))
		assert.Empty(t, c.read("calls"), "no country, no remote login")
		assert.Empty(t, c.read(knownNetwork))
	}
	assert.Len(t, seen, 3)
}

// The network is the one that the README's commands make, but for its password, and any radio will do.
func TestCardsNetworkIsTheDocumentedOne(t *testing.T) {
	text, err := cardFiles.ReadFile("card/card")
	require.NoError(t, err)
	words := func(text string) string {
		return strings.Join(strings.Fields(strings.ReplaceAll(text, "\\\n", " ")), " ")
	}
	documented, _, _ := strings.Cut(words(hotspotScript), " sudo nmcli connection up")
	documented = strings.TrimPrefix(documented, "sudo nmcli connection add type wifi ")
	documented = strings.NewReplacer("ifname wlan0", "ifname '*'", "'a-password-of-your-own'", `"$password"`).
		Replace(documented)
	assert.Contains(t, words(string(text)), documented)
}

func TestCardsSettings(t *testing.T) {
	for name, c := range map[string]struct {
		settings               string
		calls, known, problems string
	}{
		"as delivered": {settings: deliveredSettings(t)},
		"country":      {settings: "country = DE\n", calls: "reg set DE\n"},
		"the last counts, small letters, no spaces": {settings: "country=FR\ncountry=de\r\n", calls: "reg set DE\n"},
		"no country": {settings: "country = Germany\n",
			problems: "settings.txt: country: write two letters, such as DE for Germany\n"},
		"code": {settings: "country = $(reboot)\n",
			problems: "settings.txt: country: write two letters, such as DE for Germany\n"},
		"network": {settings: "network = My studio \r\npassword = it's a secret\r\n",
			known: "ssid My studio wifi-sec.key-mgmt wpa-psk wifi-sec.psk it's a secret connection"},
		"open network": {settings: "network=hall\n", known: "ssid hall connection"},
		"special letters": {settings: "network=$(reboot) `x` \"q\" \\n\npassword=$HOME & more\n",
			known: "ssid $(reboot) `x` \"q\" \\n wifi-sec"},
		"refused network": {settings: "network=bad\npassword=1\n",
			problems: "bad network\nsettings.txt: the network was not taken over; a password has 8 to 63 letters\n"},
		"keyboard": {settings: "keyboard = de\r\n", calls: "loadkeys -q de\n"},
		"no keyboard": {settings: "keyboard = german\n",
			problems: "settings.txt: keyboard: there is no such layout here; write one such as de, fr, uk or us\n"},
		"not a keyboard's name": {settings: "keyboard = ../../de\n",
			problems: "settings.txt: keyboard: there is no such layout here; write one such as de, fr, uk or us\n"},
		"a comment is not": {settings: "#network = x\n # country = DE\n"},
	} {
		t.Run(name, func(t *testing.T) {
			card := newCard(t)
			card.write("boot/firmware/settings.txt", c.settings)
			card.run("settings")
			assert.Equal(t, c.calls, card.read("calls"))
			assert.Equal(t, c.problems, card.read(cardProblems))
			assert.Contains(t, card.read(knownNetwork), c.known)
			if c.known == "" {
				assert.Empty(t, card.read(knownNetwork))
			}
			assert.NotEmpty(t, card.read(ownNetwork), "whatever else is wrong")

			card.write("boot/firmware/settings.txt", "")
			card.run("settings")
			assert.Empty(t, card.read(knownNetwork), "a network that was taken out is forgotten")
			assert.Empty(t, card.read(cardProblems))
		})
	}
}

func deliveredSettings(t *testing.T) string {
	t.Helper()
	text, err := cardFiles.ReadFile("card/fat/settings.txt")
	require.NoError(t, err)
	return string(text)
}

// Taking the comment signs away from the delivered settings sets all of them.
func TestDeliveredSettingsAreExamples(t *testing.T) {
	card := newCard(t)
	text := deliveredSettings(t)
	for _, name := range []string{"country", "network", "password", "keyboard"} {
		text = strings.Replace(text, "#"+name+" ", name+" ", 1)
	}
	card.write("boot/firmware/settings.txt", text)
	card.run("settings")
	assert.Equal(t, "reg set DE\nloadkeys -q de\n", card.read("calls"))
	assert.Contains(t, card.read(knownNetwork), "ssid My studio wifi-sec.key-mgmt wpa-psk wifi-sec.psk its password")
}

// The country of the page counts until the next start, if settings.txt names another one, and then that does.
func TestCardsCountryFromThePage(t *testing.T) {
	const place = "var/lib/stillwater/country"
	card := newCard(t)
	card.write(place, "AT\n")
	card.run("country")
	card.write("boot/firmware/settings.txt", "country = CH\n")
	card.run("country")
	card.run("settings")
	assert.Equal(t, "CH\n", card.read(place), "so that the page shows it")
	card.write("boot/firmware/settings.txt", "country = Switzerland\n")
	card.run("settings")
	assert.Equal(t, "reg set AT\nreg set AT\nreg set CH\nreg set CH\n", card.read("calls"))
	card.write(place, "; reboot\n")
	card.run("country")
	assert.Equal(t, "reg set AT\nreg set AT\nreg set CH\nreg set CH\n", card.read("calls"))
	assert.Contains(t, card.read(cardProblems), "choose it again on the page")
}

// The note is written when it has changed, and only then.
func TestCardsNote(t *testing.T) {
	card := newCard(t)
	card.run("settings")
	card.run("note")
	note := card.read("boot/firmware/pairing.txt")
	_, password, _ := strings.Cut(strings.TrimSpace(card.read(ownNetwork)), "\npsk=")
	for _, want := range []string{"Wi-Fi network  Stillwater\r\n", "with the password       " + password + "\r\n",
		"http://stillwater.local:8737/\r\n", "Type the pairing code   135790\r\n"} {
		assert.Contains(t, note, want)
	}
	path := filepath.Join(card.root, "boot/firmware/pairing.txt")
	long := time.Unix(1, 0)
	require.NoError(t, os.Chtimes(path, long, long))
	card.run("note")
	info, err := os.Stat(path)
	require.NoError(t, err)
	assert.True(t, info.ModTime().Equal(long), "it was written although nothing has changed")

	card.write("boot/firmware/settings.txt", "country = Germany\n")
	require.NoError(t, os.MkdirAll(filepath.Join(card.root, "run/card/state"), 0o755))
	card.write("run/card/state/forgets", "")
	card.run("settings")
	card.run("note")
	assert.Contains(t, card.read("boot/firmware/pairing.txt"),
		"At the last start:\r\n  settings.txt: country: write two letters")
	assert.Contains(t, card.read("boot/firmware/pairing.txt"), "nothing of this evening will be kept")
	assert.NoFileExists(t, filepath.Join(card.root, "boot/firmware/pairing.new"))
}
