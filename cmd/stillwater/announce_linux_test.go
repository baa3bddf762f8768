package main

import (
	"bytes"
	"io"
	"net/netip"
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/care"
	"stillwater/internal/config"
	"stillwater/internal/need"
	"stillwater/internal/page"
	"stillwater/internal/pairing"
)

// announced is what the daemon says at its start when it listens at an address.
func announced(conf config.Config, at string) string {
	var out bytes.Buffer
	m := &Main{Stdout: &out}
	m.announce(conf, invitationAt(at, "012345"))
	return out.String()
}

func invitationAt(at, code string) pairing.Invitation {
	return pairing.Invitation{Listening: netip.AddrPortFrom(netip.MustParseAddr(at), 8737), Code: code}
}

// block is in every line of a drawn QR code.
const block = "\u2580"

func TestAnnounceOnThisMachineOnly(t *testing.T) {
	says := announced(config.Default(), "127.0.0.1")
	assert.Contains(t, says, "page          http://127.0.0.1:8737/\n")
	assert.Contains(t, says, "pairing code  012345\n")
	assert.Contains(t, says, "For a phone on the same network: stillwater --listen :8737")
	assert.Contains(t, says, "simulated board (no configuration)")
	assert.NotContains(t, says, block)
	assert.NotContains(t, says, "real outputs", "nothing is fired")
}

func TestAnnounceOnTheNetwork(t *testing.T) {
	conf, err := config.Load("../../internal/config/testdata/stillwater.toml")
	require.NoError(t, err)
	says := announced(conf, "192.168.4.2")
	assert.Contains(t, says, "page          http://192.168.4.2:8737/\n")
	assert.Contains(t, says, "only paired phones can use it")
	assert.Contains(t, says, "gpio board ("+conf.Path+")")
	assert.NotContains(t, says, block, "nobody is looking")
	assert.NotContains(t, says, "#code=", "an address in a log must not pair")
	for _, caution := range care.Checklist() {
		assert.Contains(t, says, caution.Text, "real outputs: the cautions are said here too")
	}
}

// On a terminal the QR code is drawn as well, but only where a phone can get to.
func TestAnnounceDrawsTheCodeOnATerminal(t *testing.T) {
	for at, draws := range map[string]bool{"192.168.4.2": true, "127.0.0.1": false} {
		outside, screen := need.Terminal(t)
		m := &Main{Stdout: screen}
		go func() {
			m.announce(config.Default(), invitationAt(at, "012345"))
			screen.WriteString("end\n")
		}()
		assert.Equal(t, draws, strings.Contains(readUntil(t, outside, "end\r\n"), block), at)
	}
}

// Whoever runs it by hand sees a new code on the terminal: in words, and drawn.
func TestAnotherCodeIsOnTheTerminal(t *testing.T) {
	outside, screen := need.Terminal(t)
	m := &Main{Stdout: screen, Getenv: func(string) string { return "" }}
	go func() {
		m.showChange(page.CodeChange{Code: "01234-ABCDE", Guessed: true}, invitationAt("192.168.7.9", "01234-ABCDE"))
		screen.WriteString("end\n")
	}()
	says := readUntil(t, outside, "end\r\n")
	assert.Contains(t, says, "  pairing code  01234-ABCDE\r\n")
	assert.Contains(t, says, "many wrong pairing codes")
	assert.Contains(t, says, block)
}

// readUntil reads what comes out of a terminal until it ends so.
func readUntil(t *testing.T, outside io.Reader, end string) string {
	t.Helper()
	var all strings.Builder
	part := make([]byte, 4096)
	for !strings.HasSuffix(all.String(), end) {
		n, err := outside.Read(part)
		require.NoError(t, err, all.String())
		all.Write(part[:n])
	}
	return all.String()
}

// Whatever else the daemon's output is, help ends with the cautions in short.
func TestHelpEndsWithTheCautions(t *testing.T) {
	var out bytes.Buffer
	m := &Main{Stdout: &out, Stderr: os.Stderr}
	require.Zero(t, m.Run(t.Context(), []string{"help"}))
	for _, words := range []string{"12 V DC or less", "optocouplers", "water away from electricity"} {
		assert.Contains(t, out.String(), words)
	}
}
