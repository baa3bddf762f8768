package intake

import (
	"bytes"
	"errors"
	"fmt"
	"hash/crc32"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/control"
	"stillwater/internal/frames/framestest"
	"stillwater/internal/page"
)

func newStore(t *testing.T) *store {
	t.Helper()
	limits := usualLimits()
	limits.fingerprint = 20
	return &store{dir: filepath.Join(t.TempDir(), "frames"), limits: limits,
		free:     func(string) (int64, error) { return math.MaxInt64 / 2, nil },
		onRecord: func(int64, string) bool { return true }, holdsUp: func() bool { return false }}
}

// jpegOf is so many bytes that begin like a JPEG.
func jpegOf(size int) []byte { return append([]byte("\xff\xd8\xff"), make([]byte, size-3)...) }

// put takes a whole file in parts of so many bytes, until all of it is there.
func put(s *store, session int64, f page.CameraFile, content []byte, part int) (whole bool, err error) {
	var t received
	for at := 0; at < len(content) && err == nil && t.have < f.Size; at += part {
		t, err = s.receive(session, f, int64(at), content[at:min(at+part, len(content))])
		f.Key = t.key
	}
	return t.whole, err
}

func kept(t *testing.T, s *store, session int64) (names []string) {
	t.Helper()
	entries, err := os.ReadDir(s.session(session))
	if !errors.Is(err, os.ErrNotExist) {
		require.NoError(t, err)
	}
	for _, e := range entries {
		if e.Name() != fingerprintsFile && e.Name() != newsFile {
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

	again := &store{dir: s.dir, limits: s.limits, free: s.free, onRecord: s.onRecord, holdsUp: s.holdsUp}
	got, err = again.receive(4, f, 1000, content[1000:])
	require.NoError(t, err)
	assert.Equal(t, received{have: f.Size, key: key, whole: true, name: f.Name}, got)
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
	again := &store{dir: s.dir, limits: s.limits, free: s.free, onRecord: s.onRecord, holdsUp: s.holdsUp}
	whole, err := again.receive(4, f, 0, content[:1000])
	require.NoError(t, err)
	assert.Equal(t, received{have: f.Size, key: got.key, whole: true, name: f.Name}, whole)
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
		"no picture":        {page.CameraFile{Name: "a.jpg", Size: 40}, make([]byte, 40), "a.jpg is not a JPEG"},
		"empty":             {page.CameraFile{Name: "a.jpg"}, nil, "a.jpg is empty"},
		"too long": {page.CameraFile{Name: "a.jpg", Size: big + 1}, jpegOf(40),
			"a.jpg has 1.1 MB; the limit is 1 MB."},
		"2^50 bytes": {page.CameraFile{Name: "a.jpg", Size: 1 << 50}, jpegOf(40),
			"a.jpg has 1125899906.9 MB; the limit is 1 MB."},
		"longer than said":   {page.CameraFile{Name: "a.jpg", Size: 20}, jpegOf(40), "a.jpg is longer than"},
		"a folder":           {page.CameraFile{Name: "../a.jpg", Size: 40}, jpegOf(40), "\u201c../a.jpg\u201d: this"},
		"hidden":             {page.CameraFile{Name: ".a.jpg", Size: 40}, jpegOf(40), "this file name cannot be used"},
		"two lines":          {page.CameraFile{Name: "a\nb.jpg", Size: 40}, jpegOf(40), "\u201ca(U+000A)b.jpg\u201d: this"},
		"an unseen letter":   {page.CameraFile{Name: "a\u200b.jpg", Size: 40}, jpegOf(40), "\u201ca(U+200B).jpg\u201d: this"},
		"a short first part": {page.CameraFile{Name: "a.jpg", Size: 40}, jpegOf(15), "its first part must come first"},
		"no first part": {page.CameraFile{Name: "a.jpg", Size: 40, Key: "../../a"}, jpegOf(15),
			"its first part must come first"},
		"turned round": {page.CameraFile{Name: "a\u202egpj.jpg", Size: 40}, jpegOf(40), "(U+202E)gpj.jpg\u201d: this"},
		"a long name": {page.CameraFile{Name: strings.Repeat("\u00e9", 140) + ".jpg", Size: 40}, nil,
			"\u00e9\u2026\u201d: this file name is too long. Shorten it to at most 60 characters"},
		"a very long name":   {page.CameraFile{Name: strings.Repeat("n", 300) + ".jpg", Size: 40}, nil, "too long. Shorten"},
		"looks like another": {page.CameraFile{Name: "a\u3164.jpg", Size: 40}, nil, "\u201ca(U+3164).jpg\u201d: this"},
		"no name":            {page.CameraFile{Size: 40}, jpegOf(40), "\u201c\u201d: this"},
	} {
		t.Run(name, func(t *testing.T) {
			s := newStore(t)
			s.limits.file = big
			_, err := s.receive(1, c.file, 0, c.first)
			var r *control.Refusal
			require.ErrorAs(t, err, &r)
			assert.Contains(t, r.Why+" "+r.Remedy, c.says)
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
	s.looked(0, s.news(0))
	s.looked(1, s.news(1))
	_, err = put(s, 1, file(4), jpegOf(300), 100)
	require.NoError(t, err)
	assert.Equal(t, []string{"P0003.JPG", "P0004.JPG"}, kept(t, s, 1), "the oldest picture, which came second, is gone")
	assert.Equal(t, []string{"P0002.JPG"}, kept(t, s, 0))

	s.looked(1, s.news(1))
	s.limits.free = 500
	s.free = func(string) (int64, error) { return 600, nil }
	_, err = put(s, 1, file(5), jpegOf(300), 100)
	require.NoError(t, err)
	assert.Empty(t, kept(t, s, 0), "the disk has too little room for all")
	s.looked(1, s.news(1))
	s.free = func(string) (int64, error) { return 0, nil }
	_, err = put(s, 1, page.CameraFile{Name: "P0006.JPG", Size: 900, ModifiedMs: 6000}, jpegOf(900), 100)
	assert.ErrorContains(t, err, "P0006.JPG was not saved: the machine's disk is nearly full, and what is still free is "+
		"for the record. Make room")
	assert.NotEmpty(t, kept(t, s, 1), "nothing is deleted for a file that does not fit all the same")
}

// A copy that gave way is said to have done so, and counts, so that a card that is chosen again is not sent again. Sent
// for itself it comes back, under its own name.
func TestCopiesThatGaveWayComeBack(t *testing.T) {
	s := newStore(t)
	s.limits.kept = 700
	var gave []string
	s.gave = func(paths []string) { gave = append(gave, paths...) }
	file := func(n int) (page.CameraFile, []byte) {
		content := jpegOf(300)
		content[10] = byte(n)
		return page.CameraFile{Name: fmt.Sprintf("P%04d.JPG", n), Size: 300, ModifiedMs: int64(n) * 1000}, content
	}
	send := func(n int, again bool) received {
		f, content := file(n)
		f.Again = again
		got, err := s.receive(1, f, 0, content[:100])
		require.NoError(t, err)
		if f.Key = got.key; got.key != "" {
			got, err = s.receive(1, f, 100, content[100:])
			require.NoError(t, err)
		}
		s.looked(1, s.news(1))
		return got
	}
	for n := range 3 {
		assert.True(t, send(n, false).whole)
	}
	assert.Equal(t, []string{filepath.Join(s.session(1), "P0000.JPG")}, gave)
	assert.Equal(t, received{have: 300, name: "P0000.JPG", gone: true}, send(0, false))
	assert.Equal(t, []string{"P0001.JPG", "P0002.JPG"}, kept(t, s, 1))
	back := send(0, true)
	assert.True(t, back.whole)
	assert.Equal(t, "P0000.JPG", back.name)
	assert.Equal(t, []string{"P0000.JPG", "P0002.JPG"}, kept(t, s, 1))
	assert.Equal(t, received{have: 300, name: "P0000.JPG"}, send(0, true), "it is there now")
	s.onRecord = func(int64, string) bool { return false }
	assert.True(t, send(1, false).whole, "of what is not on record nothing is known without its file")
}

// Other pictures whose names differ in the letters or the spelling of the end would be taken for the same frame's.
func TestNamesThatDifferInTheirEnd(t *testing.T) {
	s := newStore(t)
	for i, name := range []string{"P0001.JPG", "P0001.jpg", "P0001.jpeg", "P0001.DNG"} {
		content := jpegOf(300)
		content[10] = byte(i)
		_, err := put(s, 1, page.CameraFile{Name: name, Size: 300}, content, 300)
		require.NoError(t, err)
	}
	assert.Equal(t, []string{"P0001 2.jpg", "P0001 3.jpeg", "P0001.DNG", "P0001.JPG"}, kept(t, s, 1))
	first := jpegOf(300)
	first[10] = 0
	got, err := s.receive(1, page.CameraFile{Name: "P0001.JPEG", Size: 300}, 0, first)
	require.NoError(t, err)
	assert.Equal(t, "P0001.JPG", got.name, "it is the first one, by another name")
}

// Only so many files are under way at once. A phone that begins one after the other keeps only itself waiting; of
// others' the oldest that nobody goes on with gives way.
func TestFilesUnderWay(t *testing.T) {
	s := newStore(t)
	s.limits.parts, s.limits.ofPhone = 4, 2
	age := func(by time.Duration) {
		for _, name := range kept(t, s, 1) {
			info, err := os.Stat(filepath.Join(s.session(1), name))
			require.NoError(t, err)
			old := info.ModTime().Add(-by)
			require.NoError(t, os.Chtimes(filepath.Join(s.session(1), name), old, old))
		}
	}
	begin := func(phone string, n int) error {
		age(time.Second) // which is older is known
		f := page.CameraFile{Client: phone, Name: fmt.Sprintf("P%04d.JPG", n), Size: 300}
		_, err := s.receive(1, f, 0, jpegOf(100))
		return err
	}
	under := func() (phones []string) {
		for _, name := range kept(t, s, 1) {
			require.True(t, strings.HasSuffix(name, ".part"))
			phones = append(phones, s.begun[filepath.Join(s.session(1), name)].client)
		}
		slices.Sort(phones)
		return phones
	}
	for n := range 10 {
		require.NoError(t, begin("hoards", n))
	}
	assert.Equal(t, []string{"hoards", "hoards"}, under())
	require.NoError(t, begin("b", 1))
	require.NoError(t, begin("b", 2))
	require.ErrorContains(t, begin("c", 1), "P0001.JPG: 4 other files are on their way. Choose it again later.")
	require.ErrorIs(t, begin("c", 1), page.ErrBusy)
	require.NoError(t, begin("b", 3), "its own makes room")
	age(s.limits.idle)
	require.NoError(t, begin("c", 1), "after seconds another's does")
	assert.Equal(t, []string{"b", "b", "c", "hoards"}, under())
	age(s.limits.left)
	require.NoError(t, begin("c", 2))
	assert.Equal(t, []string{"c"}, under(), "what nobody went on with for long is gone")
	age(-24 * time.Hour)
	require.NoError(t, begin("b", 4))
	assert.Equal(t, []string{"b"}, under(), "and so is what is of before the clock was set back")
	s.limits.files = 0
	assert.ErrorContains(t, begin("c", 4), "can have at most")
}

// A copy that is damaged after its beginning is replaced by the good file, however often it was looked at and whether
// it is there still; a file that is as its copy is not sent twice.
func TestDamagedCopyIsReplaced(t *testing.T) {
	content := jpegOf(300)
	damaged := slices.Clone(content)
	damaged[200] = 7
	check := func(content []byte) string { return fmt.Sprintf("%08x", crc32.ChecksumIEEE(content)) }
	for _, copies := range []string{"there", "gone", "broken on the disk"} {
		t.Run(copies, func(t *testing.T) {
			s := newStore(t)
			f := page.CameraFile{Name: "P0001.JPG", Size: 300, ModifiedMs: 1_764_000_000_123}
			_, err := put(s, 1, f, damaged, 100)
			require.NoError(t, err)
			path := filepath.Join(s.session(1), f.Name)
			before, err := os.Stat(path)
			require.NoError(t, err)
			switch copies {
			case "gone":
				require.NoError(t, os.Remove(path))
			case "broken on the disk":
				_, err := put(s, 2, f, content, 100)
				require.NoError(t, err)
				path = filepath.Join(s.session(2), f.Name)
				require.NoError(t, os.WriteFile(path, damaged, 0o600))
			}
			session := int64(1)
			if copies == "broken on the disk" {
				session = 2
			}
			again := &store{dir: s.dir, limits: s.limits, free: s.free, onRecord: s.onRecord, holdsUp: s.holdsUp}
			got, err := again.receive(session, f, 0, content[:100])
			require.NoError(t, err)
			assert.Equal(t, received{have: 300, name: f.Name, gone: copies == "gone"}, got, "by its beginning it is there")
			f.Check = check(content)
			whole, err := put(again, session, f, content, 100)
			require.NoError(t, err)
			assert.True(t, whole)
			read, err := os.ReadFile(path)
			require.NoError(t, err)
			assert.True(t, bytes.Equal(content, read))
			assert.Equal(t, []string{f.Name}, kept(t, again, session))
			after, err := os.Stat(path)
			require.NoError(t, err)
			assert.NotEqual(t, before.ModTime(), after.ModTime(), "what was seen in the other is not known of it")
			got, err = again.receive(session, f, 0, content[:100])
			require.NoError(t, err)
			assert.Equal(t, received{have: 300, name: f.Name}, got, "it is there now")
		})
	}
}

// A file that was copied before all of it was written gives way to all of it, whatever came after it and after a
// restart too; half of a file that is there is none of its own. Files that only begin alike are two.
func TestHalfGivesWayToTheWhole(t *testing.T) {
	s := newStore(t)
	s.limits.fingerprint = 120 // more than the first half
	content := framestest.Plain(300, 200)
	other := append(slices.Clone(content), 0) // of another size, or else by its beginning it is the same
	other[len(other)-4]++
	file := func(content []byte) page.CameraFile {
		return page.CameraFile{Name: "P0001.JPG", Size: int64(len(content)), ModifiedMs: 1_764_000_000_123}
	}
	is := func(want ...[]byte) {
		t.Helper()
		names := []string{"P0001.JPG", "P0001 2.JPG"}[:len(want)]
		assert.ElementsMatch(t, names, kept(t, s, 1))
		for n, name := range names {
			read, err := os.ReadFile(filepath.Join(s.session(1), name))
			require.NoError(t, err)
			assert.Equal(t, want[n], read, name)
		}
	}
	var dates []time.Time
	for _, length := range []int{100, 400, 1000, len(content)} {
		whole, err := put(s, 1, file(content[:length]), content[:length], 150)
		require.NoError(t, err)
		assert.True(t, whole)
		is(content[:length])
		info, err := os.Stat(filepath.Join(s.session(1), "P0001.JPG"))
		require.NoError(t, err)
		assert.NotContains(t, dates, info.ModTime(), "what was seen in the other is not known of it")
		dates = append(dates, info.ModTime())
		s = &store{dir: s.dir, limits: s.limits, free: s.free, onRecord: s.onRecord, holdsUp: s.holdsUp}
	}
	for _, length := range []int{100, 1000, len(content)} {
		_, err := put(s, 1, file(content[:length]), content[:length], 150)
		require.NoError(t, err)
		is(content)
	}
	for range 2 {
		_, err := put(s, 1, file(other[:len(other)-2]), other[:len(other)-2], 150)
		require.NoError(t, err)
		is(content, other[:len(other)-2])
	}
	_, err := put(s, 1, file(other), other, 150)
	require.NoError(t, err)
	is(content, other)
}

// Nothing is compared for long while something is armed, and the file that is to be compared is not sent again.
func TestHalfIsComparedLater(t *testing.T) {
	s := newStore(t)
	content := jpegOf(700 << 10)
	f := page.CameraFile{Name: "P0001.JPG", Size: 600 << 10}
	_, err := put(s, 1, f, content[:f.Size], 100<<10)
	require.NoError(t, err)
	asked := 0
	s.holdsUp = func() bool { asked++; return asked == 4 } // three pieces are checked first
	f.Size = int64(len(content))
	_, err = put(s, 1, f, content, 100<<10)
	require.ErrorIs(t, err, page.ErrArmed)
	whole, err := s.receive(1, f, 0, content[:100<<10])
	require.NoError(t, err)
	assert.Equal(t, "P0001.JPG", whole.name)
	assert.Equal(t, []string{"P0001.JPG"}, kept(t, s, 1))
}

// A file that came otherwise than its phone has it is refused, and what is there stays. While something is armed a
// check waits.
func TestCheckOfAFile(t *testing.T) {
	s := newStore(t)
	content := jpegOf(300)
	f := page.CameraFile{Name: "P0001.JPG", Size: 300, Check: "00000000"}
	_, err := put(s, 1, f, content, 100)
	require.ErrorContains(t, err, "P0001.JPG arrived damaged. Choose it again.")
	assert.Empty(t, kept(t, s, 1))
	f.Check = ""
	_, err = put(s, 1, f, content, 100)
	require.NoError(t, err)
	f.Check = "00000000"
	s.holdsUp = func() bool { return true }
	_, err = s.receive(1, f, 0, content[:100])
	require.ErrorIs(t, err, page.ErrArmed)
	s.holdsUp = func() bool { return false }
	_, err = put(s, 1, f, content, 100)
	require.Error(t, err)
	assert.Equal(t, []string{"P0001.JPG"}, kept(t, s, 1))
	read, err := os.ReadFile(filepath.Join(s.session(1), f.Name))
	require.NoError(t, err)
	assert.True(t, bytes.Equal(content, read))
}

// Two names that look the same because their letters are put together differently are one.
func TestComposedNames(t *testing.T) {
	s := newStore(t)
	for n, name := range []string{"Fl\u00fcssig.jpg", "Flu\u0308ssig.jpg"} {
		f := page.CameraFile{Name: name, Size: int64(300 + n)}
		content := jpegOf(300 + n)
		content[10] = byte(n)
		_, err := put(s, 1, f, content, 100)
		require.NoError(t, err)
	}
	assert.Equal(t, []string{"Fl\u00fcssig 2.jpg", "Fl\u00fcssig.jpg"}, kept(t, s, 1))
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

// Room is made for the size that a file began with, and anew for what is left of it after a restart: no later part
// takes what is left to the record.
func TestSizeOfAFileUnderWay(t *testing.T) {
	s := newStore(t)
	s.limits.free = 500
	disk := int64(1000)
	s.free = func(string) (int64, error) { return disk, nil }
	f := page.CameraFile{Client: "a", Name: "P0001.JPG", Size: 300}
	began, err := s.receive(1, f, 0, jpegOf(100))
	require.NoError(t, err)
	disk -= began.have
	f.Key = began.key
	for _, size := range []int64{100, 200, 900} {
		longer := f
		longer.Size = size
		_, err = s.receive(1, longer, 100, make([]byte, min(100, size-100)))
		assert.ErrorContains(t, err, "P0001.JPG has a different size than when sending began. Choose it again.", "%d", size)
	}
	again := &store{dir: s.dir, limits: s.limits, free: s.free, onRecord: s.onRecord, holdsUp: s.holdsUp}
	longer := f
	longer.Size = 900
	_, err = again.receive(1, longer, 100, make([]byte, 100))
	require.ErrorContains(t, err, "P0001.JPG was not saved: the machine's disk is nearly full")
	disk = 699
	_, err = again.receive(1, f, 100, make([]byte, 100))
	require.ErrorContains(t, err, "the machine's disk is nearly full", "the disk has filled meanwhile")
	disk = 700
	went, err := again.receive(1, f, 100, make([]byte, 100))
	require.NoError(t, err)
	assert.EqualValues(t, 200, went.have)
	_, err = again.receive(1, page.CameraFile{Client: "b", Name: "P0002.JPG", Size: 200}, 0, jpegOf(100))
	assert.ErrorIs(t, err, page.ErrBusy, "what it is to have yet is counted again")
}

// What nobody goes on with is room for others before any picture is; while others come, the next one waits.
func TestIdleFilesGiveWay(t *testing.T) {
	s := newStore(t)
	s.limits.kept = 1000
	file := func(n int) page.CameraFile {
		return page.CameraFile{Client: fmt.Sprint(n), Name: fmt.Sprintf("P%04d.JPG", n), Size: 400}
	}
	_, err := put(s, 1, file(1), jpegOf(400), 100)
	require.NoError(t, err)
	s.looked(1, s.news(1))
	idle, err := s.receive(1, file(2), 0, jpegOf(100))
	require.NoError(t, err)
	gave := []string(nil)
	s.gave = func(paths []string) { gave = append(gave, paths...) }
	s.limits.kept = 700
	_, err = s.receive(1, file(3), 0, jpegOf(100))
	require.ErrorIs(t, err, page.ErrBusy)
	assert.ErrorContains(t, err, "P0003.JPG must wait until the files before it are received and looked at. "+
		"Choose it again later.")
	s.limits.kept = 1000
	under := filepath.Join(s.session(1), partName(idle.key))
	old := time.Now().Add(-s.limits.idle - time.Second)
	require.NoError(t, os.Chtimes(under, old, old))
	_, err = s.receive(1, file(3), 0, jpegOf(100))
	require.NoError(t, err)
	assert.NoFileExists(t, under)
	assert.FileExists(t, filepath.Join(s.session(1), "P0001.JPG"))
	assert.Empty(t, gave, "which is said of pictures only")
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
			again := &store{dir: s.dir, limits: s.limits, free: s.free, onRecord: s.onRecord, holdsUp: s.holdsUp}
			got, err := again.receive(1, f, 0, content[:100])
			require.NoError(t, err)
			assert.Equal(t, received{have: 300, name: name, gone: copies == "gone"}, got, copies)
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
