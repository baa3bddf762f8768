package main

import (
	"bytes"
	"compress/gzip"
	"context"
	"embed"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"

	"stillwater/internal/render"
)

// packer is the packing program, run as a module at this version, so that the project does not depend on it.
const packer = "github.com/goreleaser/nfpm/v2/cmd/nfpm@v2.45.2"

// maintainer is the package's Maintainer field; the address is in a reserved domain (RFC 2606).
const maintainer = "Stillwater <stillwater@project.invalid>"

//go:embed files
var files embed.FS

// packageFile is one file of the package, in the packer's format.
type packageFile struct {
	Source      string `json:"src"`
	Destination string `json:"dst"`
	Type        string `json:"type,omitempty"`
	Info        info   `json:"file_info"`
}

type info struct {
	Mode  os.FileMode `json:"mode"`
	Owner string      `json:"owner"`
	Group string      `json:"group"`
	Time  time.Time   `json:"mtime"`
}

// contents lists the package's files and their destinations. Generated ones are written into work.
func (j job) contents(help manual, notices []licenceNotice, program, work string) ([]packageFile, error) {
	l := layout{job: j, work: work}
	l.add(program, "/usr/bin/stillwater", 0o755)
	l.embedded("stillwater.service", "/usr/lib/systemd/system/stillwater.service")
	l.embedded("stillwater-board.socket", "/usr/lib/systemd/system/stillwater-board.socket")
	l.embedded("stillwater-board.service", "/usr/lib/systemd/system/stillwater-board.service")
	l.embedded("10-stillwater.rules", "/usr/lib/udev/rules.d/10-stillwater.rules")
	l.embedded("stillwater.toml", "/etc/stillwater/stillwater.toml")
	l.embedded("gpio.toml", "/usr/share/stillwater/gpio.toml")
	l.embedded("camera.conf", "/usr/share/stillwater/camera.conf")
	l.text("completion", help.completion(), "/usr/share/bash-completion/completions/stillwater")
	l.zipped("stillwater.1", j.page(help.page(l.read("stillwater.1"))), "/usr/share/man/man1/stillwater.1.gz")
	l.zipped("stillwater.toml.5", j.page(l.read("stillwater.toml.5")), "/usr/share/man/man5/stillwater.toml.5.gz")
	l.text("copyright", copyright(l.read("copyright"), notices), "/usr/share/doc/stillwater/copyright")
	l.zipped("changelog", j.changelog(), "/usr/share/doc/stillwater/changelog.gz")
	l.embedded("lintian-overrides", "/usr/share/lintian/overrides/stillwater")
	for _, script := range scripts() {
		l.write(script, l.read(script))
	}
	return l.items, l.err
}

// scripts are what dpkg runs.
func scripts() []string { return []string{"postinst", "prerm", "postrm"} }

// layout collects files; after an error it does nothing.
type layout struct {
	job
	work  string
	items []packageFile
	err   error
}

func (l *layout) add(path, destination string, mode os.FileMode) {
	i := packageFile{path, destination, "", info{mode, "root", "root", l.when}}
	if strings.HasPrefix(destination, "/etc/") {
		i.Type = "config|noreplace" // dpkg asks before it replaces what a person changed
	}
	l.items = append(l.items, i)
}

func (l *layout) read(name string) string {
	text, err := files.ReadFile("files/" + name)
	if err != nil && l.err == nil {
		l.err = err
	}
	return string(text)
}

func (l *layout) write(name, text string) string {
	path := filepath.Join(l.work, name)
	if err := os.WriteFile(path, []byte(text), 0o644); err != nil && l.err == nil {
		l.err = err
	}
	return path
}

func (l *layout) text(name, text, destination string) { l.add(l.write(name, text), destination, 0o644) }

func (l *layout) embedded(name, destination string) { l.text(name, l.read(name), destination) }

func (l *layout) zipped(name, text, destination string) {
	var b bytes.Buffer
	z, err := gzip.NewWriterLevel(&b, gzip.BestCompression)
	if err == nil {
		_, err = z.Write([]byte(text))
	}
	if err == nil {
		err = z.Close()
	}
	if err != nil && l.err == nil {
		l.err = err
	}
	l.text(name+".gz", b.String(), destination)
}

// pack writes the packer's configuration and runs it.
func (j job) pack(ctx context.Context, t target, list []packageFile, work, path string) error {
	run := map[string]string{}
	for _, script := range scripts() {
		run[map[string]string{"postinst": "postinstall", "prerm": "preremove", "postrm": "postremove"}[script]] =
			filepath.Join(work, script)
	}
	text, err := render.IndentJSON(map[string]any{
		"name": "stillwater", "arch": t.debian, "platform": "linux", "version": j.version, "version_schema": "none",
		"section": "electronics", "priority": "optional", "maintainer": maintainer, "license": "Apache-2.0",
		"description": description, "mtime": j.when, "umask": 0o022,
		"depends":    []string{"adduser", "init-system-helpers (>= 1.54)"},
		"recommends": []string{"systemd", "udev"},
		"suggests":   []string{"network-manager", "gphoto2"},
		"contents":   list, "scripts": run,
		"deb": map[string]any{"compression": "xz"},
	}, "")
	if err != nil {
		return fmt.Errorf("the packer's configuration: %w", err)
	}
	config := filepath.Join(work, "nfpm.json")
	if err := os.WriteFile(config, text, 0o644); err != nil {
		return fmt.Errorf("the packer's configuration: %w", err)
	}
	// The packer runs on this machine, whatever the package is for.
	env := []string{"GOOS=", "GOARCH=", fmt.Sprintf("SOURCE_DATE_EPOCH=%d", j.when.Unix())}
	_, err = command(ctx, work, env, "go", "run", packer, "package", "--packager", "deb", "--config", config,
		"--target", path)
	return err
}

const description = `fires camera and flash when a falling or thrown liquid is there
Stillwater senses a falling drop or a thrown sheet of liquid with light beams,
or a sound with a microphone, works out when the liquid is in its best shape
before the camera, and fires camera and flash at that moment. It keeps a record
of every try and is armed from a phone. Without any wiring it runs a simulated
room to practise in.`

// page fills version and date into a manual page.
func (j job) page(frame string) string {
	return strings.NewReplacer("@VERSION@", roff(j.version), "@DATE@", j.when.Format(time.DateOnly)).Replace(frame)
}

// changelog is the package's own, in Debian's form.
func (j job) changelog() string {
	return fmt.Sprintf("stillwater (%s) unstable; urgency=medium\n\n"+
		"  * Built from the project's history up to this date.\n\n -- %s  %s\n",
		j.version, maintainer, j.when.Format(time.RFC1123Z))
}

// copyright adds the licences of what is linked in to the package's own.
func copyright(own string, notices []licenceNotice) string {
	var b strings.Builder
	b.WriteString(own)
	for _, n := range notices {
		fmt.Fprintf(&b, "\n%s\n%s %s\n%[1]s\n\n%[4]s", strings.Repeat("-", 80), n.module, n.version,
			trimApacheLicense(n.text))
	}
	return b.String()
}

// trimApacheLicense omits the text of the Apache License, which every Debian system has.
func trimApacheLicense(text string) string {
	if strings.Contains(text, "Apache License") && strings.Contains(text, "Version 2.0, January 2004") {
		return "Apache License, Version 2.0: /usr/share/common-licenses/Apache-2.0\n"
	}
	return strings.TrimRight(text, "\n") + "\n"
}
