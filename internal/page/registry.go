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

	"stillwater/internal/record"
)

const (
	cookieName     = "stillwater"
	cookieLifetime = 30 * 24 * time.Hour
	maxPhones      = 64
)

// firstRelease is before any date of a clock that was set: the program is no older.
var firstRelease = time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)

// errForgotten is a phone whose pairing was under way when all phones were forgotten.
var errForgotten = errors.New("all phones were forgotten meanwhile")

// Phones stores which phones are paired, so that a restart does not unpair them. It gets hashes of tokens, never
// tokens.
type Phones interface {
	Phones(context.Context) ([]record.Phone, error) // the one paired first in front
	AddPhone(context.Context, record.Phone) error
	ForgetPhone(ctx context.Context, hash [sha256.Size]byte) error
	ForgetPhones(context.Context) error // all of them
}

// registry knows who is paired. The store may be slow to answer, or never do so: mu is never held meanwhile, so that
// only those wait who want to pair.
type registry struct {
	now      func() time.Time
	store    Phones                                            // nil: a restart forgets everyone
	inUse    func() (connected map[string]bool, holder string) // called without a lock
	onRevoke func(clients []string)                            // these are not paired any more; called without a lock
	log      *slog.Logger

	// storeMu is held for reading while a phone is added to the store, and for writing while all are removed from it:
	// a phone added before is removed, and one added after stays.
	storeMu sync.RWMutex

	mu         sync.Mutex
	phones     []member // the one paired first in front
	lastNumber int      // the highest number given to a phone: a name is not given twice, since it stands for the phone
	generation int      // how often all were forgotten
}

// member is a paired phone.
type member struct {
	record.Phone
	since time.Time // when this run first knew it; the monotonic part counts
}

// load reads the phones that were paired before and whose cookies are still valid, and removes the others from the
// store.
func (g *registry) load(ctx context.Context) error {
	if g.store == nil {
		return nil
	}
	phones, err := g.store.Phones(ctx)
	if err != nil {
		return err
	}
	over := len(phones) - maxPhones
	for i, phone := range phones {
		var n int
		if _, err := fmt.Sscanf(phone.Name, "phone %d", &n); err == nil {
			g.lastNumber = max(g.lastNumber, n)
		}
		m := member{phone, g.now()}
		if i >= over && !g.expired(m) {
			g.phones = append(g.phones, m)
		} else if err := g.store.ForgetPhone(ctx, phone.Hash); err != nil {
			return err
		}
	}
	return nil
}

// expired says that the phone's cookie is no longer good. The date of one that was paired before the machine's clock
// was set says nothing: then only the time in this run counts.
func (g *registry) expired(m member) bool {
	now := g.now()
	return now.Sub(m.since) >= cookieLifetime ||
		m.Paired.After(firstRelease) && now.Round(0).Sub(m.Paired.Round(0)) >= cookieLifetime
}

// current counts how often all phones were forgotten.
func (g *registry) current() (generation int) {
	g.mu.Lock()
	defer g.mu.Unlock()
	return g.generation
}

// add makes a token for a new phone, unless all phones were forgotten since the generation in which it gave the code.
// Where there are too many, another has to pair again: see makeRoom.
func (g *registry) add(ctx context.Context, generation int) (token string, err error) {
	g.storeMu.RLock()
	defer g.storeMu.RUnlock()
	raw := make([]byte, 32)
	rand.Read(raw)
	token = base64.RawURLEncoding.EncodeToString(raw)
	now := g.now()
	m := member{record.Phone{Hash: sha256.Sum256([]byte(token)), Name: g.newName(), Paired: now}, now}
	if g.store != nil {
		if err := g.store.AddPhone(ctx, m.Phone); err != nil {
			return "", err
		}
	}
	connected, holder := g.inUse()
	out, err := g.insert(m, generation, connected, holder)
	if err != nil {
		return "", err
	}
	if out != nil {
		g.revoke(ctx, *out)
	}
	return token, nil
}

// insert adds a phone and returns the one that had to make room for it.
func (g *registry) insert(
	m member, generation int, connected map[string]bool, holder string,
) (out *member, err error) {
	g.mu.Lock()
	defer g.mu.Unlock()
	if g.generation != generation {
		return nil, errForgotten // whoever forgets waits for storeMu and removes it from the store
	}
	if len(g.phones) >= maxPhones {
		i := g.makeRoom(connected, holder)
		revoked := g.phones[i]
		out, g.phones = &revoked, slices.Delete(g.phones, i, i+1)
	}
	g.phones = append(g.phones, m)
	return out, nil
}

// makeRoom is the index of the phone that has to pair again when there are too many: of those that are not connected
// the one paired first. Where all are, it is the one paired last, so that whoever pairs again and again costs no other
// phone its place. The phone that holds the controls keeps its own, also while it is away for a moment. The mutex is
// held.
func (g *registry) makeRoom(connected map[string]bool, holder string) int {
	i := slices.IndexFunc(g.phones, func(m member) bool { return m.Name != holder && !connected[m.Name] })
	if i >= 0 {
		return i
	}
	if i = len(g.phones) - 1; g.phones[i].Name == holder {
		i--
	}
	return i
}

func (g *registry) newName() string {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.lastNumber++
	return fmt.Sprintf("phone %d", g.lastNumber)
}

// revoke ends what a phone has open and removes it from the store. If that fails, the next start does it.
func (g *registry) revoke(ctx context.Context, m member) {
	g.onRevoke([]string{m.Name})
	if g.store == nil {
		return
	}
	if err := g.store.ForgetPhone(ctx, m.Hash); err != nil {
		g.log.Warn("cannot remove an unpaired phone from the record; the next start does", "err", err)
	}
}

// client is the id of the phone that a token stands for, false when there is none.
func (g *registry) client(ctx context.Context, token string) (id string, ok bool) {
	m, known, expired := g.find(sha256.Sum256([]byte(token)))
	if expired {
		g.revoke(ctx, m)
	}
	return m.Name, known && !expired
}

// valid reports whether a token stands for a phone that is paired, and not for too long.
func (g *registry) valid(token string) bool {
	hash := sha256.Sum256([]byte(token))
	g.mu.Lock()
	defer g.mu.Unlock()
	i := slices.IndexFunc(g.phones, func(m member) bool { return m.Hash == hash })
	return i >= 0 && !g.expired(g.phones[i])
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

// revokeAll forgets all phones, also those whose pairing is under way, and returns which were paired.
func (g *registry) revokeAll() (clients []string) {
	g.mu.Lock()
	defer g.mu.Unlock()
	for _, m := range g.phones {
		clients = append(clients, m.Name)
	}
	g.phones = nil
	g.generation++
	return clients
}

// clearStore removes all phones from the store.
func (g *registry) clearStore(ctx context.Context) error {
	if g.store == nil {
		return nil
	}
	g.storeMu.Lock()
	defer g.storeMu.Unlock()
	return g.store.ForgetPhones(ctx)
}
