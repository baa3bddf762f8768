package intake

import (
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"time"
	"unicode"

	"stillwater/internal/control"
	"stillwater/internal/frames"
	"stillwater/internal/page"
	"stillwater/internal/tether"
)

// limits of what is kept.
type limits struct {
	file  int64         // bytes of one
	kept  int64         // bytes of all
	free  int64         // bytes of the disk that are left to the record
	files int           // of one session
	parts int           // files under way at once
	idle  time.Duration // after which one under way gives way to another
}

func usualLimits() limits {
	return limits{file: tether.MaxFile, kept: 4 << 30, free: 1 << 30, files: 5000, parts: 8, idle: 2 * time.Minute}
}

// store is the folder with the files: a folder for each session, by its number. A file under way has a hidden name
// until it is whole, and survives a restart.
type store struct {
	dir    string
	limits limits
	free   func(dir string) (int64, error)

	mu       sync.Mutex       // one part is written at a time
	unseen   map[string]bool  // files that came and were not looked at: they do not give way
	declared map[string]int64 // bytes that files under way are to have
}

// news are the files of a session that came and were not looked at.
func (s *store) news(session int64) (paths []string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for path := range s.unseen {
		if filepath.Dir(path) == s.session(session) {
			paths = append(paths, path)
		}
	}
	return paths
}

// looked says that files were looked at.
func (s *store) looked(paths []string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, path := range paths {
		delete(s.unseen, path)
	}
}

func (s *store) session(id int64) string { return filepath.Join(s.dir, strconv.FormatInt(id, 10)) }

// notTaken is why a file is not taken: a refusal for who sends it from a phone, and the remedy for who put it into a
// folder.
type notTaken struct {
	*control.Refusal
	inFolder string
	busy     bool // it can be taken later
}

func (n *notTaken) Unwrap() error { return n.Refusal }

// Is reports whether it is page.ErrBusy.
func (n *notTaken) Is(target error) bool { return n.busy && target == page.ErrBusy }

func refusal(why, atPhone, inFolder string) error {
	return &notTaken{Refusal: &control.Refusal{Field: "file", Why: why, Remedy: atPhone}, inFolder: inFolder}
}

// later is a refusal of what can be taken in a while.
func later(format string, args ...any) error {
	return &notTaken{&control.Refusal{Field: "file", Why: fmt.Sprintf(format, args...), Remedy: "Choose it again later."},
		"It is tried again in a minute.", true}
}

// take adds a part to a file of a session, see page.Camera. whole says that the file is there now and was not before.
func (s *store) take(session int64, f page.CameraFile, at int64, part []byte) (have int64, whole bool, err error) {
	if err := s.check(f); err != nil {
		return 0, false, err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	dir := s.session(session)
	name, there, err := s.place(dir, f)
	if err != nil || there {
		return f.Size, false, err
	}
	under := filepath.Join(dir, partName(f))
	if info, err := os.Lstat(under); err == nil {
		have = info.Size()
	}
	if at != have || len(part) == 0 {
		return have, false, nil
	}
	if have == 0 {
		if err := s.begin(dir, f, part); err != nil {
			return 0, false, err
		}
	}
	if have+int64(len(part)) > f.Size {
		return have, false, refusal(fmt.Sprintf("%s is longer than it was said to be.", f.Name), "Choose it again.",
			"Copy it from the camera again.")
	}
	if err := add(under, have, part); err != nil {
		os.Remove(under)
		return 0, false, fullOr(f, err)
	}
	if have += int64(len(part)); have < f.Size {
		return have, false, nil
	}
	path := filepath.Join(dir, name)
	if err := finish(under, path, f); err != nil {
		os.Remove(under)
		return 0, false, fullOr(f, err)
	}
	delete(s.declared, under)
	if s.unseen == nil {
		s.unseen = map[string]bool{}
	}
	s.unseen[path] = true
	return have, true, nil
}

// maxNameBytes leaves room to number a name in the 255 that file systems have.
const maxNameBytes = 240

// check refuses what cannot be a camera's file, before any of it is taken.
func (s *store) check(f page.CameraFile) error {
	odd := func(r rune) bool {
		return unicode.IsControl(r) || unicode.Is(unicode.Bidi_Control, r) || strings.ContainsRune(`/\:`, r)
	}
	switch {
	case f.Name == "" || strings.HasPrefix(f.Name, ".") || strings.ContainsFunc(f.Name, odd):
		return refusal(fmt.Sprintf("%q: this file name cannot be used.", f.Name),
			"Rename it with letters, digits and spaces, and choose it again.", "Rename it with letters, digits and spaces.")
	case len(f.Name) > maxNameBytes:
		return refusal(fmt.Sprintf("%q: this file name is too long.", f.Name), "Shorten it, and choose it again.",
			"Shorten it.")
	case !frames.IsFrame(f.Name):
		return refusal(fmt.Sprintf("%s is not a camera's picture, by its name.", f.Name),
			"Choose JPEG, HEIF or raw files.", "Take it out of the folder.")
	case f.Size == 0:
		return refusal(fmt.Sprintf("%s is empty.", f.Name), "Copy it from the camera again.",
			"Copy it from the camera again.")
	case f.Size > s.limits.file:
		return refusal(fmt.Sprintf("%s has %d MB, and %d MB are the most.", f.Name, f.Size>>20, s.limits.file>>20),
			"Choose the JPEG that the camera saved beside it.", "Put the JPEG that the camera saved beside it there.")
	}
	return nil
}

// place is the name that a file gets, as another may have its own, and whether the file is there already.
func (s *store) place(dir string, f page.CameraFile) (name string, there bool, err error) {
	const most = 9 // a camera's numbers begin anew after 9999
	end := filepath.Ext(f.Name)
	for n := range most {
		name = f.Name
		if n > 0 {
			name = fmt.Sprintf("%s %d%s", strings.TrimSuffix(f.Name, end), n+1, end)
		}
		info, err := os.Lstat(filepath.Join(dir, name))
		switch {
		case errors.Is(err, fs.ErrNotExist):
			return name, false, nil
		case err != nil:
			return "", false, err
		case info.Size() == f.Size: // phones give one file another date each time it is chosen
			return name, true, nil
		}
	}
	return "", false, refusal(fmt.Sprintf("%d others are called %s.", most, f.Name), "Rename it, and choose it again.",
		"Rename it.")
}

// partName is the name of a file under way. Files that differ have different ones, and so have two phones' files of one
// name and size.
func partName(f page.CameraFile) string {
	sum := sha256.Sum256(fmt.Appendf(nil, "%s\n%d\n%s", f.Name, f.Size, f.Client))
	return "." + hex.EncodeToString(sum[:12]) + ".part"
}

// begin looks at a file's first bytes and makes room for all of it.
func (s *store) begin(dir string, f page.CameraFile, part []byte) error {
	if !frames.IsPicture(part) {
		return refusal(fmt.Sprintf("%s is no JPEG, HEIF or raw file, whatever its name says.", f.Name),
			"Choose the camera's own file.", "Put the camera's own file there.")
	}
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return fullOr(f, err)
	}
	if err := s.makeRoom(dir, f); err != nil {
		return err
	}
	if s.declared == nil {
		s.declared = map[string]int64{}
	}
	s.declared[filepath.Join(dir, partName(f))] = f.Size
	return nil
}

