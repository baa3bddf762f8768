package page

import (
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"slices"
	"strings"
)

// policy lets the page run its own files and talk to this machine, and nothing else.
const policy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; " +
	"manifest-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"

const permissions = "accelerometer=(), camera=(), geolocation=(), gyroscope=(), magnetometer=(), microphone=(), " +
	"payment=(), usb=()"

// guard refuses requests under a foreign host name and puts the security headers on every answer.
func (s *Server) guard(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", policy)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "no-referrer")
		h.Set("Permissions-Policy", permissions)
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Cache-Control", "no-store")
		if !s.hostAllowed(r.Host) {
			http.Error(w, "This machine does not answer to that name. Use its address, or its name ending in .local.",
				http.StatusMisdirectedRequest)
			return
		}
		next.ServeHTTP(w, r)
	})
}

// hostAllowed keeps out DNS rebinding: a foreign name that was made to point at this machine is not one of ours.
func (s *Server) hostAllowed(hostport string) bool {
	host := hostport
	if h, _, err := net.SplitHostPort(hostport); err == nil {
		host = h
	}
	host = strings.TrimSuffix(strings.ToLower(strings.Trim(host, "[]")), ".")
	if _, err := netip.ParseAddr(host); err == nil {
		return true
	}
	if host == "localhost" || (strings.HasSuffix(host, ".local") && host != ".local") {
		return true
	}
	return slices.ContainsFunc(s.opts.Names, func(name string) bool { return strings.EqualFold(name, host) })
}

// sameOrigin says whether the request comes from a page this server gave out. Browsers always send Origin with a
// websocket and with a POST; a request without one is refused too, so that there is one rule.
func sameOrigin(r *http.Request) bool {
	origin, err := url.Parse(r.Header.Get("Origin"))
	if err != nil || (origin.Scheme != "http" && origin.Scheme != "https") || origin.Host == "" {
		return false
	}
	return strings.EqualFold(origin.Host, r.Host)
}

// fromLoopback says whether the request was made on this machine.
func fromLoopback(r *http.Request) bool {
	return remoteAddr(r).IsLoopback()
}

// remoteAddr is the address of the other end; the zero Addr when it cannot be read.
func remoteAddr(r *http.Request) netip.Addr {
	ap, err := netip.ParseAddrPort(r.RemoteAddr)
	if err != nil {
		return netip.Addr{}
	}
	return ap.Addr().Unmap()
}
