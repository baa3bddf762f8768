package page

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
	"os"
	"strconv"
	"strings"
	"sync"
	"time"
	"unicode/utf8"

	"stillwater/internal/control"
	"stillwater/internal/record"
)

// Camera takes in the camera's files, from phones, a watched folder or a connected camera, and says which shot each
// belongs to.
type Camera interface {
	// Receive receives a part of a file, its bytes from at on, and says how many of the file are there then. One that does
	// not begin where the file ends so far changes nothing: an empty one asks. The first part, which has FirstPartBytes
	// if the file does, tells files of one name and size apart; it is answered with a key, with which those that follow
	// come. A file whose size and first part are a copy's that is there counts as that one, unless it comes with its check
	// and that is not the copy's: then it replaces the copy. A copy that gave way to others counts, but for a file that
	// comes again for it. The error wraps ErrArmed or ErrBusy, or is a
	// *control.Refusal that names the file.
	Receive(ctx context.Context, session int64, file CameraFile, at int64, part []byte) (ReceivedPart, error)
	// Frames is what is known of a session's frames.
	Frames(ctx context.Context, session int64) (CameraView, error)
	// Picture is the small picture of a frame, a JPEG; record.ErrNotFound if none is kept.
	Picture(ctx context.Context, session int64, name string) ([]byte, error)
	// Large is a larger picture, made from the file: ErrArmed while something is armed, and record.ErrNotFound if the
	// file is not kept any more or is too large.
	Large(ctx context.Context, session int64, name string) ([]byte, error)
}

// ErrArmed means that a file has to wait, so that nothing takes the machine's time while something is armed.
var ErrArmed = errors.New("something is armed: the file waits")

// ErrBusy means that a file has to wait for those that come before it.
var ErrBusy = errors.New("other files come first")

const (
	// MaxPartBytes is how much of a file may be sent at once.
	MaxPartBytes = 512 << 10
	// FirstPartBytes is the least that the first part of a file has.
	FirstPartBytes = 16 << 10

	pieceBytes = 64 << 10 // of a part, in memory

	// What one phone may send: 10 MB/s, and as much at once. Its slow requests keep only itself waiting.
	partsPerSecond  = 20
	partsBurst      = 20
	maxPartsOfPhone = 2 // under way at once

	// A phone at the edge of the network may be slow, but has to send something.
	maxPartSilence = 10 * time.Second
	maxPartTime    = 2 * time.Minute
)

// handleCamera adds the routes for the camera's files, if they are accepted.
func (s *Server) handleCamera(mux *http.ServeMux) {
	if s.opts.Camera == nil {
		return
	}
	mux.HandleFunc("PUT /camera/{session}/file", s.receivePart)
	mux.HandleFunc("GET /camera/{session}", s.lookUp(func(ctx context.Context, r *http.Request) (any, error) {
		session, err := number(r, "session", 1, 0)
		if err != nil {
			return nil, err
		}
		return s.opts.Camera.Frames(ctx, session)
	}))
	mux.HandleFunc("GET /camera/{session}/picture", s.handleCameraPicture)
	mux.HandleFunc("GET /camera/{session}/large", s.handleLarge)
}

// receivePart receives a part of a file from a paired phone's page.
func (s *Server) receivePart(w http.ResponseWriter, r *http.Request) {
	client, allowed := s.maySend(w, r)
	if !allowed {
		return
	}
	if !s.partsOfPhones.enter(client) {
		refuse(w, http.StatusTooManyRequests, "file", "This phone is sending other files.", "Send it again in a moment.")
		return
	}
	defer s.partsOfPhones.leave(client)
	session, file, at, err := partOf(r)
	file.Client = client
	var answer ReceivedPart
	if err == nil {
		answer, err = s.receivePieces(w, r, session, file, at)
	}
	s.answerPart(w, answer, err)
}

// maySend reports whether a request may send a part, or refuses it.
func (s *Server) maySend(w http.ResponseWriter, r *http.Request) (client string, allowed bool) {
	client, paired := s.pairing.client(r)
	kind, _, _ := mime.ParseMediaType(r.Header.Get("Content-Type"))
	switch {
	case !sameOrigin(r):
		refuse(w, http.StatusForbidden, "", "This request did not come from this machine's own page.",
			"Open the page from the address the machine shows.")
	case !paired:
		refuse(w, http.StatusUnauthorized, "", "This phone is not paired with the machine.", "Pair it first.")
	case kind != "application/octet-stream":
		refuse(w, http.StatusUnsupportedMediaType, "", "A file must be sent as bytes.",
			"Send Content-Type: application/octet-stream.")
	case r.ContentLength > MaxPartBytes:
		refuseTooLong(w)
	default:
		return client, admit(w, r, s.parts.limiter(client))
	}
	return client, false
}

