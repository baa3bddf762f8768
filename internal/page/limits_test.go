package page

import (
	"bytes"
	"context"
	"fmt"
	"net/http"
	"net/http/httptest"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/gorilla/websocket"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/control"
)

// counter counts what is carried out.
type counter struct{ disarms, others atomic.Int64 }

func (c *counter) do(_ context.Context, _ string, cmd control.Command) error {
	if cmd.Type == "disarm" {
		c.disarms.Add(1)
	} else {
		c.others.Add(1)
	}
	return nil
}

// flood sends messages until the connection is closed, and returns how many refusals came and the code of the close. It
// reads meanwhile, as a browser does.
func (p *phone) flood(send func(i int) error) (refused, code int) {
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		for {
			_, data, err := p.conn.ReadMessage()
			if closed, ok := err.(*websocket.CloseError); ok {
				code = closed.Code
			}
			if err != nil {
				return
			}
			if m, err := p.screen.Take(data); err == nil && m.Type == "refused" {
				refused++
			}
		}
	}()
	for i := 1; send(i) == nil; i++ {
	}
	<-ended
	return refused, code
}

func (p *phone) take(i int) error {
	return p.conn.WriteMessage(websocket.TextMessage, fmt.Appendf(nil, `{"n":%d,"type":"take"}`, i))
}

// Twelve phones flood at one moment. No more than each one's burst is carried out, whatever they send, and another's
// disarm is one of the few things that are.
func TestFloodsAreTakenInAtTheirRateAndThenEnded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var done counter
		b := newBubble(t, &fakeController{do: done.do})
		other := b.dial(b.pair())
		var floods sync.WaitGroup
		for range 12 {
			phone := b.dial(b.pair())
			floods.Go(func() {
				refused, code := phone.flood(phone.take)
				assert.GreaterOrEqual(t, refused, refusalsBurst, "each is answered until the end")
				assert.Equal(t, websocket.ClosePolicyViolation, code)
			})
		}
		other.send(`{"n":1,"type":"disarm"}`)
		assert.Equal(t, message{Type: "done", Re: 1}, other.reply())
		floods.Wait()
		assert.EqualValues(t, 1, done.disarms.Load())
		assert.LessOrEqual(t, done.others.Load(), int64(12*messagesBurst))
		other.send(`{"n":2,"type":"take"}`)
		assert.Equal(t, "done", other.reply().Type, "others are not affected")
	})
}

// What a phone has used up stays so when it connects again; its disarm counts all the same. Time gives it back.
func TestConnectingAgainResetsNothing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var done counter
		b := newBubble(t, &fakeController{do: done.do})
		token := b.pair()
		phone := b.dial(token)
		phone.flood(phone.take)
		synctest.Wait()
		before := done.others.Load()

		phone = b.dial(token)
		phone.send(`{"n":1,"type":"disarm"}`)
		assert.Equal(t, message{Type: "done", Re: 1}, phone.reply())
		_, code := phone.flood(phone.take)
		assert.Equal(t, websocket.ClosePolicyViolation, code)
		assert.Equal(t, before, done.others.Load())
		connected := 2
		for {
			again, answer := b.connect(token)
			if again == nil {
				assert.Equal(t, http.StatusTooManyRequests, answer.StatusCode)
				assert.NotEmpty(t, answer.Header.Get("Retry-After"))
				break
			}
			connected++
		}
		assert.Less(t, connected, connectsBurst, "floods cost connections")
		b.dial(b.pair())

		time.Sleep(20 * time.Second)
		phone = b.dial(token)
		phone.send(`{"n":1,"type":"take"}`)
		assert.Equal(t, message{Type: "done", Re: 1}, phone.reply())
	})
}

