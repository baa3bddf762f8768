package devnode

import (
	"os"
	"os/user"
	"path/filepath"
	"strconv"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/need"
)

func TestGroup(t *testing.T) {
	path := filepath.Join(t.TempDir(), "device")
	require.NoError(t, os.WriteFile(path, nil, 0o600))
	group := os.Getgid()
	if group == 0 { // root's group is no help; root can use another
		daemon, err := user.LookupGroup("daemon")
		if err != nil {
			need.Missing(t, "no group daemon: "+err.Error())
		}
		group, err = strconv.Atoi(daemon.Gid)
		require.NoError(t, err)
		require.NoError(t, os.Chown(path, -1, 0))
		require.NoError(t, os.Chmod(path, 0o660))
		assert.Empty(t, Group(path), "root's")
		require.NoError(t, os.Chown(path, -1, group))
	}
	require.NoError(t, os.Chmod(path, 0o640))
	assert.Empty(t, Group(path), "its members may not write")
	require.NoError(t, os.Chmod(path, 0o660))
	want, err := user.LookupGroupId(strconv.Itoa(group))
	if err != nil {
		need.Missing(t, "this process's group has no name: "+err.Error())
	}
	assert.Equal(t, want.Name, Group(path))
	assert.Empty(t, Group(path+"-none"))
}
