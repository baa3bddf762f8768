package page

import (
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"net/http"
	"strconv"
	"time"

	"stillwater/internal/practice"
	"stillwater/internal/record"
)

// Frames makes the pictures of practice shots: a JPEG, or a coarse preview of it. It may take a second or more.
//
// Errors: record.ErrNotFound, practice.ErrArmed, practice.ErrUnfinished.
type Frames interface {
	Frame(ctx context.Context, boot uint32, clockAt time.Duration, preview bool) ([]byte, error)
}

// handleKeptFrame answers paired phones with the camera's frame of a shot on record, small. Another may take its place,
// so a browser asks each time whether it has.
func (s *Server) handleKeptFrame(w http.ResponseWriter, r *http.Request) {
	s.sendPicture(w, r, func(ctx context.Context) ([]byte, error) {
		id, err := number(r, "shot", 1, 0)
		if err != nil {
			return nil, err
		}
		return s.opts.Record.ShotPicture(ctx, id)
	})
}

// sendPicture answers paired phones with a picture on record. Without one the answer is empty: none is kept (204), or
// there is none yet, because something is armed or the machine is slow (202). Neither is an error, and no browser lists
// it as one: the record may have changed since the phone was shown that there is a picture.
func (s *Server) sendPicture(w http.ResponseWriter, r *http.Request, find func(context.Context) ([]byte, error)) {
	if !s.mayLook(w, r) {
		return
	}
	ctx, cancel := context.WithTimeout(r.Context(), maxFrameTime)
	defer cancel()
	picture, err := find(ctx)
	switch {
	case errors.Is(err, record.ErrNotFound):
		w.WriteHeader(http.StatusNoContent)
		return
	case errors.Is(err, ErrArmed), errors.Is(err, ErrBusy):
		w.WriteHeader(http.StatusAccepted)
		return
	case err != nil:
		s.refuseLookUp(w, err)
		return
	}
	w.Header().Set("Content-Type", "image/jpeg")
	sum := sha256.Sum256(picture)
	w.Header().Set("ETag", fmt.Sprintf(`"%x"`, sum[:16]))
	w.Header().Set("Cache-Control", "private, no-cache")
	http.ServeContent(w, r, "", time.Time{}, bytes.NewReader(picture))
}

// maxFrameTime is how long a phone waits for a picture: less than the time that an answer may take.
const maxFrameTime = 8 * time.Second

// handleFrame answers paired phones with a practice shot's picture. It never changes, so a browser keeps it. Without a
// picture the answer is empty: none is kept, as of a shot from before a restart (204), or there is none yet, because
// something is armed or the machine is slow (202). Neither is an error, and no browser lists it as one.
func (s *Server) handleFrame(w http.ResponseWriter, r *http.Request) {
	if !s.mayLook(w, r) {
		return
	}
	boot, badBoot := strconv.ParseUint(r.PathValue("boot"), 10, 32)
	clock, badClock := strconv.ParseInt(r.PathValue("clock"), 10, 64)
	if badBoot != nil || badClock != nil {
		refuse(w, http.StatusNotFound, "", "There is no such picture.", "Reload the page.")
		return
	}
	ctx, cancel := context.WithTimeout(r.Context(), maxFrameTime)
	defer cancel()
	made, err := s.opts.Frames.Frame(ctx, uint32(boot), time.Duration(clock), r.URL.Query().Has("preview"))
	switch {
	case errors.Is(err, record.ErrNotFound):
		w.WriteHeader(http.StatusNoContent)
	case errors.Is(err, practice.ErrArmed), errors.Is(err, practice.ErrUnfinished):
		w.WriteHeader(http.StatusAccepted)
	case err != nil:
		refuse(w, http.StatusServiceUnavailable, "", "The picture could not be made.", "Try again in a moment.")
	default:
		w.Header().Set("Content-Type", "image/jpeg")
		w.Header().Set("Cache-Control", "private, max-age=86400, immutable")
		w.Write(made)
	}
}
