package intake

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/control"
	"stillwater/internal/frames/framestest"
	"stillwater/internal/need"
	"stillwater/internal/page"
)

func newStore(t *testing.T) *store {
	t.Helper()
	limits := usualLimits()
	limits.fingerprint = 20
	return &store{dir: filepath.Join(t.TempDir(), "frames"), limits: limits,
		free:     func(string) (int64, error) { return math.MaxInt64 / 2, nil },
		onRecord: func(int64, string) bool { return true }}
}

// jpegOf is so many bytes that begin like a JPEG.
func jpegOf(size int) []byte { return append([]byte("\xff\xd8\xff"), make([]byte, size-3)...) }

// put takes a whole file in parts of so many bytes.
func put(s *store, session int64, f page.CameraFile, content []byte, part int) (whole bool, err error) {
	for at := 0; at < len(content) && err == nil && !whole; at += part {
		var t received
		t, err = s.receive(session, f, int64(at), content[at:min(at+part, len(content))])
		f.Key, whole = t.key, t.whole
	}
	return whole, err
}

func kept(t *testing.T, s *store, session int64) (names []string) {
	t.Helper()
	entries, err := os.ReadDir(s.session(session))
	if !errors.Is(err, os.ErrNotExist) {
		require.NoError(t, err)
	}
	for _, e := range entries {
		if e.Name() != fingerprintsFile {
			names = append(names, e.Name())
		}
	}
	return names
}

// A file comes in parts. One that was cut off goes on where it was, after a restart too, and nothing is taken twice.
func TestReceiveGoesOn(t *testing.T) {
	s := newStore(t)
	content := framestest.Plain(300, 200)
	f := page.CameraFile{Name: "PICT0471.JPG", Size: int64(len(content)), ModifiedMs: 1_764_000_000_123}
	got, err := s.receive(4, f, 0, nil)
	require.NoError(t, err)
	assert.Equal(t, received{}, got)
	got, err = s.receive(4, f, 0, content[:1000])
	require.NoError(t, err)
	assert.EqualValues(t, 1000, got.have)
	key := got.key
	for _, at := range []int64{0, 500, 1010} { // the answer was lost, or a part was
		if f.Key = key; at == 0 {
			f.Key = "" // chosen again
		}
		got, err = s.receive(4, f, at, content[at:min(at+100, f.Size)])
		require.NoError(t, err)
		assert.Equal(t, received{have: 1000, key: key}, got, "at %d", at)
	}

	again := &store{dir: s.dir, limits: s.limits, free: s.free, onRecord: s.onRecord}
	got, err = again.receive(4, f, 1000, content[1000:])
	require.NoError(t, err)
	assert.Equal(t, received{f.Size, key, true, f.Name}, got)
	read, err := os.ReadFile(filepath.Join(again.session(4), f.Name))
	require.NoError(t, err)
	assert.True(t, bytes.Equal(content, read))
	info, err := os.Stat(filepath.Join(again.session(4), f.Name))
	require.NoError(t, err)
	assert.Equal(t, f.ModifiedMs, info.ModTime().UnixMilli())
	assert.Equal(t, []string{f.Name}, kept(t, again, 4), "nothing is left beside it")

	f.Key = ""
	got, err = again.receive(4, f, 0, content[:1000])
	require.NoError(t, err)
	assert.Equal(t, received{have: f.Size, name: f.Name}, got, "it is there already")
	other := page.CameraFile{Name: f.Name, Size: 50}
	whole, err := put(again, 4, other, jpegOf(50), 20)
	require.NoError(t, err)
	assert.True(t, whole)
	assert.Equal(t, []string{"PICT0471 2.JPG", "PICT0471.JPG"}, kept(t, again, 4), "another file of that name")
}

// The program ended when all of a file was there, before it had its name: it has it when the file is sent again.
func TestReceiveCompletesAWholePart(t *testing.T) {
	s := newStore(t)
	content := framestest.Plain(300, 200)
	f := page.CameraFile{Name: "PICT0471.JPG", Size: int64(len(content))}
	got, err := s.receive(4, f, 0, content[:1000])
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(filepath.Join(s.session(4), partName(got.key)), content, 0o600))
	again := &store{dir: s.dir, limits: s.limits, free: s.free, onRecord: s.onRecord}
	whole, err := again.receive(4, f, 0, content[:1000])
	require.NoError(t, err)
	assert.Equal(t, received{f.Size, got.key, true, f.Name}, whole)
	assert.Equal(t, []string{f.Name}, kept(t, again, 4))
}

