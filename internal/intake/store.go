package intake

import (
	"cmp"
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

	"golang.org/x/text/unicode/norm"

	"stillwater/internal/control"
	"stillwater/internal/filename"
	"stillwater/internal/frames"
	"stillwater/internal/page"
	"stillwater/internal/regular"
	"stillwater/internal/tether"
	"stillwater/internal/textfile"
)

// limits of what is kept.
type limits struct {
	file        int64         // bytes of one
	fingerprint int64         // first bytes that tell it from another of its name and size
	kept        int64         // bytes of all
	free        int64         // bytes of the disk that are left to the record
	files       int           // of one session
	parts       int           // files under way at once
	ofPhone     int           // of them, of one phone: its oldest gives way to its next
	idle        time.Duration // after which one under way gives way to another's
	left        time.Duration // after which one under way is deleted
}

func usualLimits() limits {
	return limits{file: tether.MaxFile, fingerprint: page.FirstPartBytes, kept: 4 << 30,
		free: 1 << 30, files: 5000, parts: 8, ofPhone: 2, idle: 20 * time.Second, left: 2 * time.Minute}
}

// store is the folder with the files: a folder for each session, by its number. A file under way has a hidden name
// until it is whole, and survives a restart.
type store struct {
	dir    string
	limits limits
	free   func(dir string) (int64, error)

	onRecord func(session int64, frame string) bool

	holdsUp func() bool // nothing is read for long

	gave func(paths []string) // says which copies gave way to a file; nil says nothing

	unseen unseen

	mu           sync.Mutex       // one part is written at a time; not needed to look at frames
	begun        map[string]begun // files under way since the start, by path
	fingerprints fingerprints
}

// unseen are the files that came and were not looked at: they do not give way.
type unseen struct {
	mu    sync.Mutex
	paths map[string]bool
}

func (u *unseen) has(path string) bool {
	u.mu.Lock()
	defer u.mu.Unlock()
	return u.paths[path]
}

// begun is a file under way: how long it is to be, and the phone that sends it.
type begun struct {
	size   int64
	client string
}

// news are the files of a session that came and were not looked at.
func (s *store) news(session int64) (paths []string) {
	s.unseen.mu.Lock()
	defer s.unseen.mu.Unlock()
	for path := range s.unseen.paths {
		if filepath.Dir(path) == s.session(session) {
			paths = append(paths, path)
		}
	}
	return paths
}

// markNew marks that a file came, in memory and by a note beside it for the next start.
func (s *store) markNew(path string) {
	s.unseen.mu.Lock()
	defer s.unseen.mu.Unlock()
	if s.unseen.paths == nil {
		s.unseen.paths = map[string]bool{}
	}
	s.unseen.paths[path] = true
	_ = putNote(filepath.Join(filepath.Dir(path), newsFile), "") // or else it is looked at when its session is opened
}

// looked says that files of a session were looked at.
func (s *store) looked(session int64, paths []string) {
	s.unseen.mu.Lock()
	defer s.unseen.mu.Unlock()
	for _, path := range paths {
		delete(s.unseen.paths, path)
	}
	for path := range s.unseen.paths {
		if filepath.Dir(path) == s.session(session) {
			return
		}
	}
	os.Remove(filepath.Join(s.session(session), newsFile))
}

func (s *store) session(id int64) string { return filepath.Join(s.dir, strconv.FormatInt(id, 10)) }

// notReceived is why a file is not kept: as a refusal for the phone that sends it, and as a remedy for whoever put it
// into a folder.
type notReceived struct {
	*control.Refusal
	inFolder string
	busy     bool // it can be received later
}

func (n *notReceived) Unwrap() error { return n.Refusal }

// Is reports whether it is page.ErrBusy.
func (n *notReceived) Is(target error) bool { return n.busy && target == page.ErrBusy }

func refusal(why, atPhone, inFolder string) error {
	return &notReceived{Refusal: &control.Refusal{Field: "file", Why: why, Remedy: atPhone}, inFolder: inFolder}
}

