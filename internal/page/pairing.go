package page

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"mime"
	"net/http"
	"time"

	"stillwater/internal/control"
)

// pairing joins the code and the phones that gave it.
type pairing struct {
	codes  *codes
	phones *registry
}

// newPairing begins with the kept code, or draws one, and loads the phones that were paired before.
func newPairing(
	ctx context.Context, store Phones, kept string, changed func(CodeChange), inUse func() (map[string]bool, string),
	onRevoke func(clients []string), log *slog.Logger,
) (*pairing, error) {
	phones := &registry{now: time.Now, store: store, inUse: inUse, onRevoke: onRevoke, log: log}
	return &pairing{newCodes(kept, changed), phones}, phones.load(ctx)
}

// pair returns a token for the phone if the code is right. The error is a *wrongCodeError if it is not.
func (p *pairing) pair(ctx context.Context, typed string) (token string, err error) {
	generation := p.phones.current() // before the code: a code that is void by now must not pair after a forget
	if err := p.codes.check(typed); err != nil {
		return "", err
	}
	return p.phones.add(ctx, generation)
}

// renew draws a new code and has it shown.
func (p *pairing) renew() {
	p.codes.renew()
	p.codes.notify()
}

// forget forgets all phones and voids the code that they know. They are out at once; the error says that they come back
// with a restart.
func (p *pairing) forget(ctx context.Context) (phones int, err error) {
	p.codes.renew()
	clients := p.phones.revokeAll()
	p.phones.onRevoke(clients)
	p.codes.notify()
	return len(clients), p.phones.clearStore(ctx)
}

// client is the id of the phone that sent the request, false when it is not paired.
func (p *pairing) client(r *http.Request) (string, bool) {
	cookie, err := r.Cookie(cookieName)
	if err != nil {
		return "", false
	}
	return p.phones.client(r.Context(), cookie.Value)
}

// valid reports whether client would know the phone that sent the request. It changes nothing and waits for nothing.
func (p *pairing) valid(r *http.Request) bool {
	cookie, err := r.Cookie(cookieName)
	return err == nil && p.phones.valid(cookie.Value)
}

func (p *pairing) count() int { return p.phones.count() }

// Code is the pairing code as it is shown. It is for the machine's own screen and must not be sent anywhere else.
func (s *Server) Code() string { return s.pairing.codes.displayed() }

// NewCode draws a new pairing code, a short one again.
func (s *Server) NewCode() {
	s.pairing.renew()
	s.log.Info("new pairing code, requested on this machine")
}

// ForgetPhones ends the pairing of all phones, closes what they have open and draws a new code, since they know the old
// one. Nobody is left to answer for what is armed, so it is disarmed. It returns how many phones there were. With an
// error they are unpaired, but may be back after the next start.
func (s *Server) ForgetPhones(ctx context.Context) (phones int, err error) {
	phones, err = s.pairing.forget(ctx)
	s.log.Info("all phones forgotten, requested on this machine", "phones", phones)
	if err := s.opts.Control.Do(ctx, "the machine", control.Command{Type: "disarm"}); err != nil {
		s.log.Warn("not disarmed after the phones were forgotten", "err", err)
	}
	if err != nil {
		return phones, fmt.Errorf("page: the phones are unpaired, but still on record and back after the next start: %w", err)
	}
	return phones, nil
}

const maxPairBodyBytes = 256 // bytes

// parsePairBody reads the code out of the body of a request to pair.
func parsePairBody(body []byte) (code string, err error) { return parseOnly(body, "code") }

// parseOnly reads the one text that a body has.
func parseOnly(body []byte, name string) (text string, err error) {
	var typed *string
	given, err := readObject(body, func(found string) any {
		if found == name {
			return &typed
		}
		return new(json.RawMessage)
	})
	if err != nil {
		return "", err
	}
	if typed == nil || given[name] != nil || len(given) != 1 {
		return "", fmt.Errorf("it must have %q, a string, and nothing else", name)
	}
	return *typed, nil
}

