// Package pairing gives whoever is at the machine what a phone needs to pair: the page's addresses, its name and the
// code. It is behind "stillwater pairing". A service has no terminal, so it keeps them in a file for the machine's
// administrator, and takes requests that no phone may make at a socket beside the file. The pairing itself is package
// page's.
package pairing

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/netip"
	"net/url"
	"regexp"
	"slices"

	"stillwater/internal/mdns"
	"stillwater/internal/render"
)

// Invitation is where the page is found and the code that pairs a phone with it.
type Invitation struct {
	Listening netip.AddrPort `json:"listening"`      // as the page's port was opened
	Name      string         `json:"name,omitempty"` // the page is found as Name.local
	Code      string         `json:"code"`
}

// codeForm is what people can read off a screen and type.
var codeForm = regexp.MustCompile(`^[0-9A-Za-z-]{1,40}$`)

// zoneForm is what a URL can hold of an address's zone (RFC 6874); names of network interfaces are no other.
var zoneForm = regexp.MustCompile(`^[0-9A-Za-z._~-]*$`)

// parse reads an invitation that can be shown.
func parse(text []byte) (in Invitation, err error) {
	if err := json.Unmarshal(text, &in); err != nil {
		return Invitation{}, err
	}
	if in.Name != "" {
		err = mdns.Check(in.Name)
	}
	switch {
	case err != nil:
		return Invitation{}, fmt.Errorf("name: %w", err)
	case !in.Listening.IsValid() || in.Listening.Port() == 0:
		return Invitation{}, errors.New("listening: no address and port")
	case !zoneForm.MatchString(in.Listening.Addr().Zone()):
		return Invitation{}, fmt.Errorf("listening: zone %q is not a network interface", in.Listening.Addr().Zone())
	case !codeForm.MatchString(in.Code):
		return Invitation{}, errors.New("code: no letters and digits")
	}
	return in, nil
}

// Write writes the page's addresses and the code for people.
func (in Invitation) Write(w io.Writer) error {
	for _, page := range in.URLs() {
		fmt.Fprintf(w, "  page          %s\n", page)
	}
	if _, err := fmt.Fprintf(w, "  pairing code  %s\n", in.Code); err != nil {
		return fmt.Errorf("write the pairing code: %w", err)
	}
	return nil
}

// DrawQR draws, after words, the QR code that opens the page and pairs, if w is a terminal and phones can reach the
// page. The link has an address, as not every phone can resolve a name.
func (in Invitation) DrawQR(w io.Writer, words string) {
	if in.Listening.Addr().IsLoopback() || !render.IsTerminal(w) {
		return
	}
	host := reachable(in.Listening.Addr(), interfaceAddresses())[0]
	if qr, err := render.QR(in.url(host) + "#code=" + in.Code); err == nil {
		fmt.Fprintf(w, "%s\n\n%s\n", words, qr)
	}
}

// URLs lists the page's addresses, the name first. The machine's addresses are looked up each time, as a network may
// come up after the page.
func (in Invitation) URLs() []string { return in.urls(interfaceAddresses()) }

// urls is URLs on a machine with these addresses. A page for this machine alone has no name on the network.
func (in Invitation) urls(own []netip.Addr) (urls []string) {
	if in.Name != "" && !in.Listening.Addr().IsLoopback() {
		urls = append(urls, fmt.Sprintf("http://%s.local:%d/", in.Name, in.Listening.Port()))
	}
	for _, host := range reachable(in.Listening.Addr(), own) {
		urls = append(urls, in.url(host))
	}
	return urls
}

func (in Invitation) url(host netip.Addr) string {
	// URL escapes the % of a zone.
	u := url.URL{Scheme: "http", Host: netip.AddrPortFrom(host, in.Listening.Port()).String(), Path: "/"}
	return u.String()
}

// reachable lists the addresses under which a listener can be reached, the likeliest for a phone first.
func reachable(listening netip.Addr, own []netip.Addr) []netip.Addr {
	if !listening.IsUnspecified() {
		return []netip.Addr{listening}
	}
	var hosts []netip.Addr
	for _, a := range own {
		if a.Is4() && !a.IsLoopback() && !a.IsLinkLocalUnicast() {
			hosts = append(hosts, a)
		}
	}
	slices.SortStableFunc(hosts, func(a, b netip.Addr) int { return rank(a) - rank(b) })
	return append(hosts, netip.AddrFrom4([4]byte{127, 0, 0, 1}))
}

func rank(a netip.Addr) int {
	if a.IsPrivate() {
		return 0
	}
	return 1
}

func interfaceAddresses() []netip.Addr {
	list, err := net.InterfaceAddrs()
	if err != nil {
		return nil
	}
	var own []netip.Addr
	for _, a := range list {
		if prefix, err := netip.ParsePrefix(a.String()); err == nil {
			own = append(own, prefix.Addr())
		}
	}
	return own
}