// later is a refusal of what can be received in a while.
func later(format string, args ...any) error {
	return &notReceived{&control.Refusal{Field: "file", Why: fmt.Sprintf(format, args...),
		Remedy: "Choose it again later."},
		"It is tried again in a minute.", true}
}

// received is the result of taking a part: have bytes of the file are there, and it is known by its key. whole: all of
// it is there now and was not before; name is what it is called then. gone: its copy gave way to others.
type received struct {
	have  int64
	key   string
	whole bool
	name  string
	gone  bool
}

// presence is whether a session has a file.
type presence int

const (
	absent presence = iota
	there
	gaveWay // it was there and is on record; its copy gave way to others
)

// receive adds a part to a file of a session, see page.Camera.
func (s *store) receive(session int64, f page.CameraFile, at int64, part []byte) (t received, err error) {
	f.Name = norm.NFC.String(f.Name) // one look, one name
	if err := s.check(f, at, part); err != nil {
		return t, err
	}
	if len(part) == 0 && f.Key == "" {
		return t, nil // nothing is known of it yet
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	dir := s.session(session)
	if f.Key == "" {
		name, is, err := s.place(session, f, s.fingerprintOf(f, part), "")
		if err != nil || is != absent {
			return received{have: f.Size, name: name, gone: is == gaveWay}, err
		}
		f.Key = s.keyOf(f, part)
	}
	t.key = f.Key
	under := filepath.Join(dir, partName(f.Key))
	if info, err := os.Lstat(under); err == nil && info.Mode().IsRegular() {
		t.have = info.Size()
	}
	known, isKnown := s.begun[under]
	if isKnown && t.have > 0 && known.size != f.Size { // there is room for the size it began with
		return received{}, refusal(fmt.Sprintf("%s has a different size than when sending began.", f.Name),
			"Choose it again.", "It is tried again in a minute.")
	}
	if t.have == f.Size { // the program ended before it had its name
		return s.complete(session, under, f)
	}
	if at != t.have || len(part) == 0 {
		return t, nil
	}
	switch {
	case at == 0:
		os.Remove(under) // what is left there is no part of a file
		err = s.begin(dir, under, f, part)
	case !isKnown: // it was under way when the program ended
		err = s.resume(under, f, at)
	}
	if err != nil {
		return received{}, err
	}
	if err := add(under, at, part); err != nil {
		os.Remove(under)
		delete(s.begun, under)
		return received{}, fullOr(f, err)
	}
	if t.have += int64(len(part)); t.have < f.Size {
		return t, nil
	}
	return s.complete(session, under, f)
}

// complete gives a file its name when all of it is there.
func (s *store) complete(session int64, under string, f page.CameraFile) (received, error) {
	dir := s.session(session)
	fingerprint, err := s.fingerprintAt(under, f.Size)
	if err != nil {
		return received{}, err
	}
	check, err := s.checkAt(under)
	if err != nil {
		return received{}, err
	}
	delete(s.begun, under)
	if f.Check != "" && f.Check != check {
		os.Remove(under)
		return received{}, refusal(fmt.Sprintf("%s arrived damaged.", f.Name), "Choose it again.",
			"It is tried again in a minute.")
	}
	name, is, err := s.place(session, f, fingerprint, under)
	if errors.Is(err, page.ErrArmed) {
		return received{}, err // all of it is there still
	}
	if err != nil || is != absent { // another phone was faster
		os.Remove(under)
		return received{have: f.Size, name: name}, err
	}
	path := filepath.Join(dir, name)
	if err := finish(under, path, dateOf(f, path, check)); err != nil {
		os.Remove(under)
		return received{}, fullOr(f, err)
	}
	s.keepFingerprint(dir, name, known{fingerprint, check})
	s.markNew(path)
	return received{have: f.Size, key: f.Key, whole: true, name: name}, nil
}

// stemOf is the frame's name of a file's.
func stemOf(name string) string { return strings.TrimSuffix(name, filepath.Ext(name)) }

// check refuses what cannot be a camera's file or its part, before any of it is kept.
func (s *store) check(f page.CameraFile, at int64, part []byte) error {
	switch {
	case len(f.Name) > filename.MaxBytes:
		shorter := fmt.Sprintf("Shorten it to at most %d characters", filename.MaxRunes)
		return refusal(fmt.Sprintf("%s: this file name is too long.", shortened(f.Name)), shorter+", and choose it again.",
			shorter+".")
	case !filename.Usable(f.Name):
		return refusal(fmt.Sprintf("%s: this file name cannot be used.", filename.Visible(f.Name)),
			"Rename it with letters and digits, and choose it again.", "Rename it with letters and digits.")
	case !frames.IsFrame(f.Name):
		return refusal(fmt.Sprintf("%s is not a camera's picture, by its name.", f.Name),
			"Choose JPEG, HEIF or raw files.", "Take it out of the folder.")
	case f.Size == 0:
		return refusal(fmt.Sprintf("%s is empty.", f.Name), "Copy it from the camera again.",
			"Copy it from the camera again.")
	case f.Size > s.limits.file:
		return refusal(fmt.Sprintf("%s has %s; the limit is %s.", f.Name, tether.Megabytes(f.Size),
			tether.Megabytes(s.limits.file)),
			"Choose the JPEG that the camera saved beside it.", "Put the JPEG that the camera saved beside it there.")
	case at+int64(len(part)) > f.Size:
		return refusal(fmt.Sprintf("%s is longer than announced.", f.Name), "Choose it again.",
			"Copy it from the camera again.")
	case f.Key != "" && !isKey(f.Key), f.Key == "" && at > 0,
		f.Key == "" && len(part) > 0 && int64(len(part)) < min(f.Size, s.limits.fingerprint):
		return refusal(fmt.Sprintf("%s: its first part must come first.", f.Name), "Reload the page, and choose it again.",
			"Copy it from the camera again.")
	}
	return nil
}

// shortened is the beginning of a name that is too long.
func shortened(name string) string {
	return filename.Visible(string([]rune(name)[:filename.MaxRunes]) + "\u2026")
}

// place is the name that a file gets, as another may have its own, and whether the file is there already. What is known
// to differ from the copy that is or was there, after the same beginning, replaces it: one of the two is damaged, and a
// person has chosen this one again. Of two files of which one is the other's beginning the longer is kept, as the
// shorter was copied while it was still written: that is known when all of it is there, at the path whole.
func (s *store) place(session int64, f page.CameraFile, fingerprint, whole string) (
	name string, is presence, err error,
) {
	const most = 9 // a camera's numbers begin anew after 9999
	dir := s.session(session)
	end := filepath.Ext(f.Name)
	for n := range most {
		name = f.Name
		if n > 0 {
			name = fmt.Sprintf("%s %d%s", strings.TrimSuffix(f.Name, end), n+1, end)
		}
		taken := false
		for _, like := range frames.NamesLike(name) { // it would be taken for the same frame's
			switch has, err := s.fingerprintNamed(dir, like); {
			case errors.Is(err, fs.ErrNotExist):
				continue
			case errors.Is(err, regular.ErrNotRegular): // it has the name, and is left alone
			case err != nil:
				return "", absent, err
			case has == fingerprint: // phones give one file another date each time it is chosen
				is, err := s.isThere(session, like, f)
				return like, is, err
			case whole != "":
				kept := filepath.Join(dir, like)
				if half, is, err := s.half(kept, whole); half || err != nil {
					return like, is, err
				}
			}
			taken = true
		}
		if !taken {
			return name, absent, nil
		}
	}
	return "", absent, refusal(fmt.Sprintf("%d other files are called %s.", most, f.Name),
		"Rename it, and choose it again.", "Rename it.")
}

// isThere says whether a session has a file under a name; not if the copy is known to be another by the check of all of
// its bytes, nor if it gave way and is wanted back.
func (s *store) isThere(session int64, name string, f page.CameraFile) (presence, error) {
	path := filepath.Join(s.session(session), name)
	was, same := s.fingerprints.byName[name].check, true
	if _, err := os.Lstat(path); err == nil {
		if f.Check != "" {
			is, err := s.checkAt(path)
			if err != nil {
				return absent, err
			}
			same = is == f.Check
		}
		if same {
			return there, nil
		}
		return absent, nil
	}
	same = f.Check == "" || was == "" || was == f.Check
	if same && !f.Again && s.onRecord(session, stemOf(name)) {
		return gaveWay, nil
	}
	return absent, nil
}

// partName is the name of a file under way.
func partName(key string) string { return "." + key + ".part" }

// begin looks at a file's first bytes and makes room for all of it.
func (s *store) begin(dir, under string, f page.CameraFile, part []byte) error {
	if !frames.IsPicture(part) {
		return refusal(fmt.Sprintf("%s is not a JPEG, HEIF or raw file, whatever its name says.", f.Name),
			"Choose the camera's own file.", "Put the camera's own file there.")
	}
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return fullOr(f, err)
	}
	all, err := s.all()
	if err != nil {
		return err
	}
	if all, err = s.makeTurn(all, f); err != nil {
		return err
	}
	own := 0
	for _, k := range all {
		if !k.partial && filepath.Dir(k.path) == dir {
			own++
		}
	}
	if own >= s.limits.files {
		return refusal(fmt.Sprintf("%s: a session can have at most %d files.", f.Name, s.limits.files),
			"Start a new session for the rest.", "Start a new session for the rest.")
	}
	return s.reserve(all, under, f, f.Size)
}

