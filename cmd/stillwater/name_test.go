package main

import (
	"net/netip"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/mdns"
)

func TestPageName(t *testing.T) {
	for _, c := range []struct {
		args       []string
		configured string
		want       string
	}{
		{nil, "stillwater", "stillwater"}, {nil, "", ""}, {[]string{"--name", "studio"}, "stillwater", "studio"},
		{[]string{"--name", ""}, "stillwater", ""}, {[]string{"--name=studio"}, "", "studio"},
	} {
		f, err := (&Main{}).parseDaemon(c.args)
		require.NoError(t, err)
		got, err := f.pageName(c.configured)
		require.NoError(t, err)
		assert.Equal(t, c.want, got, "%v", c)
	}
	f, err := (&Main{}).parseDaemon([]string{"--name", "still water"})
	require.NoError(t, err)
	_, err = f.pageName("stillwater")
	assert.ErrorIs(t, err, errUsage)
	assert.ErrorContains(t, err, `--name "still water"`)
}

func TestNameWords(t *testing.T) {
	assert.Equal(t, "http://stillwater.local:8737/ (on wlan0, eth0)",
		nameWords(mdns.Status{Name: "stillwater.local", Networks: []string{"wlan0", "eth0"}}, 8737))
	assert.Equal(t, "http://stillwater-2.local:8737/ (on wlan0; stillwater.local is another machine's, at 10.0.0.7)",
		nameWords(mdns.Status{Name: "stillwater-2.local", Networks: []string{"wlan0"},
			Taken: []mdns.TakenByPeer{{Name: "stillwater.local", By: netip.MustParseAddr("10.0.0.7")}}}, 8737))
	assert.Equal(t, "http://stillwater.local:80/ (on wlan0, this machine's own name)",
		nameWords(mdns.Status{Name: "stillwater.local", Networks: []string{"wlan0"}, System: true}, 80))
}
