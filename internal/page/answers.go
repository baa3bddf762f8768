package page

import (
	"context"
	"net"
	"net/http"
	"time"
)

// serverName is in the Server header of every answer, by which IsServing knows it.
const serverName = "Stillwater"

// IsServing reports whether Stillwater serves its page at an address as it is configured: ":8737" is this machine's.
func IsServing(ctx context.Context, address string) bool {
	const patience = 2 * time.Second
	host, port, err := net.SplitHostPort(address)
	if err != nil {
		return false
	}
	if ip := net.ParseIP(host); host == "" || ip != nil && ip.IsUnspecified() {
		host = "127.0.0.1"
	}
	ctx, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	request, err := http.NewRequestWithContext(ctx, http.MethodHead, "http://"+net.JoinHostPort(host, port)+"/", nil)
	if err != nil {
		return false
	}
	// One answer, from there: by no proxy, and from no other address that it redirects to.
	answer, err := (&http.Transport{DisableKeepAlives: true}).RoundTrip(request)
	if err != nil {
		return false
	}
	answer.Body.Close()
	return answer.Header.Get("Server") == serverName
}