// resume makes room for the rest of a file.
func (s *store) resume(under string, f page.CameraFile, have int64) error {
	all, err := s.all()
	if err != nil {
		return err
	}
	return s.reserve(all, under, f, f.Size-have)
}

// reserve makes room for the rest of a file, and holds it: others give way, see giveWay.
func (s *store) reserve(all []keptFile, under string, f page.CameraFile, toCome int64) error {
	r, err := s.roomIn(all)
	if err != nil {
		return err
	}
	r.coming += toCome
	others := slices.DeleteFunc(all, func(k keptFile) bool { return k.path == under })
	if err := s.giveWay(others, r, f); err != nil {
		return err
	}
	if s.begun == nil {
		s.begun = map[string]begun{}
	}
	s.begun[under] = begun{f.Size, f.Client}
	return nil
}

// keptFile is a file that was received, or one under way.
type keptFile struct {
	path     string
	size     int64
	modified time.Time
	partial  bool // under way
}

// age is how long nobody went on with a file under way. One from the future is of before the clock was set back.
func (k keptFile) age() time.Duration { return time.Since(k.modified).Abs() }

// room is how many bytes are kept, are still to come of the files under way, and are free on the disk.
type room struct{ kept, coming, free int64 }

func (s *store) roomIn(all []keptFile) (r room, err error) {
	for _, k := range all {
		r.kept += k.size
		r.coming += s.toCome(k)
	}
	r.free, err = s.free(s.dir)
	return r, err
}

