package pairing

import (
	"context"
	"encoding/json"
	"errors"
	"io/fs"
	"log/slog"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"time"
)

// The running service takes its administrator's requests at a socket beside the invitation: whoever may read the one
// may open the other. It speaks HTTP.
const (
	socketName  = "administrator.sock"
	newCodePath = "/new-code"
	forgetPath  = "/forget-phones"
	patience    = 30 * time.Second // for the journal on a slow card
)

// reply is the service's answer.
type reply struct {
	Forgotten int `json:"forgotten"` // phones
}

// Page is what the administrator may change of a page.
type Page interface {
	NewCode()
	ForgetPhones(context.Context) (phones int, err error)
}

// Serve answers the administrator until the context ends, at a socket in the folder that the service manager gave this
// process; without such a folder it does nothing. The function that it returns waits for the end.
func Serve(ctx context.Context, getenv func(string) string, p Page, log *slog.Logger) (done func()) {
	folder := getenv("RUNTIME_DIRECTORY")
	if folder == "" {
		return func() {}
	}
	listener, err := listen(ctx, filepath.Join(folder, socketName))
	if err != nil {
		log.Warn("\"stillwater pairing --new\" and \"--forget\" will not work", "err", err)
		return func() {}
	}
	server := &http.Server{
		Handler: handler(p), ReadTimeout: patience, WriteTimeout: patience,
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

// listen makes a socket that only this user and root can open, in place of one that a killed daemon left.
func listen(ctx context.Context, path string) (net.Listener, error) {
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

// handler carries out the administrator's requests.
func handler(p Page) http.Handler {
	mux := http.NewServeMux()
	mux.HandleFunc("POST "+newCodePath, func(w http.ResponseWriter, _ *http.Request) {
		p.NewCode()
		json.NewEncoder(w).Encode(reply{})
	})
	mux.HandleFunc("POST "+forgetPath, func(w http.ResponseWriter, r *http.Request) {
		phones, err := p.ForgetPhones(r.Context())
		if err != nil {
			http.Error(w, err.Error(), http.StatusInternalServerError)
			return
		}
		json.NewEncoder(w).Encode(reply{phones})
	})
	return mux
}
