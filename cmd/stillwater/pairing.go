package main

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"net"
	"net/netip"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"sync"

	"stillwater/internal/mdns"
	"stillwater/internal/page"
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

// inviter keeps address, name and code of the page where people look for them, each time one of them changes: on the
// terminal, and in the invitation if the daemon was given a folder for it, as a service is.
type inviter struct {
	m      *Main
	folder string // "": no invitation
	log    *slog.Logger

	mu sync.Mutex
	in invitation
}

func (m *Main) newInviter(listening net.Addr, name string, log *slog.Logger) *inviter {
	i := &inviter{m: m, folder: m.Getenv("RUNTIME_DIRECTORY"), log: log, in: invitation{Name: name}}
	at, err := netip.ParseAddrPort(listening.String())
	if err != nil {
		log.Warn("\"stillwater pairing\" cannot say where the page is", "err", err)
		i.folder = ""
	}
	i.in.Listening = at
	return i
}

// code takes the first code, which announce shows on the terminal.
func (i *inviter) code(code string) { i.update(func(in *invitation) { in.Code = code }) }

// name takes the name that the page has on the network now.
func (i *inviter) name(name string) {
	i.update(func(in *invitation) { in.Name = strings.TrimSuffix(name, ".local") })
}

// changed takes another code and shows it.
func (i *inviter) changed(change page.CodeChange) {
	i.code(change.Code)
	why := "There is a new pairing code, as was asked for."
	if change.Guessed {
		why = "Somebody typed many wrong pairing codes. The old code is void; the new one is too long to guess."
	}
	fmt.Fprintf(i.m.Stdout, "\n%s\n\n  pairing code  %s\n\n", why, change.Code)
	i.m.drawCode(i.in.Listening, change.Code)
}

// update changes the invitation and writes it.
func (i *inviter) update(change func(*invitation)) {
	i.mu.Lock()
	defer i.mu.Unlock()
	change(&i.in)
	if i.folder == "" {
		return
	}
	text, err := json.Marshal(i.in)
	path := filepath.Join(i.folder, "pairing")
	if err == nil {
		err = errors.Join(os.WriteFile(path+".new", text, 0o600), os.Rename(path+".new", path))
	}
	if err != nil {
		i.log.Warn("the pairing code cannot be written for \"stillwater pairing\"", "err", err)
	}
}

const pairingUsage = `stillwater pairing says where the page of the installed service is, and the code that pairs
a phone. The code is for whoever administers this machine: sudo stillwater pairing
A Stillwater that was started by hand shows its code where it was started; started again it has a
new one, and with --forget-phones it knows no phone any more.

It is six digits. Once 20 wrong codes were typed, by whoever, it is longer, so that nobody can guess
it and nobody has to wait; --new goes back to six digits.

`

// pairing says where the service's page is and with which code a phone pairs.
func (m *Main) pairing(ctx context.Context, args []string) error {
	flags := flag.NewFlagSet("pairing", flag.ContinueOnError)
	flags.SetOutput(io.Discard)
	asJSON := flags.Bool("json", false, "write JSON")
	renew := flags.Bool("new", false, "make a new code first")
	forget := flags.Bool("forget", false, "forget all phones first: they are out at once and need the new code")
	if err := m.onlyFlags(flags, args, pairingUsage, "", ""); err != nil {
		return err
	}
	var done adminReply
	var err error
	switch {
	case *forget:
		done, err = m.postToService(ctx, forgetPath)
	case *renew:
		done, err = m.postToService(ctx, renewPath)
	}
	if err != nil {
		return err
	}
	in, err := m.readInvitation()
	if err != nil {
		return err
	}
	return m.showInvitation(in, done, *asJSON)
}

// invitationFolder is where the service leaves the invitation and listens for its administrator.
func (m *Main) invitationFolder() string { return cmp.Or(m.Getenv("RUNTIME_DIRECTORY"), runtimeFolder) }

func (m *Main) readInvitation() (in invitation, err error) {
	text, err := os.ReadFile(filepath.Join(m.invitationFolder(), "pairing"))
	if err != nil {
		return in, explainService(err)
	}
	if in, err = parseInvitation(text); err != nil {
		return in, fmt.Errorf("pairing: the service's file is damaged; type: sudo systemctl restart stillwater: %w", err)
	}
	return in, nil
}

// codeForm is what people can read off a screen and type.
var codeForm = regexp.MustCompile(`^[0-9A-Za-z-]{1,40}$`)

// parseInvitation reads an invitation that can be shown.
func parseInvitation(text []byte) (in invitation, err error) {
	if err := json.Unmarshal(text, &in); err != nil {
		return invitation{}, err
	}
	if in.Name != "" {
		err = mdns.Check(in.Name)
	}
	switch {
	case err != nil:
		return invitation{}, fmt.Errorf("name: %w", err)
	case !in.Listening.IsValid() || in.Listening.Port() == 0:
		return invitation{}, errors.New("listening: no address and port")
	case !codeForm.MatchString(in.Code):
		return invitation{}, errors.New("code: no letters and digits")
	}
	return in, nil
}

// explainService says why the service's folder could not be used, and what to do.
func explainService(err error) error {
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return fmt.Errorf("pairing: no Stillwater service runs here; start it with: sudo systemctl start stillwater "+
			"(one that was started by hand shows the code itself, makes a new one when it is started again, and forgets "+
			"all phones when that is with --forget-phones): %w", err)
	case errors.Is(err, fs.ErrPermission):
		return fmt.Errorf("pairing: the code is for whoever administers this machine; type: sudo stillwater pairing: %w", err)
	}
	return fmt.Errorf("pairing: %w", err)
}

// showInvitation finds the machine's addresses anew: the network may have come after the service.
func (m *Main) showInvitation(in invitation, done adminReply, asJSON bool) error {
	urls := in.urls(reachableHosts(in.Listening.Addr(), interfaceAddresses()))
	if asJSON {
		out := struct {
			Pages     []string `json:"pages"`
			Code      string   `json:"code"`
			Forgotten *int     `json:"forgotten,omitempty"`
		}{urls, in.Code, done.Forgotten}
		if err := json.NewEncoder(m.Stdout).Encode(out); err != nil {
			return fmt.Errorf("pairing: %w", err)
		}
		return nil
	}
	if done.Forgotten != nil {
		fmt.Fprintf(m.Stdout, "Phones forgotten: %d. They have to pair again.\n\n", *done.Forgotten)
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
