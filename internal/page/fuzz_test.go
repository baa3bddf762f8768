package page

import (
	"bufio"
	"bytes"
	"encoding/json"
	"io"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"net/url"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// A body that is accepted is one JSON object with the code in it and nothing else, for a second parser too;
// what people change in a code when they type it does not matter twice.
func FuzzPairBody(f *testing.F) {
	for _, seed := range []string{`{"code":"123456"}`, `{"code":"01234-ABCDE"} `, `{"Code":"1"}`,
		`{"code":"1","code":"2"}`,
		`{"code":null}`, `{"code":1}`, `{"code":"1"}{}`, `["code"]`, `{"code":"\ud800"}`, "{\"code\":\"\xff\"}"} {
		f.Add([]byte(seed))
	}
	f.Fuzz(func(t *testing.T, body []byte) {
		code, err := parsePairBody(body)
		if err != nil {
			require.Empty(t, code)
			require.NotEmpty(t, err.Error())
			return
		}
		var other map[string]any
		require.NoError(t, json.Unmarshal(body, &other))
		require.Equal(t, map[string]any{"code": code}, other)
		strict := json.NewDecoder(bytes.NewReader(body))
		require.NoError(t, strict.Decode(&other))
		require.ErrorIs(t, strict.Decode(&other), io.EOF)
		plain := normalizeCode(code)
		require.Equal(t, plain, normalizeCode(plain))
		require.Equal(t, plain, normalizeCode(" "+strings.ToLower(plain)+"-"))
	})
}

// address is how a browser writes a host that is an address: IPv4, or IPv6 in brackets, with a port or without.
var address = regexp.MustCompile(`^([0-9.]+?|\[[0-9a-f:.]+\])\.?(:[0-9]*)?$`)

// FuzzHost allows only what is written as this machine's names and addresses are.
func FuzzHost(f *testing.F) {
	for _, seed := range []string{"127.0.0.1:8737", "[fe80::1]:8737", "[::1]", "LOCALHOST", "Studio:8737", "studio.local.",
		"evil.example", "127.0.0.1.evil.example", ".local", "", ":80", "[studio]", "::1", "[[::1]]", "fe80::1%25evil.example",
		"\u017ftudio", "studio:evil.example", "]127.0.0.1[", "studio..", "127.0.0.1."} {
		f.Add(seed)
	}
	names := []string{"localhost", "studio", "studio.local"}
	f.Fuzz(func(t *testing.T, header string) {
		if !hostAllowed(header, names) {
			return
		}
		lower := strings.ToLower(header)
		if address.MatchString(lower) {
			at := strings.Trim(address.FindStringSubmatch(lower)[1], "[]")
			_, err := netip.ParseAddr(at)
			require.NoError(t, err, "%q", header)
			return
		}
		host, port, colon := strings.Cut(lower, ":")
		require.Contains(t, names, strings.TrimSuffix(host, "."), "%q", header)
		if _, err := strconv.ParseUint("0"+port, 10, 64); colon {
			require.NoError(t, err, "%q", header)
		}
	})
}

// FuzzOrigin accepts what the standard library takes for scheme, host and port of that host, and nothing beside them.
// The guard has let the host pass before.
func FuzzOrigin(f *testing.F) {
	f.Add("http://studio.local:8737", "studio.local:8737")
	f.Add("https://[::1]:8737", "[::1]:8737")
	f.Add("http://a@studio/c?d#e", "studio")
	f.Add("null", "studio")
	f.Add("http://", "")
	f.Add("HTTP://Studio.local", "studio.local")
	f.Add("http://\u017ftudio", "studio")
	f.Add("http://studio/", "studio")
	f.Fuzz(func(t *testing.T, origin, host string) {
		if !hostAllowed(host, []string{"localhost", "studio", "studio.local"}) {
			return
		}
		r := httptest.NewRequest(http.MethodGet, "/", http.NoBody)
		r.Host = host
		r.Header["Origin"] = []string{origin}
		if !sameOrigin(r) {
			require.NotEqual(t, "http://"+host, origin, "the page's own")
			return
		}
		u, err := url.Parse(origin)
		require.NoError(t, err)
		require.Contains(t, []string{"http", "https"}, u.Scheme)
		require.True(t, strings.EqualFold(u.Host, host), "%q, %q", u.Host, host)
		u.Scheme, u.Host = "", ""
		require.Equal(t, url.URL{}, *u, "nothing beside them")
	})
}

// Whatever is asked, every answer has the guards' headers, a status that fits it, and a body as long as it says.
func FuzzRequest(f *testing.F) {
	for _, seed := range []string{"GET / HTTP/1.1\r\nHost: localhost\r\nAccept-Encoding: gzip;q=0\r\n\r\n",
		"HEAD /index.html HTTP/1.1\r\nHost: 127.0.0.1:1\r\nIf-None-Match: *\r\n\r\n",
		"POST /pair HTTP/1.1\r\nHost: studio\r\nOrigin: http://studio\r\nContent-Type: application/json\r\n" +
			"Content-Length: 12\r\n\r\n{\"code\":\"1\"}", "GET /ws HTTP/1.1\r\nHost: studio\r\nUpgrade: websocket\r\n\r\n",
		"GET /../page.go HTTP/1.1\r\nHost: studio\r\n\r\n", "GET /metrics HTTP/1.0\r\n\r\n",
		"GET //evil.example HTTP/1.1\r\nHost: studio\r\nCookie: stillwater=x\r\n\r\n"} {
		f.Add([]byte(seed))
	}
	f.Fuzz(func(t *testing.T, head []byte) {
		r, err := http.ReadRequest(bufio.NewReader(bytes.NewReader(head)))
		if err != nil {
			return
		}
		r.RemoteAddr = "192.0.2.1:5000"
		s, _ := newServer(t, &fakeController{})
		w := httptest.NewRecorder()
		s.Handler().ServeHTTP(w, r)
		answer := w.Result()
		if !strings.HasPrefix(answer.Header.Get("Content-Type"), "text/javascript") {
			require.Equal(t, policy, answer.Header.Get("Content-Security-Policy"))
		}
		require.Equal(t, "nosniff", answer.Header.Get("X-Content-Type-Options"))
		require.Less(t, answer.StatusCode, 500, "%s", head)
		body, err := io.ReadAll(answer.Body)
		require.NoError(t, err)
		if length := answer.Header.Get("Content-Length"); length != "" && r.Method != http.MethodHead {
			require.Equal(t, length, strconv.Itoa(len(body)))
		}
		require.Less(t, len(body), 64<<10)
		require.Empty(t, answer.Header.Values("Access-Control-Allow-Origin"))
		if answer.StatusCode < 300 && answer.StatusCode != http.StatusNoContent {
			require.True(t, hostAllowed(r.Host, []string{"localhost", "studio", "studio.local"}), "%q", r.Host)
		}
		require.False(t, strings.HasPrefix(answer.Header.Get("Location"), "//"), "%q leads elsewhere", r.URL)
	})
}