// readPair reads the code out of a request to pair, or refuses it.
func readPair(w http.ResponseWriter, r *http.Request) (code string, ok bool) {
	if !sameOrigin(r) {
		refuse(w, http.StatusForbidden, "", "This request did not come from this machine's own page.",
			"Open the page from the address the machine shows.")
		return "", false
	}
	if kind, _, _ := mime.ParseMediaType(r.Header.Get("Content-Type")); kind != "application/json" {
		refuse(w, http.StatusUnsupportedMediaType, "", "The code must be sent as JSON.",
			"Send Content-Type: application/json.")
		return "", false
	}
	body, err := io.ReadAll(http.MaxBytesReader(w, r.Body, maxPairBodyBytes))
	if err == nil {
		code, err = parsePairBody(body)
	}
	if err != nil {
		refuse(w, http.StatusBadRequest, "code", fmt.Sprintf("The code could not be read: %v.", err),
			`Send {"code":"123456"} and nothing else.`)
		return "", false
	}
	return code, true
}

func (s *Server) handlePair(w http.ResponseWriter, r *http.Request) {
	code, ok := readPair(w, r)
	if !ok {
		return
	}
	if _, ok := s.pairing.client(r); ok {
		w.WriteHeader(http.StatusNoContent)
		return
	}
	token, err := s.pairing.pair(r.Context(), code)
	s.setCodeForm(w)
	var wrong *wrongCodeError
	switch {
	case errors.As(err, &wrong):
		s.logWrong(wrong, r)
		why, remedy := s.wrongWords(wrong)
		refuse(w, http.StatusForbidden, "code", why, remedy)
	case errors.Is(err, errForgotten):
		refuse(w, http.StatusForbidden, "code", "All phones were forgotten on the machine just now.",
			"Type the code it shows now.")
	case err != nil:
		s.log.Error("cannot save the phone", "err", err)
		refuse(w, http.StatusInternalServerError, "", "The code is right, but this phone could not be saved.",
			"The machine's log says why.")
	default:
		http.SetCookie(w, &http.Cookie{
			Name: cookieName, Value: token, Path: "/", MaxAge: int(cookieLifetime.Seconds()),
			HttpOnly: true, SameSite: http.SameSiteStrictMode,
		})
		s.log.Info("phone paired", "from", remoteAddr(r), "phones", s.pairing.count())
		w.WriteHeader(http.StatusNoContent)
	}
}

// wrongWords says nothing of whether a code that was replaced would have been right.
func (s *Server) wrongWords(wrong *wrongCodeError) (why, remedy string) {
	switch {
	case wrong.replaced:
		why = "Somebody typed many wrong codes, so the machine shows a new, longer code now."
		if s.opts.Service && s.opts.Radio == nil {
			return why, "Type on the machine: sudo stillwater pairing."
		}
		return why, "Look at the screen where Stillwater was started."
	case s.pairing.codes.long():
		return "That is not the code.", fmt.Sprintf("Type the %d letters and digits shown on the machine.", longLetters)
	}
	return "That is not the code.", fmt.Sprintf("Type the %d digits shown on the machine.", shortDigits)
}

// logWrong logs each wrong code while there are few, and one in twice as many when there are more and more.
func (s *Server) logWrong(wrong *wrongCodeError, r *http.Request) {
	if n := wrong.count; n <= shortTries || n&(n-1) == 0 {
		s.log.Warn("wrong pairing code", "from", remoteAddr(r), "wrong_codes", n)
	}
}

// setCodeForm sets the headers that name the form of the code, so that the page offers the keyboard for it, where the
// code is shown, and whether the page asks for the country of the machine's Wi-Fi.
func (s *Server) setCodeForm(w http.ResponseWriter) {
	form := "short"
	if s.pairing.codes.long() {
		form = "long"
	}
	place := "terminal"
	switch {
	case s.opts.Radio != nil:
		place = "card"
		w.Header().Set("Radio", "asked")
	case s.opts.Service:
		place = "service"
	}
	w.Header().Set("Pairing-Code", form)
	w.Header().Set("Pairing-Place", place)
}

// handlePaired answers whether the browser is paired.
func (s *Server) handlePaired(w http.ResponseWriter, r *http.Request) {
	s.setCodeForm(w)
	if _, ok := s.pairing.client(r); !ok {
		w.WriteHeader(http.StatusUnauthorized)
		return
	}
	w.WriteHeader(http.StatusNoContent)
}

// refuse answers with a refusal as JSON.
func refuse(w http.ResponseWriter, status int, field, why, remedy string) {
	w.Header().Set("Content-Type", "application/json")
	w.WriteHeader(status)
	json.NewEncoder(w).Encode(control.Refusal{Field: field, Why: why, Remedy: remedy})
}