// A connection that the server ends while the phone still sends is not reset: the phone reads every answer and why it
// ended. A disarm in what it sent too much still counts.
func TestWhatWasSaidBeforeACloseArrives(t *testing.T) {
	var done counter
	s, web := newServer(t, &fakeController{do: done.do})
	phone := dial(t, web, pairPhone(t, s, web))
	for i := range messagesBurst + refusalsBurst + 2000 {
		require.NoError(t, phone.take(i+1))
	}
	phone.send(`{"n":9,"type":"disarm"}`)
	refused := 0
	for m, err := phone.read(); ; m, err = phone.read() {
		if err != nil {
			assert.True(t, websocket.IsCloseError(err, websocket.ClosePolicyViolation), "%v", err)
			break
		}
		if m.Type == "refused" {
			refused++
		}
	}
	assert.GreaterOrEqual(t, refused, refusalsBurst)
	phone.conn.Close()
	s.sockets.close() // when all is done
	assert.EqualValues(t, 1, done.disarms.Load())
}

// Disarms beyond the rate are carried out, too, each at once; reading then pauses, so that they are no more a second
// than other messages.
func TestFloodsOfDisarmsKeepToTheRate(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var done counter
		b := newBubble(t, &fakeController{do: done.do})
		phone := b.dial(b.pair())
		go func() {
			var err error
			for i := 1; err == nil; i++ {
				err = phone.conn.WriteMessage(websocket.TextMessage, fmt.Appendf(nil, `{"n":%d,"type":"disarm"}`, i))
			}
		}()
		answers := 0
		for start := time.Now(); time.Since(start) < 10*time.Second; answers++ {
			phone.reply() // done, or under way
		}
		const most = messagesBurst + 10*messagesPerSecond
		assert.InDelta(t, most, answers, 3)
		assert.LessOrEqual(t, done.disarms.Load(), int64(most+3))
		other := b.dial(b.pair())
		other.send(`{"n":1,"type":"disarm"}`)
		assert.Equal(t, message{Type: "done", Re: 1}, other.reply())
	})
}

func TestFloodsOfAnythingEnd(t *testing.T) {
	const most = messagesBurst + refusalsBurst
	control := func(kind int) func(*phone) error {
		return func(p *phone) error { return p.conn.WriteControl(kind, nil, time.Time{}) }
	}
	message := func(kind, bytes int) func(*phone) error {
		return func(p *phone) error { return p.conn.WriteMessage(kind, make([]byte, bytes)) }
	}
	for name, c := range map[string]struct {
		most int // that the server lets pass
		send func(*phone) error
	}{
		"pings":  {most, control(websocket.PingMessage)},
		"pongs":  {most, control(websocket.PongMessage)},
		"long":   {refusalsBurst/oversizeCost + 1, message(websocket.TextMessage, maxMessageBytes+1)},
		"empty":  {most, message(websocket.TextMessage, 0)},
		"binary": {most, message(websocket.BinaryMessage, 1)},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				b := newBubble(t, &fakeController{})
				phone := b.dial(b.pair())
				sent := 0
				var pongs int
				phone.conn.SetPongHandler(func(string) error { pongs++; return nil })
				_, code := phone.flood(func(int) error { sent++; return c.send(phone) })
				assert.Equal(t, websocket.ClosePolicyViolation, code)
				assert.Greater(t, sent, c.most)
				assert.LessOrEqual(t, pongs, messagesBurst)
			})
		})
	}
}

// A message may come in any number of frames, and one that never ends is never counted.
func TestAFloodOfFramesWithinOneMessageEnds(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBubble(t, &fakeController{})
		phone := b.dial(b.pair())
		raw := phone.conn.NetConn()
		start, sent := time.Now(), 0
		_, code := phone.flood(func(i int) error {
			frames := bytes.Repeat([]byte{0x00, 0x80, 0, 0, 0, 0}, 100) // continuations with no data
			if i == 1 {
				frames = []byte{0x01, 0x80, 0, 0, 0, 0}
			}
			if i%1000 == 0 { // the phone is there: its silence does not end it
				frames = append(frames, 0x89, 0x80, 0, 0, 0, 0)
			}
			n, err := raw.Write(frames)
			if sent += n; sent > 3*bytesBurst { // it goes on for ever
				raw.Close()
			}
			return err
		})
		assert.Equal(t, websocket.ClosePolicyViolation, code)
		assert.Less(t, sent, 2*bytesBurst)
		assert.Less(t, time.Since(start), maxMissedHeartbeats*time.Second)
	})
}