// toCome is how many bytes are still to come of a file.
func (s *store) toCome(k keptFile) int64 { return max(s.begun[k.path].size-k.size, 0) }

func (s *store) fits(r room) bool {
	return r.kept+r.coming <= s.limits.kept && r.coming+s.limits.free <= r.free
}

// giveWay deletes as much as it takes for a file to fit: files under way that nobody goes on with, then the oldest
// pictures that were looked at. What was seen in them stays on record. None is deleted if it does not fit all the same.
func (s *store) giveWay(all []keptFile, r room, f page.CameraFile) error {
	idle := func(k keptFile) bool { return k.partial && k.age() > s.limits.idle }
	slices.SortStableFunc(all, func(a, b keptFile) int {
		switch {
		case idle(a) == idle(b):
			return 0
		case idle(a):
			return -1
		}
		return 1
	})
	var gives, pictures []string
	busy := false
	for _, k := range all {
		switch {
		case s.fits(r):
		case k.partial && !idle(k) || s.unseen.has(k.path):
			busy = true
		default:
			gives = append(gives, k.path)
			if !k.partial {
				pictures = append(pictures, k.path)
			}
			r.kept, r.free = r.kept-k.size, r.free+k.size
			r.coming -= s.toCome(k)
		}
	}
	switch {
	case s.fits(r):
	case busy:
		return later("%s must wait until the files before it are received and looked at.", f.Name)
	default:
		return refusal(fmt.Sprintf("%s was not saved: the machine's disk is nearly full, and what is still free "+
			"is for the record.", f.Name), roomAtPhone, roomInFolder)
	}
	for _, path := range gives {
		if err := os.Remove(path); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return fullOr(f, err)
		}
		delete(s.begun, path)
	}
	if len(pictures) > 0 && s.gave != nil {
		s.gave(pictures)
	}
	return nil
}

