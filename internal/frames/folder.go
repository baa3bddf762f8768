// Package frames reads a folder of a camera's files: which there are, when each was taken and how, and the picture.
// A camera's files are opened for reading only and never changed; sidecar files beside them may be written.
//
// It takes JPEG files, HEIF files, and raw files that are built as TIFF (6.0) is; of the last two it shows the largest
// JPEG preview. That of a HEIF file is often as small as 160 x 120 pixels, enough to know the frame and not to measure
// in it. Its own picture is not decoded: no decoder is written in Go. The one module that needs no C compiler,
// github.com/gen2brain/heic (v0.4.5 of May 2025, MIT), carries libheif and libde265 (LGPL 3) as a binary for a virtual
// machine, or loads those of the system where there are some, which is more than a preview is worth.
//
// What a file is, its first bytes say; its name only says whether it is looked at.
//
// Nothing that a file says makes it use more than bounded memory: MaxPixels of a picture, some 20 MB for all else; and
// at most maxMetadata bytes are read to understand one file. A file that cannot be read is an error of its own.
package frames

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"stillwater/internal/regular"
)

// Bounds of what is listed of a folder: own choice, far more than an evening has.
const (
	MaxFiles = 20_000
	maxDepth = 6 // of folders in folders
)

// ErrTooManyFiles means that a folder has more than MaxFiles.
var ErrTooManyFiles = fmt.Errorf("there are more than %d files: give a folder with fewer", MaxFiles)

// kinds are the names that cameras give, by their ends. The files of one frame have one name before that; what stands
// first here is looked at first.
var kinds = []string{".jpg", ".jpeg", ".jpe", ".heic", ".heif", ".hif", ".dng", ".nef", ".arw", ".cr2", ".pef"}

// File is one file of a frame.
type File struct {
	Name     string // in the folder, with /
	Size     int64
	Modified time.Time
}

// Frame is one picture of the camera. Of a frame that was listed only Name, Files and Number are known.
type Frame struct {
	Name   string   // of its files, without their ends
	Files  []File   // a JPEG first, if there is one
	Number int      // the camera's own, from the name; 0 none
	Same   []string // names of other frames with the same content, where that was looked for
	Data
}

// Data is what a file says of its picture. Zero values are not known.
type Data struct {
	Taken        time.Time     // by the camera's clock, as if in UTC
	Step         time.Duration // that clock's: a second, or a hundredth where the file has fractions
	Exposure     time.Duration
	FNumber, ISO float64
	FocalMm      float64
	Orientation  int // 1 to 8, as in EXIF (CIPA DC-008), 0 not known
}

// Folder is a folder that is open.
type Folder struct {
	MaxDecoded int64 // bytes of memory that decoding a picture may take; 0: MaxDecoded

	root *os.Root
	path string
}

// Open opens a folder. No link leads out of it.
func Open(dir string) (*Folder, error) {
	root, err := regular.OpenRoot(dir)
	if err != nil {
		return nil, fmt.Errorf("%w; name the camera's card or a folder with its files", err)
	}
	return &Folder{root: root, path: dir}, nil
}

// Close closes the folder.
func (f *Folder) Close() error { return f.root.Close() }

