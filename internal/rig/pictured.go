package rig

import (
	"time"

	"stillwater/internal/scene"
)

// maxPictured is how many pictures are remembered: a long evening's. Each takes some hundred bytes.
const maxPictured = 500

// pictured is what the camera caught in a shot.
type pictured struct {
	boot    uint32
	clockAt time.Duration
	scene.Pictured
}

// remember keeps what the camera caught in the shot whose clock edge was at clockAt, for Pictured.
func (r *Rig) remember(clockAt time.Duration) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if f, ok := r.flightOf(clockAt); ok {
		if p, ok := r.room.Picture(f); ok {
			r.pictured = append(r.pictured[max(len(r.pictured)-maxPictured+1, 0):], pictured{r.bootID, clockAt, p})
		}
	}
}

// Pictured is what the camera caught in the shot whose clock edge was at clockAt since the board's start with that boot
// id, once Look was asked; false if it is forgotten, or there was nothing to see.
func (r *Rig) Pictured(boot uint32, clockAt time.Duration) (scene.Pictured, bool) {
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, p := range r.pictured {
		if p.boot == boot && p.clockAt == clockAt {
			return p.Pictured, true
		}
	}
	return scene.Pictured{}, false
}
