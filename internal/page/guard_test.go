package page

import (
	"net/http"
	"os"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestForeignHostNamesAreRefused(t *testing.T) {
	_, web := newServer(t, &fakeController{})
	for host, allowed := range map[string]bool{
		"127.0.0.1:8737": true, "192.168.1.20": true, "[fe80::1]:8737": true, "[::1]": true, "localhost:8737": true,
		"LOCALHOST": true, "studio": true, "Studio:8737": true, "studio.local": true, "studio.local.:8737": true,
		"evil.example": false, "127.0.0.1.evil.example": false, "local": false, ".local": false, "evil.local": false,
		"studio.evil.example": false, "studio.local.evil.example:8737": false, "stillwater-2.local": false,
	} {
		answer, body := ask(t, web, "GET", "/", "", func(r *http.Request) { r.Host = host })
		assert.Equal(t, allowed, answer.StatusCode == 200, "%s: %d", host, answer.StatusCode)
		if !allowed {
			assert.Equal(t, http.StatusMisdirectedRequest, answer.StatusCode)
			assert.Contains(t, body, "names: localhost, studio, studio.local.\n", "it says what to do")
		}
	}
}

// The name on the network is another one when another machine has it, and may change at any time.
func TestTheNameOnTheNetworkIsAllowedWhileItIsOurs(t *testing.T) {
	s, web := newServer(t, &fakeController{})
	status := func(host string) int {
		answer, _ := ask(t, web, "GET", "/", "", func(r *http.Request) { r.Host = host })
		return answer.StatusCode
	}
	s.SetName("stillwater-2.local")
	assert.Equal(t, 200, status("stillwater-2.local:8737"))
	assert.Equal(t, 200, status("studio.local:8737"))
	s.SetName("stillwater-3.local")
	assert.Equal(t, 200, status("Stillwater-3.local"))
	assert.Equal(t, http.StatusMisdirectedRequest, status("stillwater-2.local:8737"))
	s.SetName("")
	assert.Equal(t, http.StatusMisdirectedRequest, status("stillwater-3.local"))
	assert.Equal(t, http.StatusMisdirectedRequest, status(":8737"), "no name is not the name of nobody")
}

func TestHostName(t *testing.T) {
	for header, want := range map[string]string{
		"": "", "a": "a", "A.Local.": "a.local", "a:80": "a", "[::1]:80": "::1", "[::1]": "::1", "::1": "", ":80": "",
		"a:80:80": "", "[a]": "", "[[::1]]": "", "a:b": "", "a..": "a.",
	} {
		assert.Equal(t, want, hostName(header), header)
	}
}

func TestOriginMatches(t *testing.T) {
	for _, c := range []struct {
		origin, host string
		want         bool
	}{
		{"http://a.local:8737", "a.local:8737", true}, {"https://A.local:8737", "a.local:8737", true},
		{"http://[::1]:8737", "[::1]:8737", true},
		{"", "a.local", false}, {"null", "a.local", false}, {"http://", "", false}, {"a.local", "a.local", false},
		{"//a.local", "a.local", false}, {"ftp://a.local", "a.local", false}, {"http://a.local", "a.local:8737", false},
		{"http://a.local:80", "a.local:8737", false}, {"http://b.local", "a.local", false},
		{"http://a.local\x00", "a.local", false},
	} {
		assert.Equal(t, c.want, originMatches(c.origin, c.host), "%q from a page of %q", c.host, c.origin)
	}
}

func TestMachineNames(t *testing.T) {
	host, err := os.Hostname()
	require.NoError(t, err)
	own := MachineNames("")
	assert.Contains(t, own, host)
	assert.ElementsMatch(t, append(own, "still-water-of-a-test.local"), MachineNames("still-water-of-a-test"))
	for _, name := range own {
		assert.True(t, hostAllowed(name+":8737", own), name)
	}
}
