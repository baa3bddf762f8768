// Package tether fetches a camera's files over its cable, or over the network, with gphoto2, the command-line program
// of the general camera-access library libgphoto2, as Debian has it. Files on the camera are read and never changed.
//
// A camera cannot hold up anything else: each request is a process of its own, which is ended when it takes too long,
// when it sends more bytes than the file's size, and when its context ends. It gets at most maxMemory of memory, writes
// no files, and what it sends comes in pieces; a file is in its folder when all of it is on the disk, and not
// before.
package tether

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"stillwater/internal/filename"
	"stillwater/internal/regular"
)

// Limits of what a camera may take. Own choice.
type Limits struct {
	List   time.Duration // for the list of its files
	Begin  time.Duration // for a file, besides its bytes
	Slow   int64         // bytes a second that a file comes with at least
	File   int64         // bytes of one file
	Ending time.Duration // for the program to end when it was asked to
}

// DefaultLimits are for a real camera, which is slower than any that a test plays.
func DefaultLimits() Limits {
	return Limits{List: 2 * time.Minute, Begin: 30 * time.Second, Slow: 500_000, File: MaxFile, Ending: time.Second}
}

// MaxFile is the most bytes of a file that are fetched, and that the machine takes in. Own choice.
const MaxFile = 128_000_000

// Megabytes is a size in words, rounded up: more than a limit is more in words too.
func Megabytes(bytes int64) string {
	return strconv.FormatFloat(math.Ceil(float64(bytes)/1e5)/10, 'f', -1, 64) + " MB"
}

const (
	maxMemory = 1 << 30 // bytes of the program's address space, where the system can bound it
	maxList   = 8 << 20 // bytes of a list
	maxFiles  = 20_000
	maxName   = 200 // runes of a folder's or a file's
)

// Camera is a camera that gphoto2 reaches. Its methods may be called from one goroutine at a time.
type Camera struct {
	Limits  Limits
	port    string
	program string
}

// Auto is the port of the only camera that is connected.
const Auto = "auto"

// ports are how gphoto2 begins the names of its ports, each with the model that it wants with it, "" for one that it
// finds by itself.
var ports = map[string]string{"usb:": "", "ptpip:": "PTP/IP Camera", "disk:": "Mass Storage Camera"}

// ErrMissing means that gphoto2 is not installed.
var ErrMissing = errors.New("gphoto2 is not installed: sudo apt install gphoto2")

// Find makes a Camera of a port's name: auto, usb:BUS,DEVICE, ptpip:ADDRESS or disk:FOLDER.
func Find(port string) (*Camera, error) {
	begins := func(prefix string) bool { return strings.HasPrefix(port, prefix) && len(port) > len(prefix) }
	known := port == Auto
	for prefix := range ports {
		known = known || begins(prefix)
	}
	if !known || strings.ContainsFunc(port, unicode.IsControl) {
		return nil, fmt.Errorf("give auto for the connected camera, or a port like usb:001,004, ptpip:192.0.2.7 or " +
			"disk:DCIM; gphoto2 --auto-detect lists them")
	}
	program, err := exec.LookPath("gphoto2")
	if err != nil {
		return nil, ErrMissing
	}
	return &Camera{Limits: DefaultLimits(), port: port, program: program}, nil
}

// File is a file on the camera.
type File struct {
	Path string // on the camera
	Size int64  // bytes; -1 not known
}

// Name is what the file is called in a folder here: the camera's own folder and its name, as its numbers begin anew in
// another folder.
func (f File) Name() string {
	return path.Join(strings.TrimPrefix(path.Base(path.Dir(f.Path)), "/"), path.Base(f.Path))
}

// portArgs are the arguments that every call begins with: the port and what it wants.
func (c *Camera) portArgs() []string {
	if c.port == Auto {
		return nil
	}
	args := []string{"--port=" + c.port}
	for prefix, model := range ports {
		if strings.HasPrefix(c.port, prefix) && model != "" {
			args = append(args, "--camera="+model)
		}
	}
	return args
}

// List lists the camera's files in its own order, and what of them cannot be fetched.
func (c *Camera) List(ctx context.Context) (files []File, problems []error, err error) {
	text := &bounded{left: maxList}
	err = c.run(ctx, c.Limits.List, text, "--parsable", "--list-files")
	if err != nil {
		return nil, nil, err
	}
	files, problems = parseList(text.text.String())
	return files, problems, nil
}

// listed is a line of a list. A name may have a quotation mark in it.
var listed = regexp.MustCompile(`^FILENAME='(.*)' PERMS=\S* (?:FILESIZE= *(\d+) )?`)

// parseList reads what --parsable --list-files writes.
func parseList(text string) (files []File, problems []error) {
	problem := func(format string, args ...any) {
		const most = 20
		if len(problems) < most {
			problems = append(problems, fmt.Errorf(format, args...))
		}
	}
	seen := map[string]bool{}
	for line := range strings.Lines(text) {
		parts := listed.FindStringSubmatch(strings.TrimSuffix(line, "\n"))
		switch {
		case strings.TrimSpace(line) == "":
			continue
		case parts == nil:
			problem("%q: this line of the camera's list cannot be read: rename the file on the camera", shortened(line))
			continue
		case len(files) >= maxFiles:
			problem("the camera has more than %d files: the rest is left on it", maxFiles)
			return files, problems
		case !usable(atRoot(parts[1])):
			problem("%q: this file name cannot be used: rename the file on the camera", shortened(parts[1]))
			continue
		}
		f := File{Path: atRoot(parts[1]), Size: -1}
		if size, err := strconv.ParseInt(parts[2], 10, 64); err == nil {
			f.Size = size
		}
		if !seen[f.Path] {
			seen[f.Path] = true
			files = append(files, f)
		}
	}
	return files, problems
}