// What is not taken names the file and says what to do, and leaves nothing.
func TestReceiveRefuses(t *testing.T) {
	const big = 1_000_000
	for name, c := range map[string]struct {
		file  page.CameraFile
		first []byte
		says  string
	}{
		"no picture's name": {page.CameraFile{Name: "film.mov", Size: 9}, jpegOf(9), "film.mov is not a camera's picture"},
		"no picture":        {page.CameraFile{Name: "a.jpg", Size: 40}, make([]byte, 40), "a.jpg is no JPEG"},
		"empty":             {page.CameraFile{Name: "a.jpg"}, nil, "a.jpg is empty"},
		"too long": {page.CameraFile{Name: "a.jpg", Size: big + 1}, jpegOf(40),
			"a.jpg has 1.1 MB, and 1 MB are the most."},
		"longer than said":   {page.CameraFile{Name: "a.jpg", Size: 20}, jpegOf(40), "a.jpg is longer than"},
		"a folder":           {page.CameraFile{Name: "../a.jpg", Size: 40}, jpegOf(40), `"../a.jpg": this file name`},
		"hidden":             {page.CameraFile{Name: ".a.jpg", Size: 40}, jpegOf(40), "this file name cannot be used"},
		"two lines":          {page.CameraFile{Name: "a\nb.jpg", Size: 40}, jpegOf(40), `"a\nb.jpg": this file name`},
		"an unseen letter":   {page.CameraFile{Name: "a\u200b.jpg", Size: 40}, jpegOf(40), `u200b.jpg": this file name`},
		"a short first part": {page.CameraFile{Name: "a.jpg", Size: 40}, jpegOf(15), "its first part has to come first"},
		"no first part": {page.CameraFile{Name: "a.jpg", Size: 40, Key: "../../a"}, jpegOf(15),
			"its first part has to come first"},
		"turned round": {page.CameraFile{Name: "a\u202egpj.jpg", Size: 40}, jpegOf(40), `u202egpj.jpg": this file name`},
		"a long name":  {page.CameraFile{Name: strings.Repeat("\u00e9", 140) + ".jpg", Size: 40}, nil, "is too long"},
		"no name":      {page.CameraFile{Size: 40}, jpegOf(40), `"": this file name`},
	} {
		t.Run(name, func(t *testing.T) {
			s := newStore(t)
			s.limits.file = big
			_, err := s.receive(1, c.file, 0, c.first)
			var r *control.Refusal
			require.ErrorAs(t, err, &r)
			assert.Contains(t, r.Why, c.says)
			assert.NotEmpty(t, r.Remedy)
			for _, left := range kept(t, s, 1) {
				assert.Fail(t, "a file is left", left)
			}
		})
	}
}

// The oldest pictures give way, within the bound of all files and so that the record keeps its share of the disk; what
// cannot have room is refused.
func TestRoom(t *testing.T) {
	s := newStore(t)
	s.limits.kept = 1000
	file := func(n int) page.CameraFile {
		return page.CameraFile{Name: fmt.Sprintf("P%04d.JPG", n), Size: 300, ModifiedMs: int64(n) * 1000}
	}
	for _, n := range []int{3, 1, 2} {
		_, err := put(s, int64(n%2), file(n), jpegOf(300), 100)
		require.NoError(t, err)
	}
	_, err := put(s, 1, file(4), jpegOf(300), 100)
	require.ErrorIs(t, err, page.ErrBusy, "nobody looked at those before it")
	assert.Len(t, kept(t, s, 1), 2)
	s.looked(append(s.news(0), s.news(1)...))
	_, err = put(s, 1, file(4), jpegOf(300), 100)
	require.NoError(t, err)
	assert.Equal(t, []string{"P0003.JPG", "P0004.JPG"}, kept(t, s, 1), "the oldest picture, which came second, is gone")
	assert.Equal(t, []string{"P0002.JPG"}, kept(t, s, 0))

	s.looked(s.news(1))
	s.limits.free = 500
	s.free = func(string) (int64, error) { return 600, nil }
	_, err = put(s, 1, file(5), jpegOf(300), 100)
	require.NoError(t, err)
	assert.Empty(t, kept(t, s, 0), "the disk has too little room for all")
	s.looked(s.news(1))
	s.free = func(string) (int64, error) { return 0, nil }
	_, err = put(s, 1, page.CameraFile{Name: "P0006.JPG", Size: 900, ModifiedMs: 6000}, jpegOf(900), 100)
	assert.ErrorContains(t, err, "P0006.JPG was not kept: the machine's disk is full. Make room")
}

// Only so many files are under way at once; one that nobody goes on with gives way.
func TestFilesUnderWay(t *testing.T) {
	s := newStore(t)
	s.limits.parts = 2
	begin := func(n int) error {
		f := page.CameraFile{Name: fmt.Sprintf("P%04d.JPG", n), Size: 300}
		_, err := s.receive(1, f, 0, jpegOf(100))
		return err
	}
	require.NoError(t, begin(1))
	require.NoError(t, begin(2))
	require.ErrorContains(t, begin(3), "P0003.JPG: 2 other files are being received. Choose it again later.")
	require.ErrorIs(t, begin(3), page.ErrBusy)
	for _, name := range kept(t, s, 1) {
		old := time.Now().Add(-s.limits.idle - time.Minute)
		require.NoError(t, os.Chtimes(filepath.Join(s.session(1), name), old, old))
		break
	}
	require.NoError(t, begin(3))
	assert.Len(t, kept(t, s, 1), 2)
	for _, name := range kept(t, s, 1) {
		assert.True(t, strings.HasSuffix(name, ".part"))
	}
	s.limits.files = 0
	assert.ErrorContains(t, begin(4), "files are")
}

