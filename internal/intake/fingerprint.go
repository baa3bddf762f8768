package intake

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"stillwater/internal/page"
	"stillwater/internal/regular"
	"stillwater/internal/textfile"
)

// A file's fingerprint tells it from others of its name: it is of its size and its first bytes, which have the time
// when it was taken. The fingerprints of a session's files are in a file beside them, a line each, so that a copy that
// gave way is known when it comes again. What has no line there is known as long as it is there. After a fingerprint
// stands the check of all bytes, which a damaged copy does not share with a good one.
const (
	fingerprintsFile = ".fingerprints"
	checkMark        = "/"
)

// maxFingerprints is how long that file may be, bytes: some 20,000 names of a camera's. Then the older half is
// forgotten. A copy of those that gave way is received again when it comes again, and that costs nothing else.
const maxFingerprints = 1 << 20

// fingerprints holds the fingerprints of one session, in memory until those of another are asked for.
type fingerprints struct {
	dir    string
	byName map[string]known
}

// known is what is known of a file that is or was there. check may be "".
type known struct{ fingerprint, check string }

const hashBytes = 12 // of a fingerprint, and of a key

func hashOf(parts ...[]byte) string {
	sum := sha256.Sum256(bytes.Join(parts, []byte("\n")))
	return hex.EncodeToString(sum[:hashBytes])
}

func (s *store) fingerprintOf(f page.CameraFile, part []byte) string {
	return hashOf(fmt.Append(nil, f.Size), s.first(part))
}

// keyOf names a file under way: files of two phones that begin alike have different keys.
func (s *store) keyOf(f page.CameraFile, part []byte) string {
	return hashOf(fmt.Appendf(nil, "%s\n%d\n%s%s", f.Name, f.Size, f.Client, f.Check), s.first(part))
}

func (s *store) first(part []byte) []byte { return part[:min(int64(len(part)), s.limits.fingerprint)] }

func isKey(text string) bool {
	_, err := hex.DecodeString(text)
	return err == nil && len(text) == 2*hashBytes
}

// fingerprintNamed is the fingerprint of the file that has or had a name; the error is fs.ErrNotExist if none has.
func (s *store) fingerprintNamed(dir, name string) (string, error) {
	if s.fingerprints.dir != dir {
		s.fingerprints = readFingerprints(dir)
	}
	path := filepath.Join(dir, name)
	info, err := os.Lstat(path)
	if err == nil && !info.Mode().IsRegular() {
		return "", regular.Problem(info.Mode())
	}
	if was, has := s.fingerprints.byName[name]; has {
		return was.fingerprint, nil
	}
	if err != nil {
		return "", err
	}
	return s.fingerprintAt(path, info.Size())
}

// fingerprintAt reads the first bytes of a file.
func (s *store) fingerprintAt(path string, size int64) (string, error) {
	file, err := regular.Open(path)
	if err != nil {
		return "", err
	}
	defer file.Close()
	first, err := io.ReadAll(io.LimitReader(file, s.limits.fingerprint))
	return s.fingerprintOf(page.CameraFile{Size: size}, first), err
}

// checkAt is the check of a kept file.
func (s *store) checkAt(path string) (string, error) {
	file, err := regular.Open(path)
	if err != nil {
		return "", err
	}
	defer file.Close()
	return checkOf(file, s.holdsUp)
}

// checkOf is the CRC-32 of a file (ISO 3309, polynomial 0x04C11DB7), as a page computes it. It ends when
// something holds it up.
func checkOf(file io.Reader, holdsUp func() bool) (string, error) {
	sum, piece := crc32.NewIEEE(), make([]byte, 256<<10)
	for {
		n, err := file.Read(piece)
		sum.Write(piece[:n])
		switch {
		case errors.Is(err, io.EOF):
			return fmt.Sprintf("%08x", sum.Sum32()), nil
		case err != nil:
			return "", err
		case holdsUp():
			return "", page.ErrArmed
		}
	}
}

