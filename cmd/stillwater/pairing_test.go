package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"log/slog"
	"net/http"
	"net/netip"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/gorilla/websocket"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/pairing"
)

// pairingIn runs "stillwater pairing" where the service would have the folder.
func pairingIn(t *testing.T, folder string, args ...string) (stdout, stderr string, status int) {
	t.Helper()
	var out, errs bytes.Buffer
	m := &Main{Stdout: &out, Stderr: &errs, Getenv: func(key string) string {
		if key == "RUNTIME_DIRECTORY" {
			return folder
		}
		return ""
	}}
	status = m.Run(t.Context(), append([]string{"pairing"}, args...))
	return out.String(), errs.String(), status
}

// publish keeps the invitation in a folder for a page at an address.
func publish(t *testing.T, folder, address, name string) *pairing.Publisher {
	t.Helper()
	return pairing.NewPublisher(func(string) string { return folder },
		pairing.Invitation{Listening: netip.MustParseAddrPort(address), Name: name},
		slog.New(slog.NewTextHandler(failure{t}, nil)))
}

// failure is a log in which nothing should be.
type failure struct{ t *testing.T }

func (f failure) Write(line []byte) (int, error) {
	f.t.Errorf("logged: %s", line)
	return len(line), nil
}

func TestPairingSaysWhatTheServiceLeft(t *testing.T) {
	folder := t.TempDir()
	published := publish(t, folder, "192.168.7.9:8737", "studio")
	published.SetCode("135790")
	info, err := os.Stat(filepath.Join(folder, "pairing"))
	require.NoError(t, err)
	assert.Equal(t, os.FileMode(0o600), info.Mode().Perm(), "the code is for nobody else")

	out, _, status := pairingIn(t, folder)
	assert.Equal(t, 0, status)
	assert.Equal(t, "  page          http://studio.local:8737/\n  page          http://192.168.7.9:8737/\n"+
		"  pairing code  135790\n", out)
	out, _, _ = pairingIn(t, folder, "--json")
	assert.JSONEq(t, `{"pages": ["http://studio.local:8737/", "http://192.168.7.9:8737/"], "code": "135790"}`, out)

	published.SetCode("01234-ABCDE")
	published.SetName("studio-2.local")
	out, _, _ = pairingIn(t, folder)
	assert.Equal(t, "  page          http://studio-2.local:8737/\n  page          http://192.168.7.9:8737/\n"+
		"  pairing code  01234-ABCDE\n", out)

	publish(t, folder, "192.168.7.9:8737", "").SetCode("2")
	out, _, _ = pairingIn(t, folder)
	assert.Equal(t, "  page          http://192.168.7.9:8737/\n  pairing code  2\n", out, "the next start has another")
}

// A page that only this machine can open has no name for others.
func TestPairingOnThisMachineAlone(t *testing.T) {
	folder := t.TempDir()
	publish(t, folder, "127.0.0.1:8737", "studio").SetCode("1")
	out, _, _ := pairingIn(t, folder)
	assert.Equal(t, "  page          http://127.0.0.1:8737/\n  pairing code  1\n", out)
}

// Without a folder from the service manager nothing is written anywhere.
func TestNoInvitationByHand(t *testing.T) {
	publish(t, "", "127.0.0.1:1", "").SetCode("1")
}

// A daemon that runs as a service: somebody's guesses change its code, which the terminal and "stillwater pairing"
// then have, and the administrator's wishes are done while it runs.
func TestTheServiceDoesWhatItsAdministratorAsks(t *testing.T) {
	folder := t.TempDir()
	d := startDaemonIn(t, func(key string) string {
		if key == "RUNTIME_DIRECTORY" {
			return folder
		}
		return ""
	}, "--listen", "127.0.0.1:0", "--journal", filepath.Join(t.TempDir(), "j.db"))
	h := d.pair()
	for range 20 {
		assert.Equal(t, http.StatusForbidden, d.tryCode("x").StatusCode)
	}
	line := waitForLine(t, d.lines, "  pairing code  ")
	d.code = strings.TrimPrefix(line, "  pairing code  ")
	assert.Regexp(t, `^[0-9A-Z]{5}-[0-9A-Z]{5}$`, d.code)
	out, _, _ := pairingIn(t, folder)
	assert.Contains(t, out, line+"\n")
	d.pair()

	out, says, status := pairingIn(t, folder, "--new")
	require.Zero(t, status, says)
	line = waitForLine(t, d.lines, "  pairing code  ")
	assert.Regexp(t, `^  pairing code  [0-9]{6}$`, line)
	assert.Contains(t, out, line+"\n")
	assert.NotContains(t, out, "forgotten")
	d.code = strings.TrimPrefix(line, "  pairing code  ")
	d.pair()

	out, says, status = pairingIn(t, folder, "--forget", "--json")
	require.Zero(t, status, says)
	answer := struct{ Code, Forgotten any }{}
	require.NoError(t, json.Unmarshal([]byte(out), &answer))
	assert.EqualValues(t, 3, answer.Forgotten)
	line = waitForLine(t, d.lines, "  pairing code  ")
	assert.Equal(t, "  pairing code  "+answer.Code.(string), line)
	assert.Equal(t, websocket.ClosePolicyViolation, h.closeCode())
	assert.Equal(t, http.StatusForbidden, d.tryCode(d.code).StatusCode, "the phones knew the old code")

	out, _, _ = pairingIn(t, folder, "--forget")
	assert.Contains(t, out, "Phones forgotten: 0. They have to pair again.\n")
	info, err := os.Stat(filepath.Join(folder, "administrator.sock"))
	require.NoError(t, err)
	assert.Equal(t, os.FileMode(0o600), info.Mode().Perm())

	require.Zero(t, d.stop(), d.log)
	_, says, status = pairingIn(t, folder, "--new")
	assert.Equal(t, 1, status)
	assert.Contains(t, says, "no Stillwater service runs here")
}

// closeCode reads until the connection is closed.
func (h *wsPhone) closeCode() int {
	h.t.Helper()
	for {
		_, _, err := h.conn.ReadMessage()
		if closed := new(websocket.CloseError); errors.As(err, &closed) {
			return closed.Code
		}
		require.NoError(h.t, err)
	}
}

func TestPairingWithoutAService(t *testing.T) {
	folder := t.TempDir()
	_, says, status := pairingIn(t, folder)
	assert.Equal(t, 1, status)
	assert.Contains(t, says, "no Stillwater service runs here; start it with: sudo systemctl start stillwater")

	require.NoError(t, os.WriteFile(filepath.Join(folder, "pairing"), []byte("{"), 0o600))
	_, says, status = pairingIn(t, folder)
	assert.Equal(t, 1, status)
	assert.Contains(t, says, "sudo systemctl restart stillwater")

	_, says, status = pairingIn(t, folder, "now")
	assert.Equal(t, 2, status)
	assert.Contains(t, says, `unexpected argument "now"`)
}