func refuseTooLong(w http.ResponseWriter) {
	refuse(w, http.StatusRequestEntityTooLarge, "file", fmt.Sprintf("At most %d bytes can be sent at once.", MaxPartBytes),
		"Send the file in parts.")
}

// receivePieces receives a part as it comes, a piece at a time, so that what came counts when the rest does not. After
// a piece that does not count the rest is read and dropped: the phone waits until it was.
func (s *Server) receivePieces(w http.ResponseWriter, r *http.Request, session int64, file CameraFile, at int64) (
	answer ReceivedPart, err error,
) {
	body := &slowBody{from: http.MaxBytesReader(w, r.Body, MaxPartBytes), conn: http.NewResponseController(w),
		end: time.Now().Add(maxPartTime)}
	defer body.done()
	piece := make([]byte, pieceBytes)
	for first := true; ; first = false {
		n, failed := io.ReadFull(body, piece)
		var cut sendError
		if errors.As(failed, &cut) && file.Key == "" {
			return answer, failed // a beginning that is not whole tells nothing of its file
		}
		if n > 0 || first {
			answer, err = s.opts.Camera.Receive(r.Context(), session, file, at, piece[:n])
			file.Key = answer.Key
			if at += int64(n); err != nil || answer.Have != at {
				_, failed := io.Copy(io.Discard, body)
				return answer, cmp.Or(err, failed)
			}
		}
		switch {
		case errors.Is(failed, io.EOF), errors.Is(failed, io.ErrUnexpectedEOF):
			return answer, nil
		case failed != nil:
			return answer, failed
		}
	}
}

// slowBody is the body of a request that may take long, as long as it comes.
type slowBody struct {
	from io.Reader
	conn *http.ResponseController
	end  time.Time
}

// sendError is a request that its phone did not send as it should.
type sendError struct{ error }

func (e sendError) Unwrap() error { return e.error }

// Read gives the phone time for more. The error, but for the end, is a sendError.
func (b *slowBody) Read(p []byte) (n int, err error) {
	until := time.Now().Add(maxPartSilence)
	if until.After(b.end) {
		until = b.end
	}
	_ = b.conn.SetReadDeadline(until) // without it the server's own stays
	n, err = b.from.Read(p)
	if err != nil && !errors.Is(err, io.EOF) && !errors.Is(err, io.ErrUnexpectedEOF) {
		err = sendError{err}
	}
	return n, err
}

// done gives the answer as much time as if the body had come at once.
func (b *slowBody) done() { _ = b.conn.SetWriteDeadline(time.Now().Add(answerTimeout)) }

// answerPart answers what came of a part.
func (s *Server) answerPart(w http.ResponseWriter, answer ReceivedPart, err error) {
	var tooLong *http.MaxBytesError
	var sending sendError
	var bad *badQueryError
	switch {
	case errors.As(err, &tooLong):
		refuseTooLong(w)
		return
	case errors.As(err, &sending) && !errors.Is(err, os.ErrDeadlineExceeded):
		refuse(w, http.StatusBadRequest, "file", "The part did not arrive whole, or not as HTTP says.",
			"Send it again from where the file ends now.")
		return
	case errors.As(err, &sending):
		refuse(w, http.StatusRequestTimeout, "file", "The part did not arrive in time.",
			"Send it again from where the file ends now, in smaller parts.")
		return
	case errors.As(err, &bad):
		refuse(w, http.StatusBadRequest, bad.name, fmt.Sprintf("%q cannot be the %s of a file's part.", bad.text, bad.name),
			"Reload the page, and choose the file again.")
		return
	case errors.Is(err, ErrArmed):
		answer.Waits = true
	case errors.Is(err, ErrBusy):
		busy := &control.Refusal{Field: "file", Why: "The machine is busy with other files.",
			Remedy: "Send it again in a moment."}
		errors.As(err, &busy)
		refuse(w, http.StatusTooManyRequests, "file", busy.Why, busy.Remedy)
		return
	case errors.As(err, &answer.Refusal): // of this file alone: no error of the request's
	case err != nil:
		s.refuseLookUp(w, err)
		return
	}
	w.Header().Set("Content-Type", "application/json")
	json.NewEncoder(w).Encode(answer)
}