// keptFile is a file that was taken, or one under way.
type keptFile struct {
	path     string
	size     int64
	modified time.Time
	partial  bool // under way
}

// makeRoom has room for a file: the oldest pictures that were looked at give way. What was seen in them stays on
// record.
func (s *store) makeRoom(dir string, f page.CameraFile) error {
	all, err := s.all()
	if err != nil {
		return err
	}
	total, coming, own, partial := int64(0), int64(0), 0, 0
	for _, k := range all {
		if k.partial && time.Since(k.modified) > s.limits.idle {
			os.Remove(k.path)
			delete(s.declared, k.path)
			continue
		}
		total += k.size
		coming += max(s.declared[k.path]-k.size, 0)
		if k.partial {
			partial++
		} else if filepath.Dir(k.path) == dir {
			own++
		}
	}
	switch {
	case partial >= s.limits.parts:
		return later("%s: %d other files are being received.", f.Name, partial)
	case own >= s.limits.files:
		return refusal(fmt.Sprintf("%s: %d files are the most in one session.", f.Name, s.limits.files),
			"Start a new session for those that follow.", "Start a new session for those that follow.")
	}
	free, err := s.free(s.dir)
	if err != nil {
		return err
	}
	coming += f.Size
	fits := func() bool { return total+coming <= s.limits.kept && coming+s.limits.free <= free }
	unseen := false
	for _, k := range all {
		if fits() {
			return nil
		}
		switch {
		case k.partial:
		case s.unseen[k.path]:
			unseen = true
		case os.Remove(k.path) == nil:
			total, free = total-k.size, free+k.size
		}
	}
	switch {
	case fits():
		return nil
	case unseen:
		return later("%s: those before it are looked at first.", f.Name)
	}
	return diskFull(f)
}

// all lists what is kept, the oldest picture first.
func (s *store) all() (list []keptFile, _ error) {
	err := filepath.WalkDir(s.dir, func(path string, entry fs.DirEntry, err error) error {
		switch {
		case errors.Is(err, fs.ErrNotExist): // no file came yet, or one went meanwhile
			return nil
		case err != nil || !entry.Type().IsRegular():
			return err
		}
		partial := strings.HasSuffix(path, ".part")
		if !partial && !frames.IsFrame(path) {
			return nil
		}
		info, err := entry.Info()
		if err == nil {
			list = append(list, keptFile{path, info.Size(), info.ModTime(), partial})
		}
		return err
	})
	slices.SortFunc(list, func(a, b keptFile) int {
		return cmp.Or(a.modified.Compare(b.modified), cmp.Compare(a.path, b.path))
	})
	return list, err
}

// add writes a part at a file's end.
func add(path string, at int64, part []byte) error {
	file, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE, 0o600)
	if err != nil {
		return err
	}
	_, err = file.WriteAt(part, at)
	return errors.Join(err, file.Close())
}

// finish has a whole file on the disk, under its name and with the date that it has on the phone.
func finish(under, path string, f page.CameraFile) error {
	file, err := os.OpenFile(under, os.O_WRONLY, 0)
	if err != nil {
		return err
	}
	if err := errors.Join(file.Sync(), file.Close()); err != nil {
		return err
	}
	at := time.UnixMilli(f.ModifiedMs)
	if err := os.Chtimes(under, at, at); err != nil {
		return err
	}
	return os.Rename(under, path)
}

func diskFull(f page.CameraFile) error {
	return refusal(fmt.Sprintf("%s was not taken: the machine's disk is full.", f.Name),
		"Make room on the machine, then choose it again; what was taken before it stays.",
		"Make room on the machine; it is tried again in a minute.")
}

// fullOr says in words that the disk is full, or is the error.
func fullOr(f page.CameraFile, err error) error {
	if errors.Is(err, syscall.ENOSPC) || errors.Is(err, syscall.EDQUOT) {
		return diskFull(f)
	}
	return fmt.Errorf("%s cannot be kept: %w", f.Name, err)
}