func TestAPhonesFifthConnectionEndsItsOldest(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBubble(t, &fakeController{})
		token := b.pair()
		other := b.dial(b.pair())
		var phones []*phone
		for range maxSocketsPerPhone + 2 {
			phones = append(phones, b.dial(token))
			time.Sleep(time.Millisecond)
		}
		for _, replaced := range phones[:2] {
			assert.Equal(t, closeReplaced, replaced.closeCode())
		}
		for _, phone := range append(phones[2:], other) {
			phone.send(`{"n":1,"type":"take"}`)
			assert.Equal(t, message{Type: "done", Re: 1}, phone.reply())
		}
	})
}

// Sixty-four phones open all that they can, again and again. One that has a single connection keeps it, and gets in
// again when that is gone: whoever holds the controls does not lose them to neighbours.
func TestNobodyTakesTheLastConnectionOfAnother(t *testing.T) {
	s := sockets{open: map[*socket]struct{}{}}
	born := time.Unix(0, 0)
	connect := func(client string) *socket {
		born = born.Add(time.Millisecond)
		k := &socket{client: client, opened: born, ended: make(chan struct{})}
		require.True(t, s.add(k))
		return k
	}
	holder := connect("holder")
	for round := range 5 {
		for i := range maxPhones - 1 {
			connect(fmt.Sprint("phone ", i))
			require.LessOrEqual(t, s.live(), maxSockets)
		}
		require.False(t, holder.hasEnded())
		if round%2 == 1 {
			holder.stop(websocket.CloseGoingAway, "lost")
			holder = connect("holder")
		}
	}
	for i := range maxPhones - 1 {
		assert.NotEmpty(t, s.ofPhone(fmt.Sprint("phone ", i)))
	}
}

func TestRequestsBeyondTheRateWait(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBubble(t, &fakeController{})
		token, answered := b.pair(), atomic.Int64{}
		handler := b.s.limit(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { answered.Add(1) }))
		ask := func(from, cookie string) int {
			r := httptest.NewRequestWithContext(t.Context(), "GET", "/", nil)
			r.RemoteAddr = from + ":1234"
			if cookie != "" {
				r.AddCookie(&http.Cookie{Name: cookieName, Value: cookie})
			}
			w := httptest.NewRecorder()
			handler.ServeHTTP(w, r)
			return w.Code
		}
		start := time.Now()
		var all sync.WaitGroup
		var refused atomic.Int64
		const asked = 5 * requestsBurst
		for range asked {
			all.Go(func() {
				if ask("192.0.2.1", "") == http.StatusTooManyRequests {
					refused.Add(1)
				}
			})
		}
		synctest.Wait()
		assert.EqualValues(t, requestsBurst, answered.Load())
		assert.Equal(t, http.StatusOK, ask("192.0.2.2", ""), "another address")
		assert.Equal(t, http.StatusOK, ask("192.0.2.1", token), "a paired phone behind the same router")
		assert.Zero(t, time.Since(start))
		all.Wait()
		waiting := int64(requestsPerSecond * maxRequestWait.Seconds())
		assert.InDelta(t, asked-requestsBurst-waiting, refused.Load(), 1)
		assert.InDelta(t, maxRequestWait, time.Since(start), float64(20*time.Millisecond))
	})
}

func TestRequestersAreForgotten(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		q := newRequesters(requestsPerSecond, requestsBurst)
		first := q.limiter("first")
		for i := range 3 * maxRequesters {
			time.Sleep(time.Millisecond)
			q.limiter(i)
			require.LessOrEqual(t, len(q.byKey), maxRequesters)
		}
		assert.NotSame(t, first, q.limiter("first"))
		assert.Same(t, q.limiter("first"), q.limiter("first"))
	})
}
