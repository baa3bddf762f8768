package boardtest

import (
	"bufio"
	"bytes"
	"encoding/json"
	"os/exec"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/need"
)

// hostFolder has the host and what it reads, for tests whose package is two folders below the repository's.
const hostFolder = "../../testdata/wire"

// SecondHost has a board on a serial port talk to the host in testdata/wire/host.py, which is made from the protocol's
// document alone: it fires two shots by the beam, one by Go, and one through the gate. gate and beam break the board's
// beams, or free them.
func SecondHost(t *testing.T, port string, gate, beam func(broken bool)) {
	t.Helper()
	said := map[string]int{}
	err := runHost(t, func(what string) {
		said[what]++
		switch what {
		case "armed for a throw":
			gate(true)
		case "armed", "armed again", "through the gate":
			beam(true)
		case "shot":
			gate(false)
			beam(false)
		}
	}, "talk", port)
	require.NoError(t, err)
	assert.Equal(t, 4, said["shot"])
	assert.Equal(t, 1, said["go"])
	assert.Equal(t, 1, said["through the gate"])
	assert.Equal(t, 1, said["disarmed"])
}

// SecondHostReads lets the second host decode and encode the examples.
func SecondHostReads(t *testing.T) {
	t.Helper()
	require.NoError(t, runHost(t, func(string) {}, "examples", hostFolder))
}

// runHost runs the host and passes on what it says.
func runHost(t *testing.T, heard func(what string), args ...string) error {
	t.Helper()
	args = append([]string{"-B", filepath.Join(hostFolder, "host.py")}, args...)
	cmd := exec.CommandContext(t.Context(), need.Tool(t, "python3"), args...)
	out, err := cmd.StdoutPipe()
	require.NoError(t, err)
	var complaint bytes.Buffer
	cmd.Stderr = &complaint
	require.NoError(t, cmd.Start())
	for lines := bufio.NewScanner(out); lines.Scan(); {
		t.Logf("host: %s", lines.Text())
		var line struct{ What string }
		require.NoError(t, json.Unmarshal(lines.Bytes(), &line))
		heard(line.What)
	}
	err = cmd.Wait()
	if complaint.Len() > 0 {
		t.Logf("host: %s", &complaint)
	}
	return err
}
