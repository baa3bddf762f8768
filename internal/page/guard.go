package page

import (
	"net/http"
	"net/netip"
	"os"
	"regexp"
	"slices"
	"strings"
)

// policy lets the page run its own files and talk to this machine, and nothing else.
const policy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; " +
	"manifest-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"

const permissions = "accelerometer=(), camera=(), geolocation=(), gyroscope=(), magnetometer=(), microphone=(), " +
	"payment=(), usb=()"

// documentHeaders govern documents. A page has fifty scripts, whose answers would carry more of them than of script.
var documentHeaders = []string{"Content-Security-Policy", "Permissions-Policy", "Cross-Origin-Opener-Policy"}

// guard refuses requests under a foreign host name and puts the security headers on every answer.
func (s *Server) guard(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Server", serverName)
		h.Set("Content-Security-Policy", policy)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "no-referrer")
		h.Set("Permissions-Policy", permissions)
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Cache-Control", "no-store")
		if names := s.names(); !hostAllowed(r.Host, names) {
			http.Error(w, "This machine does not answer to that name. Open the page at the address that the machine shows, "+
				"or by one of its names: "+strings.Join(names, ", ")+".", http.StatusMisdirectedRequest)
			return
		}
		next.ServeHTTP(w, r)
	})
}

// SetName sets the name under which the page is found at the moment, such as stillwater-2.local; "" is none.
func (s *Server) SetName(name string) { s.name.Store(&name) }

// MachineNames are the names under which a browser may reach this machine: its own, and the one that the page is to
// have on the network, without .local; "" is none.
func MachineNames(pageName string) (names []string) {
	if host, err := os.Hostname(); err == nil {
		short, _, _ := strings.Cut(host, ".")
		names = []string{host, short, short + ".local"}
	}
	if pageName != "" {
		names = append(names, pageName+".local")
	}
	slices.Sort(names)
	return slices.Compact(names)
}

// names are the host names that this machine has.
func (s *Server) names() []string {
	names := append([]string{"localhost"}, s.opts.Names...)
	if name := s.name.Load(); name != nil {
		names = append(names, *name)
	}
	return slices.Compact(slices.DeleteFunc(names, func(name string) bool { return name == "" }))
}

// hostAllowed keeps out DNS rebinding: a foreign name that was made to point at this machine is not one of ours. That
// goes for names ending in .local too, which anybody on the network may take.
func hostAllowed(hostport string, names []string) bool {
	host := hostName(hostport)
	if _, err := netip.ParseAddr(host); err == nil {
		return true
	}
	return slices.ContainsFunc(names, func(name string) bool { return strings.EqualFold(name, host) })
}

// hostForm is a Host header as browsers write it: an IPv6 address in brackets, or a name or an IPv4 address, which may
// end in a dot; then, perhaps, a port.
var hostForm = regexp.MustCompile(`^(?:\[([0-9A-Fa-f.]*:[0-9A-Fa-f:.]+)\]|([\w.-]+?)\.?)(?::\d*)?$`)

// hostName is the host of a Host header, without port, brackets and the dot at the end of a full name; "" for none.
func hostName(hostport string) string {
	m := hostForm.FindStringSubmatch(hostport)
	if m == nil {
		return ""
	}
	return strings.ToLower(m[1] + m[2])
}

// sameOrigin reports whether the request comes from a page this server gave out. Browsers always send Origin with a
// websocket and with a POST; a request without one is refused too, so that there is one rule.
//
// http.CrossOriginProtection is not it: it lets pass every GET, a websocket's too, what has no Origin, and what says
// "Sec-Fetch-Site: none". Browsers send Sec-Fetch-Site to trustworthy addresses only, and plain HTTP on the studio's
// network is none: what counts here is the Origin.
func sameOrigin(r *http.Request) bool { return originMatches(r.Header.Get("Origin"), r.Host) }

// originMatches reports whether an Origin header is that of a page from the host. It has scheme, host and port and
// nothing else: RFC 6454, section 6.2 (from memory).
func originMatches(origin, host string) bool {
	return host != "" && (strings.EqualFold(origin, "http://"+host) || strings.EqualFold(origin, "https://"+host))
}

// fromLoopback reports whether the request was made on this machine.
func fromLoopback(r *http.Request) bool {
	return remoteAddr(r).IsLoopback()
}

// remoteAddr is the address of the other end; the zero Addr when it cannot be read.
func remoteAddr(r *http.Request) netip.Addr { return addrOf(r.RemoteAddr) }

// addrOf is the address in an address with a port; the zero Addr when it cannot be read.
func addrOf(hostport string) netip.Addr {
	ap, err := netip.ParseAddrPort(hostport)
	if err != nil {
		return netip.Addr{}
	}
	return ap.Addr().Unmap()
}
