//go:build unix

package journal

import (
	"os"
	"os/exec"
	"path/filepath"
	"syscall"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/record"
)

// Root may write anything, so that this is tried by a copy of the test program that runs as nobody.
func TestWithoutWritePermission(t *testing.T) {
	dir := t.TempDir()
	program := filepath.Join(dir, "helper")
	self, err := os.Executable()
	require.NoError(t, err)
	code, err := os.ReadFile(self)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(program, code, 0o755))
	try := func(what, path string) string {
		cmd := exec.Command(program)
		cmd.Env = []string{helperEnv + "=" + what, helperPath + "=" + path}
		if os.Getuid() == 0 {
			const nobody = 65534
			cmd.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: nobody, Gid: nobody}}
		}
		out, err := cmd.CombinedOutput()
		require.NoError(t, err, "%s", out)
		return string(out)
	}
	for _, d := range []string{filepath.Dir(dir), dir} {
		require.NoError(t, os.Chmod(d, 0o755))
	}

	path, _ := full(t)
	place := filepath.Join(dir, "place")
	require.NoError(t, os.Rename(filepath.Dir(path), place))
	t.Cleanup(func() { os.Chmod(place, 0o755) }) // so that it can be removed
	path = filepath.Join(place, "journal.db")

	require.NoError(t, os.Chmod(path, 0o444)) // a read-only file in a folder that may be written
	require.NoError(t, os.Chmod(place, 0o777))
	require.NoError(t, os.RemoveAll(path+".lock"))
	said := try("open", path)
	assert.Contains(t, said, record.ErrReadOnly.Error())
	assert.Contains(t, said, path)
	if os.Getuid() == 0 {
		assert.Contains(t, said, path+" belongs to root, and this runs as nobody")
		assert.Contains(t, said, "sudo chown nobody: "+path)
	}

	for _, f := range []string{path + ".lock", path + "-wal", path + "-shm"} {
		require.NoError(t, os.RemoveAll(f))
	}
	require.NoError(t, os.Chmod(place, 0o555)) // a folder that may not be written
	assert.Contains(t, try("open", path), record.ErrReadOnly.Error())
	assert.Contains(t, try("look", path), "copy it with its -wal file to a folder you may write to")
	assert.Contains(t, try("open", filepath.Join(place, "new.db")), record.ErrReadOnly.Error())
	assert.Contains(t, try("open", filepath.Join(place, "deeper", "new.db")), "make its folder")
}