// partsOfPhones counts the parts that each phone sends at the moment.
type partsOfPhones struct {
	mu    sync.Mutex
	count map[string]int
}

// enter reports whether one more may come; then leave is to be called.
func (p *partsOfPhones) enter(client string) bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.count[client] >= maxPartsOfPhone {
		return false
	}
	if p.count == nil {
		p.count = map[string]int{}
	}
	p.count[client]++
	return true
}

func (p *partsOfPhones) leave(client string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.count[client]--; p.count[client] == 0 {
		delete(p.count, client)
	}
}

// partOf reads what an address says of a part.
func partOf(r *http.Request) (session int64, file CameraFile, at int64, err error) {
	query := r.URL.Query()
	file.Name, file.Key, file.Check = query.Get("name"), query.Get("key"), query.Get("check")
	file.Again = query.Has("again")
	if !utf8.ValidString(file.Name) {
		return 0, file, 0, &badQueryError{"name", clip(strings.ToValidUTF8(file.Name, "?"))}
	}
	if !isCheck(file.Check) {
		return 0, file, 0, &badQueryError{"check", clip(strings.ToValidUTF8(file.Check, "?"))}
	}
	for _, one := range []struct {
		name string
		into *int64
		most int64
	}{{"session", &session, maxNumber}, {"size", &file.Size, maxBytes}, {"modified", &file.ModifiedMs, maxBytes},
		{"at", &at, maxBytes}} {
		if *one.into, err = upTo(r, one.name, one.most); err != nil {
			return 0, file, 0, err
		}
	}
	return session, file, at, nil
}

// isCheck reports whether a text is what CameraFile.Check may be.
func isCheck(text string) bool {
	_, err := strconv.ParseUint(text, 16, 32)
	return text == "" || err == nil && len(text) == 8 && strings.ToLower(text) == text
}

// maxBytes is more than any file has, and more milliseconds than have passed since 1970.
const maxBytes int64 = 1 << 50

func (s *Server) handleCameraPicture(w http.ResponseWriter, r *http.Request) {
	s.sendPicture(w, r, func(ctx context.Context) ([]byte, error) {
		session, err := number(r, "session", 1, 0)
		if err != nil {
			return nil, err
		}
		return s.opts.Camera.Picture(ctx, session, r.URL.Query().Get("name"))
	})
}

func (s *Server) handleLarge(w http.ResponseWriter, r *http.Request) {
	s.sendPicture(w, r, func(ctx context.Context) ([]byte, error) {
		session, err := number(r, "session", 1, 0)
		if err != nil {
			return nil, err
		}
		return s.opts.Camera.Large(ctx, session, r.URL.Query().Get("name"))
	})
}

// CameraFile is a file as a phone has it.
type CameraFile struct {
	Client     string // the phone
	Name       string
	Size       int64
	ModifiedMs int64  // Unix
	Check      string // CRC-32 of all of it, 8 hexadecimal digits; "" not known
	Key        string // of the answer to its first part; "" for that
	Again      bool   // its copy gave way to others, and is wanted back
}

// ReceivedPart is the answer to a part of a file.
type ReceivedPart struct {
	Have    int64            `json:"have"`    // bytes of the file that are there
	Key     string           `json:"key"`     // names the file in the address of its next parts; "" it needs none
	Gone    bool             `json:"gone"`    // its copy was there, and gave way to others; what was seen in it is known
	Waits   bool             `json:"waits"`   // something is armed: ask again when nothing is
	Refusal *control.Refusal `json:"refusal"` // why the file is not kept; null: it is
}

