// Package page serves the phone's page: its files, pairing, and the websocket that carries commands in and snapshots
// out. It decides who may talk and whether a message is well formed; what a message does is package control's matter.
package page

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"net"
	"net/http"
	"sync/atomic"
	"time"

	"stillwater/internal/control"
	"stillwater/internal/radio"
)

// Controller is what the page needs of the control.
type Controller interface {
	// Join says that a client is connected. Snapshots come on the channel, the newest only when the reader is slow, until
	// leave is called with the time the client was last heard.
	Join(client string) (snapshots <-chan *control.Snapshot, leave func(heard time.Time))
	// Do carries out one command. The error is a *control.Refusal.
	Do(ctx context.Context, client string, cmd control.Command) error
	// Snapshot is the state now.
	Snapshot() *control.Snapshot
}

// Options is what a Server is made of. Control and Files must be given.
type Options struct {
	Control   Controller
	Files     fs.FS        // index.html at its root
	Names     []string     // host names this machine answers to, besides localhost, addresses and the one of SetName
	Version   string       // shown in /metrics
	Log       *slog.Logger // nil: slog.Default
	Phones    Phones       // nil: phones pair again after each start
	Record    RecordReader // nil: phones cannot look back
	Frames    Frames       // nil: a real room, whose pictures are in its camera
	Camera    Camera       // nil: camera files are not accepted
	Radio     Radio        // of a card that is a whole system; nil: that of CountryFile, if there is one
	Code      string       // pairs a phone, as Server.Code gave it before; anything else: a new one is drawn
	Service   bool         // nobody sees its terminal: "sudo stillwater pairing" shows the code
	Heartbeat time.Duration

	// CountryFile is where the country of the machine's Wi-Fi is kept; "": the Wi-Fi is none of the page's business.
	CountryFile string

	// CodeChanged is called when there is another pairing code, never twice at a time. What it shows is on the screen
	// before the phone that caused the change gets its answer.
	CodeChanged func(CodeChange)
}

const (
	defaultHeartbeat = time.Second // after three without a message the page says that the connection is lost
	shutdownTimeout  = 2 * time.Second
	answerTimeout    = 10 * time.Second
)

// Server is the page's HTTP server.
type Server struct {
	opts    Options
	log     *slog.Logger
	pairing *pairing
	files   map[string]file
	started time.Time
	name    atomic.Pointer[string] // see SetName

	snapshots  *snapshots
	sockets    sockets
	requesters requesters
	lookUps    requesters
	parts      requesters

	partsOfPhones partsOfPhones
}

// New returns a server. Phones paired before stay paired, if opts say where they are stored.
func New(ctx context.Context, opts Options) (*Server, error) {
	if opts.Log == nil {
		opts.Log = slog.Default()
	}
	if opts.Radio == nil && opts.CountryFile != "" {
		opts.Radio = radio.File(opts.CountryFile)
	}
	if opts.Heartbeat == 0 {
		opts.Heartbeat = defaultHeartbeat
	}
	files, err := loadFiles(opts.Files)
	if err != nil {
		return nil, fmt.Errorf("page: read the page's files: %w", err)
	}
	s := &Server{opts: opts, log: opts.Log, files: files, started: time.Now(), snapshots: newSnapshots(),
		requesters: newRequesters(requestsPerSecond, requestsBurst), lookUps: newRequesters(lookUpsPerSecond, lookUpsBurst),
		parts:   newRequesters(partsPerSecond, partsBurst),
		sockets: sockets{open: map[*socket]struct{}{}, limits: map[string]*phoneLimits{}}}
	s.pairing, err = newPairing(ctx, opts.Phones, opts.Code, opts.CodeChanged, s.phonesInUse, s.sockets.closePhones,
		opts.Log)
	if err != nil {
		return nil, fmt.Errorf("page: read who is paired: %w", err)
	}
	return s, nil
}

// Handler is the whole page with its guards.
func (s *Server) Handler() http.Handler {
	mux := http.NewServeMux()
	mux.HandleFunc("POST /pair", s.handlePair)
	mux.HandleFunc("GET /paired", s.handlePaired)
	mux.HandleFunc("GET /ws", s.handleSocket)
	mux.HandleFunc("GET /metrics", s.handleMetrics)
	s.handleRecord(mux)
	s.handleRadio(mux)
	s.handleCamera(mux)
	if s.opts.Frames != nil {
		mux.HandleFunc("GET /frames/{boot}/{clock}", s.handleFrame)
	}
	mux.HandleFunc("GET /", s.handleFile)
	return s.guard(s.limit(mux))
}

// Serve answers on the listener until the context ends, then closes every socket and returns. The listener is closed.
func (s *Server) Serve(ctx context.Context, on net.Listener) error {
	listener := newListener(on)
	server := &http.Server{
		Handler:           s.Handler(),
		ReadHeaderTimeout: 5 * time.Second,
		ReadTimeout:       10 * time.Second,
		WriteTimeout:      answerTimeout,
		IdleTimeout:       time.Minute,
		MaxHeaderBytes:    8 << 10,
		ConnContext:       withConnection,
		ConnState:         listener.trackState,
		ErrorLog:          slog.NewLogLogger(s.log.Handler(), slog.LevelDebug),

		DisableGeneralOptionsHandler: true, // it would answer before guard
	}
	failed := make(chan error, 1)
	go func() { failed <- server.Serve(listener) }()
	select {
	case err := <-failed:
		s.sockets.close()
		return fmt.Errorf("page: serve on %s: %w", listener.Addr(), err)
	case <-ctx.Done():
	}
	s.sockets.close()
	stop, cancel := context.WithTimeout(context.WithoutCancel(ctx), shutdownTimeout)
	defer cancel()
	if err := server.Shutdown(stop); err != nil {
		server.Close()
	}
	if err := <-failed; !errors.Is(err, http.ErrServerClosed) {
		return fmt.Errorf("page: serve on %s: %w", listener.Addr(), err)
	}
	return nil
}
