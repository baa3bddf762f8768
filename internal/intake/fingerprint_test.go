package intake

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/filename"
	"stillwater/internal/page"
)

// What is known of copies that gave way is bounded: the oldest of it is forgotten, and what came last is known.
func TestFingerprintsAreBounded(t *testing.T) {
	s := newStore(t)
	file := func(name string) page.CameraFile { return page.CameraFile{Name: name, Size: 300, ModifiedMs: 1000} }
	_, err := put(s, 1, file("FIRST.JPG"), jpegOf(300), 100)
	require.NoError(t, err)
	dir := s.session(1)
	path := filepath.Join(dir, fingerprintsFile)
	var many strings.Builder
	line := func(n int) string { return fmt.Sprintf("%024x/%08x P%07d.JPG\n", n, n, n) }
	most := maxFingerprints / len(line(0))
	for n := range most {
		many.WriteString(line(n))
	}
	require.NoError(t, os.WriteFile(path, []byte(many.String()), 0o600))
	again := &store{dir: s.dir, limits: s.limits, free: s.free, onRecord: s.onRecord, holdsUp: s.holdsUp}
	for _, name := range []string{"NEXT.JPG", "LAST.JPG"} {
		_, err = put(again, 1, file(name), jpegOf(300), 100)
		require.NoError(t, err)
	}
	info, err := os.Stat(path)
	require.NoError(t, err)
	assert.LessOrEqual(t, info.Size(), int64(maxFingerprints/2+2*len(line(0))))
	knows := readFingerprints(dir).byName
	assert.Equal(t, again.fingerprints.byName, knows, "as it is in memory")
	assert.Less(t, len(knows), most/2+3)
	for _, name := range []string{"NEXT.JPG", "LAST.JPG", fmt.Sprintf("P%07d.JPG", most-1)} {
		assert.Contains(t, knows, name)
	}
	assert.NotContains(t, knows, "P0000000.JPG")
	for _, name := range []string{"FIRST.JPG", "LAST.JPG"} {
		is, err := again.receive(1, file(name), 0, jpegOf(100))
		require.NoError(t, err)
		assert.EqualValues(t, 300, is.have, "%s is there, whatever is known of it", name)
	}
	gone, err := again.receive(1, page.CameraFile{Name: "P0000000.JPG", Size: 300}, 0, jpegOf(100))
	require.NoError(t, err)
	assert.EqualValues(t, 100, gone.have, "what is forgotten is received again")

	require.NoError(t, os.WriteFile(path, append([]byte("x"), make([]byte, 4*maxFingerprints)...), 0o600))
	assert.Empty(t, readFingerprints(dir).byName)
}

// Whatever the file has, what is read from it is a fingerprint, and what is kept is read again.
func FuzzFingerprints(f *testing.F) {
	f.Fuzz(func(t *testing.T, content []byte, name string) {
		dir := t.TempDir()
		path := filepath.Join(dir, fingerprintsFile)
		require.NoError(t, os.WriteFile(path, content, 0o600))
		s := &store{fingerprints: readFingerprints(dir)}
		for _, k := range s.fingerprints.byName {
			assert.True(t, isKey(k.fingerprint), "%q", k.fingerprint)
		}
		if !filename.Usable(name) {
			return
		}
		is := known{hashOf(content), "0a1b2c3d"}
		s.keepFingerprint(dir, name, is)
		assert.Equal(t, is, s.fingerprints.byName[name])
		assert.Equal(t, s.fingerprints, readFingerprints(dir))
	})
}