// makeTurn makes room for one more file under way. One that nobody goes on with gives way: a phone's own first, then
// the oldest of all. If it is chosen again it is sent from its beginning.
func (s *store) makeTurn(all []keptFile, f page.CameraFile) (left []keptFile, err error) {
	drop := func(k keptFile) { os.Remove(k.path); delete(s.begun, k.path) }
	var under, own []keptFile // the oldest first
	for _, k := range all {
		switch {
		case !k.partial:
			continue
		case k.age() > s.limits.left:
			drop(k)
			continue
		case f.Client != "" && s.begun[k.path].client == f.Client:
			own = append(own, k)
		}
		under = append(under, k)
	}
	gives := slices.Clone(own[:max(0, len(own)-s.limits.ofPhone+1)])
	if len(gives) == 0 && len(under) >= s.limits.parts {
		if oldest := under[0]; oldest.age() <= s.limits.idle {
			return all, later("%s: %d other files are on their way.", f.Name, len(under))
		}
		gives = under[:1]
	}
	for _, k := range gives {
		drop(k)
	}
	return slices.DeleteFunc(all, func(k keptFile) bool {
		return k.partial && (k.age() > s.limits.left || slices.Contains(gives, k))
	}), nil
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
	flags := os.O_WRONLY
	if at == 0 {
		flags |= os.O_CREATE | os.O_EXCL
	}
	file, err := regular.OpenFile(path, flags, 0o600)
	if err != nil {
		return err
	}
	_, err = file.WriteAt(part, at)
	return errors.Join(err, file.Close())
}

// dateOf is the date that a file has on the phone, with a part of a millisecond after its check, so that what was seen
// in a copy that it replaces is not known of it.
func dateOf(f page.CameraFile, path, check string) time.Time {
	sum, _ := strconv.ParseUint(check, 16, 32)
	at := time.UnixMilli(f.ModifiedMs).Add(time.Duration(sum % uint64(time.Millisecond)))
	if was, err := os.Lstat(path); err == nil && was.ModTime().Equal(at) { // it was damaged on this disk
		return at.Add(-time.Millisecond)
	}
	return at
}

// finish gives a whole file its date and its name.
func finish(under, path string, at time.Time) error {
	file, err := regular.OpenFile(under, os.O_WRONLY, 0)
	if err != nil {
		return err
	}
	if err := os.Chtimes(under, at, at); err != nil {
		return errors.Join(err, file.Close())
	}
	return textfile.Place(file, path)
}

func diskFull(f page.CameraFile) error {
	return refusal(fmt.Sprintf("%s was not saved: the machine's disk is full.", f.Name),
		roomAtPhone, roomInFolder)
}

// What to do where there is no room.
const (
	roomAtPhone  = "Make room on the machine, then choose it again; earlier files are kept."
	roomInFolder = "Make room on the machine; it is tried again in a minute."
)

// fullOr says in words that the disk is full, or is the error.
func fullOr(f page.CameraFile, err error) error {
	if errors.Is(err, syscall.ENOSPC) || errors.Is(err, syscall.EDQUOT) {
		return diskFull(f)
	}
	return fmt.Errorf("%s cannot be saved: %w", f.Name, err)
}
