package main

import (
	"bytes"
	"net"
	"net/netip"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
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

func TestPairingSaysWhatTheServiceLeft(t *testing.T) {
	folder := t.TempDir()
	m := &Main{Getenv: func(string) string { return folder }}
	at := net.TCPAddrFromAddrPort(netip.MustParseAddrPort("192.168.7.9:8737"))
	require.NoError(t, m.invite(at, "studio", "135790"))
	info, err := os.Stat(filepath.Join(folder, "pairing"))
	require.NoError(t, err)
	assert.Equal(t, os.FileMode(0o600), info.Mode().Perm(), "the code is for nobody else")

	out, _, status := pairingIn(t, folder)
	assert.Equal(t, 0, status)
	assert.Equal(t, "  page          http://studio.local:8737/\n  page          http://192.168.7.9:8737/\n"+
		"  pairing code  135790\n", out)
	out, _, _ = pairingIn(t, folder, "--json")
	assert.JSONEq(t, `{"pages": ["http://studio.local:8737/", "http://192.168.7.9:8737/"], "code": "135790"}`, out)

	require.NoError(t, m.invite(at, "", "2"), "the next start has another code")
	out, _, _ = pairingIn(t, folder)
	assert.Equal(t, "  page          http://192.168.7.9:8737/\n  pairing code  2\n", out)
}

// A page that only this machine can open has no name for others.
func TestPairingOnThisMachineAlone(t *testing.T) {
	folder := t.TempDir()
	m := &Main{Getenv: func(string) string { return folder }}
	require.NoError(t, m.invite(net.TCPAddrFromAddrPort(netip.MustParseAddrPort("127.0.0.1:8737")), "studio", "1"))
	out, _, _ := pairingIn(t, folder)
	assert.Equal(t, "  page          http://127.0.0.1:8737/\n  pairing code  1\n", out)
}

// Without a folder from the service manager nothing is written anywhere.
func TestNoInvitationByHand(t *testing.T) {
	m := &Main{Getenv: func(string) string { return "" }}
	assert.NoError(t, m.invite(net.TCPAddrFromAddrPort(netip.MustParseAddrPort("127.0.0.1:1")), "", "1"))
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
	assert.Contains(t, says, `"now" is too much`)
}
