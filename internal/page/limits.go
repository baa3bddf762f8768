package page

import (
	"context"
	"net/http"
	"strconv"
	"sync"
	"time"

	"golang.org/x/time/rate"
)

// What one phone may do, over all its connections together. A new connection starts where the last one ended.
const (
	messagesPerSecond = 20 // taken in, pings and pongs among them
	messagesBurst     = 40
	refusalsPerSecond = 20 // beyond that, answered with a refusal; beyond both the connection ends
	refusalsBurst     = 40
	oversizeCost      = 8 // refusals: reading a long message is work

	// Bytes are limited too, because a message may come in any number of frames, and empty ones are not counted. No
	// messages within the rates need as many.
	bytesPerSecond = 2 * messagesPerSecond * maxMessageBytes
	bytesBurst     = 2 * (messagesBurst + refusalsBurst) * maxMessageBytes

	connectsPerSecond  = 1
	connectsBurst      = 8
	floodCost          = 4 // connections: a phone that is cut off for its messages waits a little before it is back
	maxSocketsPerPhone = 4 // a phone's fifth connection ends its oldest
)

// phoneLimits is what one phone may still do.
type phoneLimits struct{ messages, refusals, bytes, connects *rate.Limiter }

func newPhoneLimits() *phoneLimits {
	return &phoneLimits{
		messages: rate.NewLimiter(messagesPerSecond, messagesBurst),
		refusals: rate.NewLimiter(refusalsPerSecond, refusalsBurst),
		bytes:    rate.NewLimiter(bytesPerSecond, bytesBurst),
		connects: rate.NewLimiter(connectsPerSecond, connectsBurst),
	}
}

// What one address may ask for by HTTP, unless it is a paired phone's request, which counts for the phone. One address
// can be many phones behind a router.
const (
	requestsPerSecond = 100
	requestsBurst     = 400
	maxRequestWait    = 2 * time.Second // longer waits are refused
	maxRequesters     = 1024
)

// requesters limits requests, by phone or else by address.
type requesters struct {
	perSecond rate.Limit
	burst     int

	mu    sync.Mutex
	byKey map[any]*requester // by name of a phone (string) or address
}

func newRequesters(perSecond rate.Limit, burst int) requesters {
	return requesters{perSecond: perSecond, burst: burst, byKey: map[any]*requester{}}
}

type requester struct {
	*rate.Limiter
	last time.Time
}

// limiter is the limiter of a phone or an address. With too many, the one that asked longest ago is evicted: its
// limiter has refilled most.
func (q *requesters) limiter(who any) *rate.Limiter {
	q.mu.Lock()
	defer q.mu.Unlock()
	r := q.byKey[who]
	if r == nil {
		if len(q.byKey) >= maxRequesters {
			q.evictOldest()
		}
		r = &requester{Limiter: rate.NewLimiter(q.perSecond, q.burst)}
		q.byKey[who] = r
	}
	r.last = time.Now()
	return r.Limiter
}

func (q *requesters) evictOldest() {
	var oldest any
	var at time.Time
	for who, r := range q.byKey {
		if oldest == nil || r.last.Before(at) {
			oldest, at = who, r.last
		}
	}
	delete(q.byKey, oldest)
}

// limit makes requests beyond the rate wait, and refuses those that would have to wait for long. As each address has
// few connections, few wait.
func (s *Server) limit(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		var who any = remoteAddr(r)
		if client, paired := s.pairing.client(r); paired {
			who = client
		}
		if admit(w, r, s.requesters.limiter(who)) {
			next.ServeHTTP(w, r)
		}
	})
}

// admit waits for a request's turn; false: it was refused, or nobody waits for it any more.
func admit(w http.ResponseWriter, r *http.Request, limiter *rate.Limiter) bool {
	turn := limiter.Reserve()
	wait := turn.Delay()
	if wait > maxRequestWait {
		turn.Cancel()
		refuseTooMany(w, wait, "Too many requests.")
		return false
	}
	return sleep(r.Context(), wait)
}

// sleep waits, and reports whether it did so to the end.
func sleep(ctx context.Context, d time.Duration) bool {
	if d <= 0 {
		return true
	}
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-timer.C:
		return true
	case <-ctx.Done():
		return false
	}
}

func refuseTooMany(w http.ResponseWriter, wait time.Duration, why string) {
	w.Header().Set("Retry-After", strconv.Itoa(int((wait+time.Second-1)/time.Second)))
	http.Error(w, why+" Wait a moment and try again.", http.StatusTooManyRequests)
}