// atRoot is a listed path as it is asked for: the library begins what is in the camera's uppermost folder with two
// slashes.
func atRoot(listed string) string {
	if rest, found := strings.CutPrefix(listed, "//"); found {
		return "/" + rest
	}
	return listed
}

// usable reports whether a file's path on a camera can be asked for, and its name used in a folder here.
func usable(full string) bool {
	if !path.IsAbs(full) || path.Clean(full) != full {
		return false
	}
	for part := range strings.SplitSeq(full[1:], "/") {
		if !filename.Usable(part) || strings.HasPrefix(part, "-") || utf8.RuneCountInString(part) > maxName {
			return false
		}
	}
	return true
}

func shortened(name string) string {
	const most = 60
	if runes := []rune(name); len(runes) > most {
		return string(runes[:most]) + "..."
	}
	return name
}

// fetch writes a file of the camera.
func (c *Camera) fetch(ctx context.Context, f File, to *os.File) error {
	if f.Size > c.Limits.File {
		return fmt.Errorf("it has %s, and the limit is %s: copy it from the card", Megabytes(f.Size),
			Megabytes(c.Limits.File))
	}
	most, limit := c.Limits.File, c.Limits.Begin+time.Duration(c.Limits.File/c.Limits.Slow)*time.Second
	if f.Size >= 0 {
		most, limit = f.Size, c.Limits.Begin+time.Duration(f.Size/c.Limits.Slow)*time.Second
	}
	out := &bounded{to: to, left: most}
	ask := []string{"--quiet", "--stdout", "--get-file=" + f.Path}
	if path.Dir(f.Path) == "/" { // gphoto2 (2.5.28) aborts at a path in the uppermost folder
		ask = []string{"--quiet", "--stdout", "--folder=/", "--get-file=" + path.Base(f.Path)}
	}
	err := c.run(ctx, limit, out, ask...)
	switch {
	case err != nil:
		return err
	case f.Size >= 0 && out.written != f.Size:
		return fmt.Errorf("the camera sent %d of its %d bytes; it is fetched again later", out.written, f.Size)
	case out.written == 0:
		return errors.New("the camera sent nothing of it; it is fetched again later")
	}
	return nil
}

// Copy copies a file of the camera into a folder, unless it is there; made says that it was not. A file there that has
// its name and another size stays, and is an error. Errors name the file.
func (c *Camera) Copy(ctx context.Context, f File, folder *os.Root) (made bool, _ error) {
	if !usable(f.Path) {
		return false, fmt.Errorf("%q: this file name cannot be used: rename the file on the camera", shortened(f.Path))
	}
	name := f.Name()
	there, err := f.isIn(folder)
	if err == nil && !there {
		err = c.copy(ctx, f, folder, name)
	}
	if err != nil {
		return false, fmt.Errorf("%s: %w", name, err)
	}
	return !there, nil
}

// IsIn reports whether a file was copied into a folder, or another one has its place.
func (f File) IsIn(folder *os.Root) bool {
	there, err := f.isIn(folder)
	return there || err != nil
}

func (f File) isIn(folder *os.Root) (bool, error) {
	info, err := folder.Lstat(f.Name())
	switch {
	case errors.Is(err, os.ErrNotExist):
		return false, nil
	case err != nil:
		return false, err
	case info.Mode().IsRegular() && (f.Size < 0 || info.Size() == f.Size):
		return true, nil
	}
	return false, errors.New("a different file of that name is in the folder and is kept: move it to have the camera's " +
		"copied")
}

// copy fetches a file under a hidden name, and gives it its own when all of it is on the disk.
func (c *Camera) copy(ctx context.Context, f File, folder *os.Root, name string) error {
	if err := folder.Mkdir(path.Dir(name), 0o777); err != nil && !errors.Is(err, os.ErrExist) {
		return err
	}
	under := path.Join(path.Dir(name), "."+path.Base(name)+".part")
	part, err := regular.OpenIn(folder, under, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o666)
	if err != nil {
		return err
	}
	if err = c.fetch(ctx, f, part); err == nil { // what is thrown away need not be on the disk
		err = part.Sync()
	}
	err = cmp.Or(err, part.Close())
	if err == nil {
		if _, e := folder.Lstat(name); !errors.Is(e, os.ErrNotExist) {
			err = errors.New("a different file of that name arrived meanwhile and is kept")
		}
	}
	if err == nil {
		err = folder.Rename(under, name)
	}
	if err != nil {
		return errors.Join(err, folder.Remove(under))
	}
	return nil
}

// After are the files that came after the last one which is in a folder, in the camera's order: none of them if none of
// them is there, as then all of them are old.
func After(files []File, folder *os.Root) []File {
	for i, f := range slices.Backward(files) {
		if f.IsIn(folder) {
			return files[i+1:]
		}
	}
	return nil
}