// half reports whether one of two files is only the beginning of the other, and which is then kept: that one, if it is
// there, or else the other, which replaces it. It ends when something holds it up.
func (s *store) half(kept, whole string) (half bool, is presence, err error) {
	var files [2]*os.File
	var sizes [2]int64
	for n, path := range []string{kept, whole} {
		file, err := regular.Open(path)
		if errors.Is(err, fs.ErrNotExist) || errors.Is(err, regular.ErrNotRegular) {
			return false, absent, nil
		}
		if err != nil {
			return false, absent, err
		}
		defer file.Close()
		info, err := file.Stat()
		if err != nil {
			return false, absent, err
		}
		files[n], sizes[n] = file, info.Size()
	}
	if sizes[0] > sizes[1] {
		is = there
	}
	common := min(sizes[0], sizes[1])
	if common == 0 || sizes[0] == sizes[1] {
		return false, is, nil
	}
	half, err = s.equal(io.LimitReader(files[0], common), io.LimitReader(files[1], common))
	return half, is, err
}

// equal reports whether two files of one length are the same.
func (s *store) equal(a, b io.Reader) (bool, error) {
	var pieces [2][256 << 10]byte
	for {
		n, err := io.ReadFull(a, pieces[0][:])
		m, errB := io.ReadFull(b, pieces[1][:])
		switch {
		case !bytes.Equal(pieces[0][:n], pieces[1][:m]):
			return false, nil
		case err == io.EOF || err == io.ErrUnexpectedEOF:
			return true, nil
		case err != nil || errB != nil:
			return false, errors.Join(err, errB)
		case s.holdsUp():
			return false, page.ErrArmed
		}
	}
}

// readFingerprints reads a session's fingerprints; a file that cannot be read has none.
func readFingerprints(dir string) fingerprints {
	p := fingerprints{dir, map[string]known{}}
	for line := range bytes.Lines(newestLines(dir, maxFingerprints)) {
		p.add(string(line))
	}
	return p
}

// newestLines are the last whole lines of a session's file, of so many bytes at most.
func newestLines(dir string, most int64) []byte {
	file, err := regular.Open(filepath.Join(dir, fingerprintsFile))
	if err != nil {
		return nil // a copy that gave way is received again
	}
	defer file.Close()
	info, err := file.Stat()
	if err != nil {
		return nil
	}
	from := max(info.Size()-most, 0)
	text, _ := io.ReadAll(io.NewSectionReader(file, from, most))
	if from > 0 { // what it begins with is the end of a line
		_, text, _ = bytes.Cut(text, []byte("\n"))
	}
	return text
}

// add adds a line; one that is not whole says nothing.
func (p *fingerprints) add(line string) {
	marks, name, whole := strings.Cut(strings.TrimSuffix(line, "\n"), " ")
	fingerprint, check, _ := strings.Cut(marks, checkMark)
	if whole && isKey(fingerprint) {
		p.byName[name] = known{fingerprint, check}
	}
}

func (s *store) keepFingerprint(dir, name string, is known) {
	s.fingerprints.byName[name] = is
	path := filepath.Join(dir, fingerprintsFile)
	file, err := regular.OpenFile(path, os.O_RDWR|os.O_CREATE|os.O_APPEND, 0o600)
	if err != nil {
		return // it is known as long as it is there
	}
	defer file.Close()
	info, err := file.Stat()
	if err != nil {
		return
	}
	line := fmt.Sprintln(is.fingerprint+checkMark+is.check, name)
	if last := make([]byte, 1); info.Size() > 0 {
		if _, err := file.ReadAt(last, info.Size()-1); err != nil || last[0] != '\n' { // the power was cut in that line
			line = "\n" + line
		}
	}
	_, err = file.WriteString(line)
	if err != nil || info.Size()+int64(len(line)) <= maxFingerprints {
		return
	}
	if err := textfile.Replace(path, newestLines(dir, maxFingerprints/2), 0o600); err == nil {
		s.fingerprints = readFingerprints(dir)
	}
}
