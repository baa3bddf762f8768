package page

import (
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"io"
	"math/big"
	"mime"
	"net/http"
	"net/netip"
	"strconv"
	"sync"
	"time"

	"stillwater/internal/control"
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

// pairing knows the code, who is paired, and who guessed wrong. Tokens are kept as hashes, in memory only.
type pairing struct {
	code string
	now  func() time.Time

	mu     sync.Mutex
	phones map[[sha256.Size]byte]string
	all    tries
	byAddr map[netip.Prefix]*tries
}

func newPairing() *pairing {
	return &pairing{
		code: newCode(), now: time.Now,
		phones: map[[sha256.Size]byte]string{}, byAddr: map[netip.Prefix]*tries{},
	}
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
func (p *pairing) pair(code string, from netip.Addr) (token string, wait time.Duration, err error) {
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
	if len(p.phones) >= mostPhones {
		return "", 0, fmt.Errorf("%d phones are paired already", mostPhones)
	}
	*addr = tries{}
	raw := make([]byte, 32)
	rand.Read(raw)
	token = base64.RawURLEncoding.EncodeToString(raw)
	p.phones[sha256.Sum256([]byte(token))] = fmt.Sprintf("phone %d", len(p.phones)+1)
	return token, 0, nil
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
	p.mu.Lock()
	defer p.mu.Unlock()
	id, ok := p.phones[sha256.Sum256([]byte(cookie.Value))]
	return id, ok
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
	token, wait, err := s.pairing.pair(body.Code, remoteAddr(r))
	switch {
	case err != nil:
		refuse(w, http.StatusTooManyRequests, "", "No more phones can be paired: "+err.Error()+".",
			"Restart Stillwater on the machine; phones then pair again.")
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
