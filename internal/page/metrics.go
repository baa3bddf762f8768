package page

import (
	"fmt"
	"net/http"
	"time"

	"stillwater/internal/control"
)

// handleMetrics shows a few numbers in the plain text form that monitoring tools read: to this machine and to paired
// phones.
func (s *Server) handleMetrics(w http.ResponseWriter, r *http.Request) {
	if _, paired := s.pairing.client(r); !paired && !fromLoopback(r) {
		http.Error(w, "Only this machine and paired phones may read this. Pair this browser at / first.",
			http.StatusForbidden)
		return
	}
	snap := s.opts.Control.Snapshot()
	w.Header().Set("Content-Type", "text/plain; version=0.0.4; charset=utf-8")
	fmt.Fprintf(w, "stillwater_info{version=%q} 1\n", s.opts.Version)
	fmt.Fprintf(w, "stillwater_uptime_seconds %.0f\n", time.Since(s.started).Seconds())
	fmt.Fprintf(w, "stillwater_shots_in_session %d\n", snap.ShotCount)
	fmt.Fprintf(w, "stillwater_sockets %d\n", s.sockets.count())
	fmt.Fprintf(w, "stillwater_phones_paired %d\n", s.pairing.count())
	connected := 0
	if snap.Board.Connected {
		connected = 1
	}
	fmt.Fprintf(w, "stillwater_board_connected %d\n", connected)
	for _, state := range control.States() {
		on := 0
		if snap.State == state {
			on = 1
		}
		fmt.Fprintf(w, "stillwater_state{state=%q} %d\n", state, on)
	}
}