// Files under way count with the bytes that they are to have.
func TestRoomForFilesUnderWay(t *testing.T) {
	s := newStore(t)
	s.limits.kept = 1000
	for n, want := range []bool{true, true, true, false} {
		f := page.CameraFile{Name: fmt.Sprintf("P%04d.JPG", n), Size: 300}
		_, err := s.receive(1, f, 0, jpegOf(100))
		assert.Equal(t, want, err == nil, "%d: %v", n, err)
	}
}

// Two phones may send different files of one name and size at once: neither has a part of the other.
func TestOneNameOfTwoPhones(t *testing.T) {
	s := newStore(t)
	ours := page.CameraFile{Client: "a", Name: "P0001.JPG", Size: 300}
	theirs := page.CameraFile{Client: "b", Name: "P0001.JPG", Size: 300}
	got, err := s.receive(1, ours, 0, jpegOf(100))
	require.NoError(t, err)
	ours.Key = got.key
	got, err = s.receive(1, theirs, 0, jpegOf(100)[:20])
	require.NoError(t, err)
	assert.EqualValues(t, 20, got.have)
	assert.NotEqual(t, ours.Key, got.key)
	got, err = s.receive(1, ours, 0, nil)
	require.NoError(t, err)
	assert.EqualValues(t, 100, got.have)
}

// Two different files of one name and size are two, one after the other or at once, and after their copies gave way.
func TestOneNameAndSizeOfTwoFiles(t *testing.T) {
	s := newStore(t)
	f := page.CameraFile{Client: "a", Name: "P0001.JPG", Size: 300}
	one, other := jpegOf(300), jpegOf(300)
	other[10] = 1
	got, err := s.receive(1, f, 0, one[:100])
	require.NoError(t, err)
	whole, err := put(s, 1, f, other, 100)
	require.NoError(t, err)
	assert.True(t, whole, "the second overtakes the first")
	f.Key = got.key
	got, err = s.receive(1, f, 100, one[100:])
	require.NoError(t, err)
	assert.Equal(t, "P0001 2.JPG", got.name)
	for name, want := range map[string][]byte{"P0001.JPG": other, "P0001 2.JPG": one} {
		read, err := os.ReadFile(filepath.Join(s.session(1), name))
		require.NoError(t, err)
		assert.True(t, bytes.Equal(want, read), name)
	}
	f.Key = ""
	for _, copies := range []string{"there", "gone"} {
		for name, content := range map[string][]byte{"P0001.JPG": other, "P0001 2.JPG": one} {
			again := &store{dir: s.dir, limits: s.limits, free: s.free, onRecord: s.onRecord}
			got, err := again.receive(1, f, 0, content[:100])
			require.NoError(t, err)
			assert.Equal(t, received{have: 300, name: name}, got, copies)
			os.Remove(filepath.Join(s.session(1), name))
		}
	}
	third := jpegOf(300)
	third[10] = 3
	whole, err = put(s, 1, f, third, 100)
	require.NoError(t, err)
	assert.True(t, whole)
	assert.Equal(t, []string{"P0001 3.JPG"}, kept(t, s, 1))
}

// A link in a file's place is not followed.
func TestLinksAreNotFollowed(t *testing.T) {
	if noFollow == 0 {
		need.Missing(t, "a system whose links are known here")
	}
	s := newStore(t)
	f := page.CameraFile{Name: "P0001.JPG", Size: 300}
	got, err := s.receive(1, f, 0, jpegOf(300)[:100])
	require.NoError(t, err)
	under := filepath.Join(s.session(1), partName(got.key))
	victim := filepath.Join(t.TempDir(), "victim")
	require.NoError(t, os.WriteFile(victim, make([]byte, 100), 0o600))
	require.NoError(t, os.Remove(under))
	require.NoError(t, os.Symlink(victim, under))
	assert.Error(t, add(under, 100, []byte("more")))
	assert.Error(t, add(under, 0, []byte("more")))
	f.Key = got.key
	got, err = s.receive(1, f, 100, make([]byte, 200))
	require.NoError(t, err)
	assert.Zero(t, got.have, "the link counts for nothing")
	whole, err := put(s, 1, page.CameraFile{Name: f.Name, Size: 300}, jpegOf(300), 100)
	require.NoError(t, err)
	assert.True(t, whole)
	text, err := os.ReadFile(victim)
	require.NoError(t, err)
	assert.Equal(t, make([]byte, 100), text)
}
