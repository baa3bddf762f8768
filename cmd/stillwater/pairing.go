package main

import (
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"io/fs"
	"net"
	"net/netip"
	"os"
	"path/filepath"

	"stillwater/internal/render"
)

// runtimeFolder is where the service's unit file lets it keep what lasts as long as it runs.
const runtimeFolder = "/run/stillwater/page"

// invitation is what a phone needs to pair. The service leaves it in a file for "stillwater pairing", because nobody
// sees its terminal; only its user and root can read it.
type invitation struct {
	Listening netip.AddrPort `json:"listening"`      // as the page's port was opened
	Name      string         `json:"name,omitempty"` // the page is found as Name.local
	Code      string         `json:"code"`
}

// invite writes the invitation if the daemon was given a folder for it, as a service is.
func (m *Main) invite(listening net.Addr, name, code string) error {
	folder := m.Getenv("RUNTIME_DIRECTORY")
	if folder == "" {
		return nil
	}
	at, err := netip.ParseAddrPort(listening.String())
	if err != nil {
		return fmt.Errorf("write the pairing code: %w", err)
	}
	text, err := json.Marshal(invitation{at, name, code})
	if err != nil {
		return fmt.Errorf("write the pairing code: %w", err)
	}
	path := filepath.Join(folder, "pairing")
	if err := errors.Join(os.WriteFile(path+".new", text, 0o600), os.Rename(path+".new", path)); err != nil {
		return fmt.Errorf("write the pairing code for \"stillwater pairing\": %w", err)
	}
	return nil
}

// pairing says where the service's page is and with which code a phone pairs.
func (m *Main) pairing(_ context.Context, args []string) error {
	flags := flag.NewFlagSet("pairing", flag.ContinueOnError)
	flags.SetOutput(io.Discard)
	asJSON := flags.Bool("json", false, "write JSON")
	const about = "stillwater pairing says where the page of the installed service is, and the code that pairs a " +
		"phone.\nThe code is for whoever administers this machine: sudo stillwater pairing\n\n"
	if err := m.onlyFlags(flags, args, about, "", ""); err != nil {
		return err
	}
	in, err := m.readInvitation()
	if err != nil {
		return err
	}
	return m.showInvitation(in, *asJSON)
}

func (m *Main) readInvitation() (in invitation, err error) {
	folder := m.Getenv("RUNTIME_DIRECTORY")
	if folder == "" {
		folder = runtimeFolder
	}
	text, err := os.ReadFile(filepath.Join(folder, "pairing"))
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return in, fmt.Errorf("pairing: no Stillwater service runs here; start it with: sudo systemctl start stillwater "+
			"(run by hand, \"stillwater\" shows the code itself): %w", err)
	case errors.Is(err, fs.ErrPermission):
		return in, fmt.Errorf("pairing: the code is for whoever administers this machine; say: sudo stillwater pairing: %w",
			err)
	case err != nil:
		return in, fmt.Errorf("pairing: %w", err)
	}
	if err := json.Unmarshal(text, &in); err != nil {
		return in, fmt.Errorf("pairing: the service's file is damaged; say: sudo systemctl restart stillwater: %w", err)
	}
	return in, nil
}

// showInvitation finds the machine's addresses anew: the network may have come after the service.
func (m *Main) showInvitation(in invitation, asJSON bool) error {
	urls := in.urls(reachedAt(in.Listening.Addr(), interfaceAddresses()))
	if asJSON {
		out := struct {
			Pages []string `json:"pages"`
			Code  string   `json:"code"`
		}{urls, in.Code}
		if err := json.NewEncoder(m.Stdout).Encode(out); err != nil {
			return fmt.Errorf("pairing: %w", err)
		}
		return nil
	}
	for _, url := range urls {
		fmt.Fprintf(m.Stdout, "  page          %s\n", url)
	}
	fmt.Fprintf(m.Stdout, "  pairing code  %s\n", in.Code)
	if !render.IsTerminal(m.Stdout) {
		return nil
	}
	// The name comes first for people; a phone's camera gets an address, which every phone can open.
	address := urls[0]
	if in.Name != "" && len(urls) > 1 {
		address = urls[1]
	}
	if qr, err := render.QR(address + "#code=" + in.Code); err == nil {
		fmt.Fprintf(m.Stdout, "\nOr point the phone's camera here:\n\n%s\n", qr)
	}
	return nil
}

// urls lists the page's addresses, the name first. A page for this machine alone has no name on the network.
func (in invitation) urls(hosts []netip.Addr) (urls []string) {
	if in.Name != "" && !in.Listening.Addr().IsLoopback() {
		urls = append(urls, fmt.Sprintf("http://%s.local:%d/", in.Name, in.Listening.Port()))
	}
	for _, host := range hosts {
		urls = append(urls, pageURL(host, in.Listening.Port(), ""))
	}
	return urls
}
