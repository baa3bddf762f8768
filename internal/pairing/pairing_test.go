package pairing

import (
	"context"
	"errors"
	"io/fs"
	"log/slog"
	"net"
	"net/netip"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestReachable(t *testing.T) {
	own := []netip.Addr{
		netip.MustParseAddr("127.0.0.1"), netip.MustParseAddr("169.254.3.3"), netip.MustParseAddr("203.0.113.7"),
		netip.MustParseAddr("192.168.4.2"), netip.MustParseAddr("fe80::1"),
	}
	assert.Equal(t, []netip.Addr{own[3], own[2], own[0]}, reachable(netip.MustParseAddr("::"), own))
	assert.Equal(t, []netip.Addr{own[3]}, reachable(own[3], own))
	in := Invitation{Listening: netip.MustParseAddrPort("0.0.0.0:8737"), Name: "studio"}
	assert.Equal(t, []string{"http://studio.local:8737/", "http://192.168.4.2:8737/", "http://203.0.113.7:8737/",
		"http://127.0.0.1:8737/"}, in.urls(own))
	in = Invitation{Listening: netip.MustParseAddrPort("[fe80::1%0]:8737")}
	assert.Equal(t, []string{"http://[fe80::1%250]:8737/"}, in.urls(own), "RFC 6874")
}

// pairing is a page with some phones.
type pairing struct {
	codes, phones int
	err           error
}

func (p *pairing) NewCode() { p.codes++ }

func (p *pairing) ForgetPhones(context.Context) (int, error) {
	n := p.phones
	p.phones = 0
	return n, p.err
}

func folder(path string) func(string) string { return func(string) string { return path } }

// What a killed daemon left is no obstacle to the next one, and says itself that nobody is there.
func TestAStaleSocketIsReplaced(t *testing.T) {
	getenv := folder(t.TempDir())
	service := NewService(getenv)
	left, err := net.ListenUnix("unix", &net.UnixAddr{Name: filepath.Join(getenv(""), socketName), Net: "unix"})
	require.NoError(t, err)
	left.SetUnlinkOnClose(false)
	require.NoError(t, left.Close())
	assert.ErrorContains(t, service.NewCode(t.Context()), "sudo systemctl restart stillwater")

	p := &pairing{phones: 3}
	done := Serve(t.Context(), getenv, p, slog.New(slog.DiscardHandler))
	require.NoError(t, service.NewCode(t.Context()))
	assert.Equal(t, 1, p.codes)
	phones, err := service.ForgetPhones(t.Context())
	require.NoError(t, err)
	assert.Equal(t, 3, phones)
	p.err = errors.New("the disk is full")
	_, err = service.ForgetPhones(t.Context())
	assert.ErrorContains(t, err, "the service could not do it: the disk is full")
	info, err := os.Stat(filepath.Join(getenv(""), socketName))
	require.NoError(t, err)
	assert.Equal(t, os.FileMode(0o600), info.Mode().Perm())
	done()
	assert.ErrorIs(t, service.NewCode(t.Context()), fs.ErrNotExist)
}

// Without a folder from the service manager nothing is written and nobody is answered.
func TestStartedByHand(t *testing.T) {
	t.Chdir(t.TempDir())
	NewPublisher(folder(""), Invitation{}, slog.Default()).SetCode("1")
	Serve(t.Context(), folder(""), &pairing{}, slog.Default())()
	entries, err := os.ReadDir(".")
	require.NoError(t, err)
	assert.Empty(t, entries)
	assert.Equal(t, Service{serviceFolder}, NewService(folder("")))
}

// The next start has the same code, whatever became of the file in between.
func TestTheCodeIsKept(t *testing.T) {
	path := filepath.Join(t.TempDir(), "pairing-code")
	start := func() (*Publisher, string) {
		p := NewPublisher(folder(""), Invitation{}, slog.New(slog.DiscardHandler))
		return p, p.Keep(path)
	}
	p, code := start()
	assert.Empty(t, code)
	p.SetCode("135790")
	p.SetName("stillwater.local")
	_, code = start()
	assert.Equal(t, "135790", code)
	info, err := os.Stat(path)
	require.NoError(t, err)
	assert.Equal(t, os.FileMode(0o600), info.Mode().Perm())

	p.SetCode("01234-ABCDE")
	_, code = start()
	assert.Equal(t, "01234-ABCDE", code)
	require.NoError(t, os.WriteFile(path, make([]byte, 1000), 0o600))
	p, code = start()
	assert.Empty(t, code, "damaged")
	p.SetCode("246801")
	_, code = start()
	assert.Equal(t, "246801", code)

	assert.Empty(t, NewPublisher(folder(""), Invitation{}, slog.Default()).Keep(""))
}
