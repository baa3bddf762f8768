package page

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math/big"
	"mime"
	"net/http"
	"net/netip"
	"slices"
	"strconv"
	"sync"
	"time"

	"stillwater/internal/control"
	"stillwater/internal/journal"
)

const (
	cookieName   = "stillwater"
	cookieDays   = 30
	codeDigits   = 6
	mostPhones   = 64
	mostAddrs    = 1024
	pairBodyMax  = 256
	freeTries    = 5  // wrong codes from one address before it has to wait
	freeTriesAll = 20 // and from all addresses together
	waitMost     = 5 * time.Minute
	waitMostAll  = 30 * time.Second // shorter: a stranger's guesses must not keep the owner out for long
	forgetAfter  = 15 * time.Minute
)

// Phones keeps who is paired over a restart. It gets hashes of tokens, never tokens.
type Phones interface {
	Phones(context.Context) ([]journal.Phone, error) // the one paired first in front
	AddPhone(context.Context, journal.Phone) error
	ForgetPhone(ctx context.Context, hash [sha256.Size]byte) error
	ForgetPhones(ctx context.Context, until time.Time) error // those paired at or before until
}

// pairing knows the code, who is paired, and who guessed wrong.
type pairing struct {
	code string
	now  func() time.Time
	kept Phones // nil: a restart forgets everyone

	mu     sync.Mutex
	phones []journal.Phone // the one paired first in front
	all    tries
	byAddr map[netip.Prefix]*tries
}

// newPairing draws a code and takes up the phones that were paired before and whose cookies are still good.
func newPairing(ctx context.Context, kept Phones) (*pairing, error) {
	p := &pairing{code: newCode(), now: time.Now, kept: kept, byAddr: map[netip.Prefix]*tries{}}
	if kept == nil {
		return p, nil
	}
	phones, err := kept.Phones(ctx)
	for _, phone := range phones {
		if !p.expired(phone) {
			p.phones = append(p.phones, phone)
		} else if err = errors.Join(err, kept.ForgetPhone(ctx, phone.Hash)); err != nil {
			break
		}
	}
	return p, err
}

// believable is a date that a clock which was set may say: the program is no older.
var believable = time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)

// expired says that a phone was paired so long ago that its cookie is no longer good. One that was paired while the
// machine's clock was not set may have been paired at any time: its browser knows when to forget the cookie.
func (p *pairing) expired(phone journal.Phone) bool {
	return phone.Paired.After(believable) && !p.now().AddDate(0, 0, -cookieDays).Before(phone.Paired)
}

// newCode draws a code of decimal digits, each code as likely as any other.
func newCode() string {
	limit := new(big.Int).Exp(big.NewInt(10), big.NewInt(codeDigits), nil)
	n, err := rand.Int(rand.Reader, limit)
	if err != nil {
		panic(err) // crypto/rand does not fail on supported systems
	}
	return fmt.Sprintf("%0*d", codeDigits, n)
}

// tries counts wrong codes. After the free ones each makes the next wait twice as long.
type tries struct {
	wrong int
	last  time.Time
	until time.Time
}

func (t *tries) failed(now time.Time, free int, most time.Duration) {
	t.wrong++
	t.last = now
	if over := t.wrong - free; over >= 0 {
		t.until = now.Add(min(time.Second<<min(over, 20), most))
	}
}

func (t *tries) forget(now time.Time) {
	if now.Sub(t.last) > forgetAfter && now.After(t.until) {
		*t = tries{}
	}
}

// pair compares a code and returns a token for the phone, or how long to wait before the next try, or neither: wrong.
// Everything happens under one lock, so that tries made at the same moment are counted one by one.
func (p *pairing) pair(
	ctx context.Context, code string, from netip.Addr,
) (token string, wait time.Duration, err error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	now := p.now()
	addr := p.tries(from, now)
	p.all.forget(now)
	if wait = max(addr.until.Sub(now), p.all.until.Sub(now)); wait > 0 {
		return "", wait, nil
	}
	if subtle.ConstantTimeCompare([]byte(code), []byte(p.code)) != 1 {
		addr.failed(now, freeTries, waitMost)
		p.all.failed(now, freeTriesAll, waitMostAll)
		return "", 0, nil
	}
	*addr = tries{}
	token, err = p.admit(ctx, now)
	return token, 0, err
}

