package main

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"net/http"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/gorilla/websocket"
	"github.com/stretchr/testify/assert"
	"golang.org/x/sys/unix"

	"stillwater/internal/control"
	"stillwater/internal/page/pagetest"
	"stillwater/internal/proctest"
)

// chatter is what a phone gone mad may send: broken text, unknown things, and commands that only the holder may give.
func chatter(r *rand.Rand) string {
	n := r.IntN(1 << 20)
	switch r.IntN(9) {
	case 0:
		return fmt.Sprintf(`{"n":%d,"type":"arm","shots":%d}`, n, r.IntN(2000)-500)
	case 1:
		return fmt.Sprintf(`{"n":%d,"type":"go"}`, n)
	case 2:
		return fmt.Sprintf(`{"n":%d,"type":"set","field":"trim.drop","value":"%d ms"}`, n, r.IntN(99))
	case 3:
		return fmt.Sprintf(`{"n":%d,"type":"verdict","shot":%d,"verdict":"good"}`, n, r.IntN(9))
	case 4:
		return fmt.Sprintf(`{"n":%d,"type":"give","to":"phone %d"}`, n, r.IntN(99))
	case 5:
		return fmt.Sprintf(`{"n":%d,"type":"care","id":"water","ticked":false}`, n)
	case 6:
		return `{"n":` + strings.Repeat("[", r.IntN(500))
	case 7:
		return fmt.Sprintf(`{"n":%d,"type":"launch"}`, -n)
	default:
		junk := make([]byte, r.IntN(3000))
		for i := range junk {
			junk[i] = byte(r.Uint32())
		}
		return string(junk)
	}
}

// floodRandomly sends n messages as fast as it can, over as many connections as that takes and it is allowed, and
// counts what was refused.
func (r *daemonRun) floodRandomly(cookie *http.Cookie, chance *rand.Rand, n int, refused *atomic.Int64) error {
	header := http.Header{"Origin": {r.url}, "Cookie": {cookie.Name + "=" + cookie.Value}}
	for n > 0 {
		conn, answer, err := websocket.DefaultDialer.Dial(strings.Replace(r.url, "http", "ws", 1)+"/ws", header)
		if answer != nil && answer.StatusCode == http.StatusTooManyRequests {
			return nil
		}
		if err != nil {
			return err
		}
		ended := make(chan error)
		go func() {
			for {
				var m struct {
					Type string `json:"type"`
				}
				if err := conn.ReadJSON(&m); err != nil {
					ended <- err
					return
				}
				if m.Type == "refused" {
					refused.Add(1)
				}
			}
		}()
		for err == nil && n > 0 {
			err = conn.WriteMessage(websocket.TextMessage, []byte(chatter(chance)))
			n--
		}
		if err == nil { // it has had enough, and waits for the rest of the answers
			conn.WriteControl(websocket.CloseMessage, nil, time.Now().Add(time.Minute))
		}
		err = <-ended
		conn.Close()
		// On a busy machine it sends on for longer than the page reads after the end, and is cut off: it sees that as it
		// reads, or as it answers a ping.
		if !websocket.IsCloseError(err, websocket.CloseNormalClosure, websocket.ClosePolicyViolation) &&
			!errors.Is(err, unix.ECONNRESET) && !errors.Is(err, unix.EPIPE) {
			return fmt.Errorf("the connection ended badly: %w", err)
		}
	}
	return nil
}

// onlooker is a phone that takes in what it is shown.
type onlooker struct {
	*wsPhone
	mu   sync.Mutex
	seen *control.Snapshot
	gone error
}

func (h *wsPhone) lookOn() *onlooker {
	o := &onlooker{wsPhone: h, seen: h.last}
	go func() {
		for {
			h.conn.SetReadDeadline(time.Now().Add(patience))
			_, data, err := h.conn.ReadMessage()
			var m pagetest.Message
			if err == nil {
				m, err = h.screen.Take(data)
			}
			o.mu.Lock()
			if m.Snapshot != nil {
				o.seen = m.Snapshot
			}
			o.gone = err
			o.mu.Unlock()
			if err != nil {
				return
			}
		}
	}()
	return o
}

// look is what is on the phone's screen now.
func (o *onlooker) look() (*control.Snapshot, error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.seen, o.gone
}

// Fifty phones look on and five more send thousands of messages of nonsense, while one shoots. Its shots are made, any
// of the onlookers can disarm, and in the end all have seen the same.
func TestFiftyPhonesAndThousandsOfMessages(t *testing.T) {
	d := startDaemon(t, "--listen", "127.0.0.1:0", "--journal", filepath.Join(t.TempDir(), "j.db"), "--seed", "5")
	phones := make([]*onlooker, 50)
	for i := range phones {
		phones[i] = d.pair().lookOn()
	}
	cookies := [5]*http.Cookie{}
	for i := range cookies {
		h := d.pair()
		h.conn.Close()
		cookies[i] = h.cookie
	}
	holder := d.pair()
	holder.ready()
	want := holder.last.Set

	const each = 1000
	var refused atomic.Int64
	var noise sync.WaitGroup
	failures := make([]error, len(cookies))
	for i, cookie := range cookies {
		chance := rand.New(rand.NewPCG(uint64(i), 4))
		noise.Go(func() { failures[i] = d.floodRandomly(cookie, chance, each, &refused) })
	}
	for i := range 3 {
		holder.anyShot() // beside all this it may be late, and then says so
		holder.arm(9)
		for phones[7*i].conn.WriteJSON(map[string]any{"n": i + 1, "type": "disarm"}) != nil {
			// One that did not read for long was thrown out. While it joins, the holder does not read.
			t.Logf("phone %d was thrown out", 7*i)
			phones[7*i] = d.join(phones[7*i].cookie).lookOn()
			holder.conn.Close()
			holder = d.join(holder.cookie)
			holder.must(control.Command{Type: "disarm"})
			holder.until("disarmed", func(s *control.Snapshot) bool { return s.State == control.Safe })
			holder.hold() // and ticks the checklist, which nothing that is armed allows
			holder.arm(9)
		}
		holder.until("disarmed by an onlooker", func(s *control.Snapshot) bool {
			return s.State == control.Safe && strings.Contains(s.Reason, "disarmed by")
		})
	}
	noise.Wait()
	for i, err := range failures {
		assert.NoError(t, err, "mad phone %d", i)
	}
	assert.Positive(t, refused.Load(), "refusals were said")
	assert.Equal(t, want, holder.last.Set, "and nothing of it was done")
	assert.Equal(t, "done", holder.oneShot().Status, "the next arming works")
	for i, p := range phones {
		var seen *control.Snapshot
		proctest.Eventually(t, fmt.Sprintf("phone %d sees the last shot", i), func() bool {
			var err error
			if seen, err = p.look(); err != nil {
				p = d.join(p.cookie).lookOn()
				return false
			}
			return seen.ShotCount >= holder.last.ShotCount
		})
		assert.Equal(t, holder.last.Shots[0].ID, seen.Shots[0].ID, "phone %d", i)
		assert.Equal(t, holder.last.Holder, seen.Holder, "phone %d", i)
	}
}
