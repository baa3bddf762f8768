package main

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
	"syscall"
	"time"

	"stillwater/internal/page"
)

// The running service takes from its administrator what no phone may ask for, at a socket beside the invitation: who
// may read the one may open the other. It speaks HTTP.
const (
	adminSocket  = "administrator.sock"
	renewPath    = "/new-code"
	forgetPath   = "/forget-phones"
	adminTimeout = 30 * time.Second // for the journal on a slow card
)

// adminReply is the service's answer.
type adminReply struct {
	Forgotten *int `json:"forgotten,omitempty"` // phones; nil: none were to be forgotten
}

// serveAdmin answers the administrator until the context ends, if the daemon was given a folder for it, as a
// service is. Call what it returns to wait for the end.
func (m *Main) serveAdmin(ctx context.Context, p *page.Server, log *slog.Logger) (done func()) {
	folder := m.Getenv("RUNTIME_DIRECTORY")
	if folder == "" {
		return func() {}
	}
	listener, err := listenLocally(ctx, filepath.Join(folder, adminSocket))
	if err != nil {
		log.Warn("\"stillwater pairing --new\" and \"--forget\" will not work", "err", err)
		return func() {}
	}
	server := &http.Server{
		Handler: adminHandler(p), ReadTimeout: adminTimeout, WriteTimeout: adminTimeout,
		ErrorLog: slog.NewLogLogger(log.Handler(), slog.LevelDebug),
	}
	ended := make(chan struct{})
	stop := context.AfterFunc(ctx, func() { server.Close() })
	go func() {
		defer close(ended)
		if err := server.Serve(listener); !errors.Is(err, http.ErrServerClosed) {
			log.Warn("\"stillwater pairing --new\" and \"--forget\" do not work any more", "err", err)
		}
	}()
	return func() {
		stop()
		server.Close()
		<-ended
	}
}

// listenLocally makes a socket that only this user and root can open, in place of one that a killed daemon left.
func listenLocally(ctx context.Context, path string) (net.Listener, error) {
	if err := os.Remove(path); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, err
	}
	listener, err := new(net.ListenConfig).Listen(ctx, "unix", path)
	if err != nil {
		return nil, err
	}
	if err := os.Chmod(path, 0o600); err != nil {
		return nil, errors.Join(err, listener.Close())
	}
	return listener, nil
}

// adminHandler carries out what the administrator asks for.
func adminHandler(p *page.Server) http.Handler {
	mux := http.NewServeMux()
	mux.HandleFunc("POST "+renewPath, func(w http.ResponseWriter, _ *http.Request) {
		p.NewCode()
		json.NewEncoder(w).Encode(adminReply{})
	})
	mux.HandleFunc("POST "+forgetPath, func(w http.ResponseWriter, r *http.Request) {
		phones, err := p.ForgetPhones(r.Context())
		if err != nil {
			http.Error(w, err.Error(), http.StatusInternalServerError)
			return
		}
		json.NewEncoder(w).Encode(adminReply{&phones})
	})
	return mux
}

// postToService posts a request to the running service as its administrator.
func (m *Main) postToService(ctx context.Context, path string) (done adminReply, err error) {
	ctx, cancel := context.WithTimeout(ctx, adminTimeout)
	defer cancel()
	socket := filepath.Join(m.invitationFolder(), adminSocket)
	dial := func(ctx context.Context, _, _ string) (net.Conn, error) {
		return new(net.Dialer).DialContext(ctx, "unix", socket)
	}
	client := http.Client{Transport: &http.Transport{DialContext: dial}}
	defer client.CloseIdleConnections()
	request, err := http.NewRequestWithContext(ctx, http.MethodPost, "http://service"+path, nil)
	if err != nil {
		return done, fmt.Errorf("pairing: %w", err)
	}
	answer, err := client.Do(request)
	if errors.Is(err, syscall.ECONNREFUSED) {
		return done, fmt.Errorf("pairing: the service does not answer; type: sudo systemctl restart stillwater: %w", err)
	}
	if err != nil {
		return done, explainService(err)
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
		return done, fmt.Errorf("pairing: the service could not do it: %w", err)
	}
	return done, nil
}