// List finds the frames, in the order of their names, and what could not be looked into or has a camera file's name and
// is none, as a link or a pipe. Hidden files are left out.
func (f *Folder) List(ctx context.Context) (list []Frame, problems []error, _ error) {
	byName, files := map[string]*Frame{}, 0
	err := fs.WalkDir(regular.Files(f.root), ".", func(name string, entry fs.DirEntry, err error) error {
		switch {
		case ctx.Err() != nil:
			return ctx.Err()
		case err != nil && name == ".":
			return err
		case err != nil:
			problems = append(problems, fmt.Errorf("%w: what is in there is left out until it can be read",
				nameError(name, err)))
			return nil
		case strings.HasPrefix(path.Base(name), ".") && name != ".":
			return skip(entry)
		case entry.IsDir() && strings.Count(name, "/") >= maxDepth:
			problems = append(problems, fmt.Errorf("%s: folders go deeper than %d: move what is in there up", name,
				maxDepth))
			return fs.SkipDir
		case kindOf(name) < 0 || entry.IsDir():
			return nil
		case !entry.Type().IsRegular():
			problems = append(problems, fmt.Errorf("%s: %w: put the camera's own file in its place", name,
				regular.Problem(entry.Type())))
			return nil
		}
		info, err := entry.Info()
		if err != nil { // it is gone meanwhile
			problems = append(problems, err)
			return nil
		}
		if files++; files > MaxFiles {
			return ErrTooManyFiles
		}
		stem := strings.TrimSuffix(name, path.Ext(name))
		frame := byName[stem]
		if frame == nil {
			frame = &Frame{Name: stem, Number: NumberOf(stem)}
			byName[stem] = frame
		}
		frame.Files = append(frame.Files, File{name, info.Size(), info.ModTime()})
		return nil
	})
	if err != nil {
		return nil, problems, fmt.Errorf("%s: %w", f.path, err)
	}
	for _, frame := range byName {
		slices.SortFunc(frame.Files, func(a, b File) int {
			return cmp.Or(cmp.Compare(kindOf(a.Name), kindOf(b.Name)), cmp.Compare(a.Name, b.Name))
		})
		list = append(list, *frame)
	}
	slices.SortFunc(list, func(a, b Frame) int { return cmp.Compare(a.Name, b.Name) })
	return list, problems, nil
}

func skip(entry fs.DirEntry) error {
	if entry.IsDir() {
		return fs.SkipDir
	}
	return nil
}

// kindOf is the place of a name's end in kinds, -1 for others.
func kindOf(name string) int { return slices.Index(kinds, strings.ToLower(path.Ext(name))) }

// NamesLike lists the names, a file's own first, under which a picture of the same kind may be found in the same frame:
// with another ending of that kind, in upper or lower case.
func NamesLike(name string) []string {
	end := path.Ext(name)
	ends := []string{end}
	for _, kind := range [][]string{kinds[:3], kinds[3:6], {strings.ToLower(end)}} {
		if slices.Contains(kind, strings.ToLower(end)) {
			for _, other := range kind {
				ends = append(ends, other, strings.ToUpper(other))
			}
			break
		}
	}
	names := []string{}
	for _, other := range ends {
		if like := strings.TrimSuffix(name, end) + other; !slices.Contains(names, like) {
			names = append(names, like)
		}
	}
	return names
}

// IsFrame reports whether a file is a camera's, by its name.
func IsFrame(name string) bool { return kindOf(filepath.ToSlash(name)) >= 0 }

// NumberOf is the camera's own number at the end of a frame's name, four digits as DCF 2.0
// has it (from memory); 0 for none.
func NumberOf(stem string) int {
	base := path.Base(stem)
	digits := base[len(strings.TrimRight(base, "0123456789")):]
	if len(digits) < 4 {
		return 0
	}
	n, err := strconv.Atoi(digits[len(digits)-4:])
	if err != nil {
		return 0
	}
	return n
}

// ErrChanging means that a file was written to while it was read.
var ErrChanging = errors.New("it is being written: try again when it is complete")

// open opens a file of a frame for reading until the context ends, and does with it; the error names the file.
func (f *Folder) open(ctx context.Context, file File, do func(untilDone, int64) error) error {
	err := func() error {
		opened, err := regular.OpenIn(f.root, file.Name, os.O_RDONLY, 0)
		if err != nil {
			return err
		}
		defer opened.Close()
		before, err := opened.Stat()
		switch {
		case err != nil:
			return err
		case before.Size() == 0:
			return errors.New("it is empty: copy it from the camera again")
		}
		err = do(untilDone{ctx, opened}, before.Size())
		if ctx.Err() != nil { // what was read may lack something
			return ctx.Err()
		}
		after, statErr := opened.Stat()
		if statErr == nil && (after.Size() != before.Size() || !after.ModTime().Equal(before.ModTime())) {
			return ErrChanging
		}
		return errors.Join(err, statErr)
	}()
	if err == nil {
		return nil
	}
	return nameError(file.Name, err)
}

// Root is the folder, for callers that put files into it.
func (f *Folder) Root() *os.Root { return f.root }

// Path is the folder's, as it was opened.
func (f *Folder) Path() string { return f.path }
