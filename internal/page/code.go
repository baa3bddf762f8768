package page

import (
	"crypto/rand"
	"crypto/subtle"
	"fmt"
	"math/big"
	"regexp"
	"strings"
	"sync"
	"unicode"
)

// The code is six digits, easy to type, until wrong codes were typed shortTries times. Then it is void, and a long one
// takes its place until somebody at the machine asks for a new one.
//
// A wrong code never makes anybody wait, and no address is counted: an attacker who could use up tries or fill a table
// could lock everyone else out, has as many addresses as he likes, and one network can be a whole studio's. What stops
// guessing is that the short code allows so few tries, in its whole life and from everybody together, and that the
// long one has so many values. Chances of being guessed:
//
//	short: shortTries / 10^6                = 2 in 100,000, at each start or new short code
//	long:  guesses a second * time / 32^10  = 15 in 100,000 in 30 days of 65,000 guesses a second
//
// A code that is kept from start to start (Options.Code) allows shortTries in each of them: 2 in 100,000 a start, as
// new codes would.
//
// 65,000 a second are as many as two cores could answer that do nothing else, with no network in between: a guess takes
// 31 us of processor time (BenchmarkGuesses, which made 10,000 a second beside other work on two shared cores).
const (
	shortDigits = 6
	shortTries  = 20
	longLetters = 10
	longGroup   = 5 // characters between hyphens, as it is shown
)

// alphabet is Crockford's base 32: no I, L, O or U. https://www.crockford.com/base32.html
const alphabet = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"

var (
	shortForm = regexp.MustCompile(fmt.Sprintf("^[0-9]{%d}$", shortDigits))
	longForm  = regexp.MustCompile(fmt.Sprintf("^[%s]{%d}$", alphabet, longLetters))
)

// newShort draws a short code, each as likely as any other.
func newShort() string {
	limit := new(big.Int).Exp(big.NewInt(10), big.NewInt(shortDigits), nil)
	n, err := rand.Int(rand.Reader, limit)
	if err != nil {
		panic(err) // crypto/rand does not fail on supported systems
	}
	return fmt.Sprintf("%0*d", shortDigits, n)
}

// newLong draws a long code, each as likely as any other.
func newLong() string {
	letters := make([]byte, longLetters)
	rand.Read(letters)
	for i, b := range letters {
		letters[i] = alphabet[int(b)%len(alphabet)] // 256 is a multiple of 32
	}
	return string(letters)
}

// normalizeCode is a code without what people add or change when they type it: spaces, hyphens, small letters, and
// letters that look like digits.
func normalizeCode(typed string) string {
	return strings.Map(func(r rune) rune {
		switch r = unicode.ToUpper(r); {
		case r == 'I' || r == 'L':
			return '1'
		case r == 'O':
			return '0'
		case unicode.IsSpace(r) || unicode.Is(unicode.Pd, r):
			return -1
		}
		return r
	}, typed)
}

// CodeChange is a new pairing code and why there is one.
type CodeChange struct {
	Code    string // as it is shown
	Guessed bool   // too many wrong codes were typed, and this one is longer; otherwise it was asked for
}

// wrongCodeError is a code that does not pair.
type wrongCodeError struct {
	count    int  // wrong codes since the last short code was drawn
	replaced bool // it looks like a short code, and the machine shows a long one now
}

func (e *wrongCodeError) Error() string {
	if e.replaced {
		return "the code of six digits was replaced by a longer one"
	}
	return "wrong code"
}

// codes has the code that pairs, and counts the wrong ones.
type codes struct {
	mu    sync.Mutex
	code  string // plain
	count int    // wrong ones since the last short code was drawn; success does not reset it, and neither does time

	notifyMu sync.Mutex       // so that the last call of changed has the last code
	changed  func(CodeChange) // nil: not called
}

// newCodes begins with the code of an earlier start, as it was shown, or else with a new one.
func newCodes(kept string, changed func(CodeChange)) *codes {
	code := normalizeCode(kept)
	if !shortForm.MatchString(code) && !longForm.MatchString(code) {
		code = newShort()
	}
	return &codes{code: code, changed: changed}
}

// check compares what was typed with the code. Wrong ones are counted one by one, also those of the same moment.
func (c *codes) check(typed string) error {
	wrong, voided := c.compare(normalizeCode(typed))
	if voided {
		c.notify()
	}
	if wrong != nil {
		return wrong
	}
	return nil
}

func (c *codes) compare(plain string) (wrong *wrongCodeError, voided bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if subtle.ConstantTimeCompare([]byte(plain), []byte(c.code)) == 1 {
		return nil, false
	}
	c.count++
	if voided = c.count == shortTries; voided {
		c.code = newLong()
	}
	return &wrongCodeError{count: c.count, replaced: c.isLong() && shortForm.MatchString(plain)}, voided
}

// renew draws a new short code. Call notify afterwards.
func (c *codes) renew() {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.code, c.count = newShort(), 0
}

// notify calls changed with the code there is now.
func (c *codes) notify() {
	if c.changed == nil {
		return
	}
	c.notifyMu.Lock()
	defer c.notifyMu.Unlock()
	c.changed(CodeChange{Code: c.displayed(), Guessed: c.long()})
}

// displayed is the code as people read it.
func (c *codes) displayed() string {
	c.mu.Lock()
	defer c.mu.Unlock()
	if !c.isLong() {
		return c.code
	}
	return c.code[:longGroup] + "-" + c.code[longGroup:]
}

// long says which form the code has, which is no secret.
func (c *codes) long() bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.isLong()
}

func (c *codes) isLong() bool { return len(c.code) == longLetters }
