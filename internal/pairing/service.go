package pairing

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"syscall"

	"stillwater/internal/textfile"
)

// serviceFolder is the runtime directory in the service's unit file.
const serviceFolder = "/run/stillwater/page"

// fileName is the invitation's name in the service's folder.
const fileName = "pairing"

// Publisher writes a page's invitation to a file that only this user and root can read, each time it changes.
type Publisher struct {
	folder string // "": nowhere
	log    *slog.Logger

	mu   sync.Mutex
	in   Invitation
	kept string // file; "": none
}

// NewPublisher returns the publisher of a page's invitation, in the folder that the service manager gave this process.
// Without such a folder nothing is written.
func NewPublisher(getenv func(string) string, in Invitation, log *slog.Logger) *Publisher {
	return &Publisher{folder: getenv("RUNTIME_DIRECTORY"), in: in, log: log}
}

// Keep returns the code that an earlier start left in a file, "" if there is none, and has each code from now on kept
// there. Without a path it does nothing.
func (p *Publisher) Keep(path string) (code string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.kept = path
	if path == "" {
		return ""
	}
	text, err := textfile.Read(path, maxKept)
	if err != nil {
		if !errors.Is(err, fs.ErrNotExist) {
			p.log.Warn("the pairing code of the last start cannot be read: there is a new one", "err", err)
		}
		return ""
	}
	return strings.TrimSpace(string(text))
}

// maxKept is more than the longest code, in bytes.
const maxKept = 64

// keep writes the code, on the disk before it counts: a machine that loses its power begins with it again.
func (p *Publisher) keep(code string) error {
	return textfile.Replace(p.kept, []byte(code+"\n"), 0o600)
}

// Published reports whether there is a file: "stillwater pairing" then shows the invitation.
func (p *Publisher) Published() bool { return p.folder != "" }

// SetCode publishes a new code and returns the invitation that has it.
func (p *Publisher) SetCode(code string) Invitation {
	return p.update(func(in *Invitation) {
		if p.kept != "" && in.Code != code {
			if err := p.keep(code); err != nil {
				p.log.Warn("the pairing code cannot be kept: the next start makes another", "err", err)
			}
		}
		in.Code = code
	})
}

// SetName changes the name that the page has on the network.
func (p *Publisher) SetName(name string) {
	p.update(func(in *Invitation) { in.Name = strings.TrimSuffix(name, ".local") })
}

// update changes the invitation and writes it.
func (p *Publisher) update(change func(*Invitation)) Invitation {
	p.mu.Lock()
	defer p.mu.Unlock()
	change(&p.in)
	if p.folder == "" {
		return p.in
	}
	text, err := json.Marshal(p.in)
	path := filepath.Join(p.folder, fileName)
	if err == nil {
		err = textfile.Replace(path, text, 0o600)
	}
	if err != nil {
		p.log.Warn("the pairing code cannot be written for \"stillwater pairing\"", "err", err)
	}
	return p.in
}

// Service is the machine's running service, as its administrator reaches it.
type Service struct{ folder string }

// NewService returns the service of this machine.
func NewService(getenv func(string) string) Service {
	if folder := getenv("RUNTIME_DIRECTORY"); folder != "" {
		return Service{folder}
	}
	return Service{serviceFolder}
}

// Invitation is what the running service says of its addresses and code, read from its file.
func (s Service) Invitation() (in Invitation, err error) {
	text, err := os.ReadFile(filepath.Join(s.folder, fileName))
	if err != nil {
		return in, explain(err)
	}
	if in, err = parse(text); err != nil {
		return in, fmt.Errorf("the service's file is damaged; type: sudo systemctl restart stillwater: %w", err)
	}
	return in, nil
}

// explain says why the service's folder could not be used, and what to do.
func explain(err error) error {
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return fmt.Errorf("no Stillwater service runs here; start it with: sudo systemctl start stillwater "+
			"(one that you started by hand shows the code on its terminal; start it again for a new code, with --forget-phones "+
			"to forget all phones): %w", err)
	case errors.Is(err, fs.ErrPermission):
		return fmt.Errorf("only an administrator of this machine may see the code; type: sudo stillwater pairing: %w", err)
	}
	return err
}

// NewCode makes the service draw a new code.
func (s Service) NewCode(ctx context.Context) error {
	_, err := s.post(ctx, newCodePath)
	return err
}

// ForgetPhones makes the service forget all phones, and returns how many there were.
func (s Service) ForgetPhones(ctx context.Context) (phones int, err error) {
	answer, err := s.post(ctx, forgetPath)
	return answer.Forgotten, err
}

// post posts a request to the service as its administrator.
func (s Service) post(ctx context.Context, path string) (done reply, err error) {
	ctx, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	dial := func(ctx context.Context, _, _ string) (net.Conn, error) {
		return new(net.Dialer).DialContext(ctx, "unix", filepath.Join(s.folder, socketName))
	}
	client := http.Client{Transport: &http.Transport{DialContext: dial}}
	defer client.CloseIdleConnections()
	request, err := http.NewRequestWithContext(ctx, http.MethodPost, "http://service"+path, nil)
	if err != nil {
		return done, err
	}
	answer, err := client.Do(request)
	if errors.Is(err, syscall.ECONNREFUSED) {
		return done, fmt.Errorf("the service does not answer; type: sudo systemctl restart stillwater: %w", err)
	}
	if err != nil {
		return done, explain(err)
	}
	defer answer.Body.Close()
	body, err := io.ReadAll(answer.Body)
	if err == nil && answer.StatusCode != http.StatusOK {
		err = errors.New(strings.TrimSpace(string(body)))
	}
	if err == nil {
		err = json.Unmarshal(body, &done)
	}
	if err != nil {
		return done, fmt.Errorf("the service could not do it: %w", err)
	}
	return done, nil
}