// admit makes a token for a new phone. Where there are too many, the one paired first has to pair again.
func (p *pairing) admit(ctx context.Context, now time.Time) (token string, err error) {
	raw := make([]byte, 32)
	rand.Read(raw)
	token = base64.RawURLEncoding.EncodeToString(raw)
	phone := journal.Phone{Hash: sha256.Sum256([]byte(token)), Name: p.freeName(), Paired: now}
	if p.kept != nil {
		if err := p.kept.AddPhone(ctx, phone); err != nil {
			return "", err
		}
	}
	p.phones = append(p.phones, phone)
	if len(p.phones) > mostPhones {
		oldest := p.phones[0]
		p.phones = p.phones[1:]
		if p.kept != nil {
			return token, p.kept.ForgetPhone(ctx, oldest.Hash)
		}
	}
	return token, nil
}

// freeName is a name that no paired phone has.
func (p *pairing) freeName() string {
	for n := 1; ; n++ {
		name := fmt.Sprintf("phone %d", n)
		if !slices.ContainsFunc(p.phones, func(q journal.Phone) bool { return q.Name == name }) {
			return name
		}
	}
}

// tries finds the record of an address. An IPv6 neighbour owns its whole /64, so that is what is counted.
func (p *pairing) tries(from netip.Addr, now time.Time) *tries {
	bits := 32
	if from.Is6() {
		bits = 64
	}
	prefix, _ := from.Prefix(bits)
	if t := p.byAddr[prefix]; t != nil {
		t.forget(now)
		return t
	}
	if len(p.byAddr) >= mostAddrs {
		p.dropOldest()
	}
	t := &tries{last: now}
	p.byAddr[prefix] = t
	return t
}

func (p *pairing) dropOldest() {
	var oldest netip.Prefix
	var at time.Time
	for prefix, t := range p.byAddr {
		if at.IsZero() || t.last.Before(at) {
			oldest, at = prefix, t.last
		}
	}
	delete(p.byAddr, oldest)
}

// client is the id of the phone that sent the request, false when it is not paired.
func (p *pairing) client(r *http.Request) (string, bool) {
	cookie, err := r.Cookie(cookieName)
	if err != nil {
		return "", false
	}
	hash := sha256.Sum256([]byte(cookie.Value))
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, phone := range p.phones {
		if phone.Hash == hash {
			return phone.Name, true
		}
	}
	return "", false
}

func (p *pairing) count() int {
	p.mu.Lock()
	defer p.mu.Unlock()
	return len(p.phones)
}

func (s *Server) handlePair(w http.ResponseWriter, r *http.Request) {
	if !sameOrigin(r) {
		refuse(w, http.StatusForbidden, "", "This request did not come from this machine's own page.",
			"Open the page from the address the machine shows.")
		return
	}
	if kind, _, _ := mime.ParseMediaType(r.Header.Get("Content-Type")); kind != "application/json" {
		refuse(w, http.StatusUnsupportedMediaType, "", "The code must come as JSON.", "Send Content-Type: application/json.")
		return
	}
	var body struct {
		Code string `json:"code"`
	}
	in := json.NewDecoder(http.MaxBytesReader(w, r.Body, pairBodyMax))
	in.DisallowUnknownFields()
	if err := in.Decode(&body); err != nil || in.Decode(&struct{}{}) != io.EOF {
		refuse(w, http.StatusBadRequest, "code", "The code could not be read.", `Send {"code":"123456"} and nothing else.`)
		return
	}
	if _, ok := s.pairing.client(r); ok {
		w.WriteHeader(http.StatusNoContent)
		return
	}
	token, wait, err := s.pairing.pair(r.Context(), body.Code, remoteAddr(r))
	switch {
	case err != nil:
		s.log.Error("the phone could not be kept", "err", err)
		refuse(w, http.StatusInternalServerError, "", "The code is right, but this phone could not be put on record.",
			"Look at the machine's log: it says what stands in the way.")
	case wait > 0:
		seconds := int((wait + time.Second - 1) / time.Second)
		w.Header().Set("Retry-After", strconv.Itoa(seconds))
		refuse(w, http.StatusTooManyRequests, "code", "Too many wrong codes.",
			fmt.Sprintf("Wait %d s, then type the code shown on the machine.", seconds))
	case token == "":
		s.log.Warn("wrong pairing code", "from", remoteAddr(r))
		refuse(w, http.StatusForbidden, "code", "That is not the code.", "Type the code shown on the machine's terminal.")
	default:
		http.SetCookie(w, &http.Cookie{
			Name: cookieName, Value: token, Path: "/", MaxAge: cookieDays * 24 * 3600,
			HttpOnly: true, SameSite: http.SameSiteStrictMode,
		})
		s.log.Info("phone paired", "from", remoteAddr(r), "phones", s.pairing.count())
		w.WriteHeader(http.StatusNoContent)
	}
}

func (s *Server) handleSession(w http.ResponseWriter, r *http.Request) {
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