// CameraView is what is known of a session's frames.
type CameraView struct {
	Frames    []CameraFrame `json:"frames"`     // by name
	Problems  []string      `json:"problems"`   // of files, and what to do; at most 20
	Damaged   bool          `json:"damaged"`    // one of them is of a copy that cannot be read, which may be damaged
	Certain   int           `json:"certain"`    // shots with such a frame
	Likely    int           `json:"likely"`     // shots with such a frame
	Open      int           `json:"open"`       // shots
	Busy      string        `json:"busy"`       // what is being done or waited for, in words; "" nothing
	Waits     bool          `json:"waits"`      // it is waited until nothing is armed
	Matching  bool          `json:"matching"`   // what was said of a frame waits to be matched
	Changed   *CameraChange `json:"changed"`    // by what was said last of a frame; null: nothing was
	Clashes   []CameraClash `json:"clashes"`    // of what was said; until one of two is taken back nothing is certain
	Kept      string        `json:"kept"`       // where files are kept and for how long, in words
	Empty     string        `json:"empty"`      // the frame without liquid; "" none was named
	Width     string        `json:"width"`      // how wide a piece of the scene a frame shows; "" not known
	Black     string        `json:"black"`      // the frame with the flash off, which the room is judged by; "" none
	Room      *CameraRoom   `json:"room"`       // what that says; null: nothing
	FieldSeen string        `json:"field_seen"` // the same as the set has it
	Spot      *CameraPoint  `json:"spot"`       // where the liquid is to be; null: the frame's middle
	Ruler     *CameraRuler  `json:"ruler"`      // that gives the width; null: none
	FromRight bool          `json:"from_right"` // a throw comes from the right
	Moves     bool          `json:"moves"`      // along a path: the delay can be learned from frames
	Lesson    *CameraLesson `json:"lesson"`     // null: the frames say nothing of the delay
	OnRecord  int           `json:"on_record"`  // measurements from frames
}

// CameraRoom is what the black frame says of the room's light.
type CameraRoom struct {
	Open        string   `json:"open"`         // how long its shutter was open
	Seen        string   `json:"seen"`         // how bright its brightest part is
	MarginStops *float64 `json:"margin_stops"` // of the flash over the room's light; null: not known
	Words       string   `json:"words"`
}

// CameraPoint is a place in a frame as it is shown, in shares of its width and height from the top left.
type CameraPoint struct {
	X float64 `json:"x"`
	Y float64 `json:"y"`
}

// CameraRuler is two such places on a ruler, and how far apart they are.
type CameraRuler struct {
	Name   string  `json:"name"` // of the frame
	X      float64 `json:"x"`
	Y      float64 `json:"y"`
	X2     float64 `json:"x2"`
	Y2     float64 `json:"y2"`
	Length string  `json:"length"`
}

// CameraChange is the effect of what a person last said of a frame. It can be taken back.
type CameraChange struct {
	Words  string `json:"words"`
	Others int    `json:"others"` // frames that have another shot now, or none, or are more or less certain of theirs
	Back   bool   `json:"back"`   // it took back what was said before
}

// CameraClash is two pairings by hand that contradict each other, the earlier shot first.
type CameraClash struct {
	Words  string   `json:"words"`
	Frames []string `json:"frames"` // by name
	Shots  []int    `json:"shots"`  // what each was said to be
}

// CameraFrame is one frame of the camera.
type CameraFrame struct {
	Name     string         `json:"name"`
	Version  string         `json:"version"`  // changes with its files, and so with its picture
	Taken    string         `json:"taken"`    // by the camera's clock; "" not known
	Shot     int            `json:"shot"`     // its number; of one that is open the best guess; 0: none
	ShotID   int64          `json:"shot_id"`  // 0: none
	Sure     string         `json:"sure"`     // "certain", "likely", "open"
	Settled  bool           `json:"settled"`  // by a person; without a shot: that it is of none
	Pictured bool           `json:"pictured"` // a small picture is kept
	Width    int            `json:"width"`    // of that, pixels
	Height   int            `json:"height"`
	Number   int            `json:"number"`  // in its name; 0 none
	Verdict  record.Verdict `json:"verdict"` // suggested; "" none
	Says     []string       `json:"says"`    // what was seen
	Next     []string       `json:"next"`    // what to change
}

// CameraLesson is what the frames say about the delay.
type CameraLesson struct {
	Measured int     `json:"measured"` // frames
	Waiting  int     `json:"waiting"`  // of them, not on record
	TrimMs   float64 `json:"trim_ms"`  // to try next
	LowMs    float64 `json:"low_ms"`
	HighMs   float64 `json:"high_ms"`
	Words    string  `json:"words"`
}
