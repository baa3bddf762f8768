package page

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"sync"
	"time"

	"stillwater/internal/journal"
)

const (
	cookieName = "stillwater"
	cookieLife = 30 * 24 * time.Hour
	mostPhones = 64
)

// believable is a date that a clock which was set may say: the program is no older.
var believable = time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)

// errForgotten is a phone whose pairing was under way when all phones were forgotten.
var errForgotten = errors.New("all phones were forgotten meanwhile")

// Phones keeps who is paired over a restart. It gets hashes of tokens, never tokens.
type Phones interface {
	Phones(context.Context) ([]journal.Phone, error) // the one paired first in front
	AddPhone(context.Context, journal.Phone) error
	ForgetPhone(ctx context.Context, hash [sha256.Size]byte) error
	ForgetPhones(context.Context) error // all of them
}

// registry knows who is paired. What is kept may be slow to answer, or never do so: mu is never held meanwhile, so that
// only those wait who want to pair.
type registry struct {
	now  func() time.Time
	kept Phones                 // nil: a restart forgets everyone
	gone func(clients []string) // these are not paired any more; called without a lock
	log  *slog.Logger

	// keeping is held for reading while a phone is added to what is kept, and for writing while all are removed from it:
	// a phone added before is removed, and one added after stays.
	keeping sync.RWMutex

	mu         sync.Mutex
	phones     []member // the one paired first in front
	named      int      // the highest number given to a phone: a name is not given twice, since it stands for the phone
	generation int      // how often all were forgotten
}

// member is a paired phone.
type member struct {
	journal.Phone
	since time.Time // when this run first knew it; the monotonic part counts
}

// load takes up the phones that were paired before and whose cookies are still good; the others are removed from what
// is kept.
func (g *registry) load(ctx context.Context) error {
	if g.kept == nil {
		return nil
	}
	phones, err := g.kept.Phones(ctx)
	if err != nil {
		return err
	}
	over := len(phones) - mostPhones
	for i, phone := range phones {
		var n int
		if _, err := fmt.Sscanf(phone.Name, "phone %d", &n); err == nil {
			g.named = max(g.named, n)
		}
		m := member{phone, g.now()}
		if i >= over && !g.expired(m) {
			g.phones = append(g.phones, m)
		} else if err := g.kept.ForgetPhone(ctx, phone.Hash); err != nil {
			return err
		}
	}
	return nil
}

// expired says that the phone's cookie is no longer good. The date of one that was paired before the machine's clock
// was set says nothing: then only the time in this run counts.
func (g *registry) expired(m member) bool {
	now := g.now()
	return now.Sub(m.since) >= cookieLife ||
		m.Paired.After(believable) && now.Round(0).Sub(m.Paired.Round(0)) >= cookieLife
}

// current counts how often all phones were forgotten.
func (g *registry) current() (generation int) {
	g.mu.Lock()
	defer g.mu.Unlock()
	return g.generation
}

// admit makes a token for a new phone, unless all phones were forgotten since the generation in which it gave the code.
// Where there are too many, the one paired first has to pair again.
func (g *registry) admit(ctx context.Context, generation int) (token string, err error) {
	g.keeping.RLock()
	defer g.keeping.RUnlock()
	raw := make([]byte, 32)
	rand.Read(raw)
	token = base64.RawURLEncoding.EncodeToString(raw)
	now := g.now()
	m := member{journal.Phone{Hash: sha256.Sum256([]byte(token)), Name: g.newName(), Paired: now}, now}
	if g.kept != nil {
		if err := g.kept.AddPhone(ctx, m.Phone); err != nil {
			return "", err
		}
	}
	first, err := g.add(m, generation)
	if err != nil {
		return "", err
	}
	if first != nil {
		g.drop(ctx, *first)
	}
	return token, nil
}

// add takes a phone in and says which one had to make room for it.
func (g *registry) add(m member, generation int) (first *member, err error) {
	g.mu.Lock()
	defer g.mu.Unlock()
	if g.generation != generation {
		return nil, errForgotten // whoever forgets waits for keeping and removes it from what is kept
	}
	g.phones = append(g.phones, m)
	if len(g.phones) > mostPhones {
		first, g.phones = &g.phones[0], g.phones[1:]
	}
	return first, nil
}

func (g *registry) newName() string {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.named++
	return fmt.Sprintf("phone %d", g.named)
}

// drop ends what a phone has open and removes it from what is kept. If that fails, the next start does it.
func (g *registry) drop(ctx context.Context, m member) {
	g.gone([]string{m.Name})
	if g.kept == nil {
		return
	}
	if err := g.kept.ForgetPhone(ctx, m.Hash); err != nil {
		g.log.Warn("a phone that is not paired any more is still on record; the next start removes it", "err", err)
	}
}

// client is the id of the phone that a token stands for, false when there is none.
func (g *registry) client(ctx context.Context, token string) (id string, ok bool) {
	m, known, expired := g.find(sha256.Sum256([]byte(token)))
	if expired {
		g.drop(ctx, m)
	}
	return m.Name, known && !expired
}

// find looks a phone up; one that is expired is found for the last time.
func (g *registry) find(hash [sha256.Size]byte) (m member, known, expired bool) {
	g.mu.Lock()
	defer g.mu.Unlock()
	i := slices.IndexFunc(g.phones, func(m member) bool { return m.Hash == hash })
	if i < 0 {
		return member{}, false, false
	}
	m = g.phones[i]
	if expired = g.expired(m); expired {
		g.phones = slices.Delete(g.phones, i, i+1)
	}
	return m, true, expired
}

func (g *registry) count() int {
	g.mu.Lock()
	defer g.mu.Unlock()
	return len(g.phones)
}

// clear forgets all phones, also those whose pairing is under way, and says which were paired.
func (g *registry) clear() (clients []string) {
	g.mu.Lock()
	defer g.mu.Unlock()
	for _, m := range g.phones {
		clients = append(clients, m.Name)
	}
	g.phones = nil
	g.generation++
	return clients
}

// removeKept removes the phones that clear forgot from what is kept.
func (g *registry) removeKept(ctx context.Context) error {
	if g.kept == nil {
		return nil
	}
	g.keeping.Lock()
	defer g.keeping.Unlock()
	return g.kept.ForgetPhones(ctx)
}
