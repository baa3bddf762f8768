package page

import (
	"context"
	"encoding/binary"
	"encoding/json"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/gorilla/websocket"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/control"
	"stillwater/internal/page/pagetest"
	"stillwater/internal/proctest"
)

// phone is a websocket client of the test.
type phone struct {
	t      *testing.T
	conn   *websocket.Conn
	screen pagetest.Screen
}

type message = pagetest.Message

func connect(
	t *testing.T, web *httptest.Server, cookie *http.Cookie, origin string,
) (*websocket.Conn, *http.Response, error) {
	t.Helper()
	head := http.Header{}
	if origin != "" {
		head.Set("Origin", origin)
	}
	if cookie != nil {
		head.Set("Cookie", cookie.Name+"="+cookie.Value)
	}
	return websocket.DefaultDialer.DialContext(t.Context(), strings.Replace(web.URL, "http", "ws", 1)+"/ws", head)
}

func dial(t *testing.T, web *httptest.Server, cookie *http.Cookie) *phone {
	t.Helper()
	conn, _, err := connect(t, web, cookie, web.URL)
	require.NoError(t, err)
	t.Cleanup(func() { conn.Close() })
	return &phone{t: t, conn: conn}
}

func (p *phone) send(text string) {
	p.t.Helper()
	require.NoError(p.t, p.conn.WriteMessage(websocket.TextMessage, []byte(text)))
}

// read is the next message, or why there is none any more.
func (p *phone) read() (message, error) {
	p.t.Helper()
	_, data, err := p.conn.ReadMessage()
	if err != nil {
		return message{}, err
	}
	m, err := p.screen.Take(data)
	require.NoError(p.t, err)
	return m, nil
}

// next is the next message that is not of the types to skip.
func (p *phone) next(skip ...string) message {
	p.t.Helper()
	for {
		m, err := p.read()
		require.NoError(p.t, err)
		if !slices.Contains(skip, m.Type) {
			return m
		}
	}
}

func (p *phone) snapshot() message { p.t.Helper(); return p.next("heartbeat", "done", "refused") }
func (p *phone) reply() message    { p.t.Helper(); return p.next("heartbeat", "snapshot", "changed") }

// closeCode reads until the connection is closed.
func (p *phone) closeCode() int {
	for {
		if _, _, err := p.conn.ReadMessage(); err != nil {
			if closed, ok := err.(*websocket.CloseError); ok {
				return closed.Code
			}
			p.t.Logf("closed: %v", err)
			return 0
		}
	}
}

func TestOnlyPairedPhonesFromThisPageConnect(t *testing.T) {
	s, web := newServer(t, &fakeController{})
	cookie := pairPhone(t, s, web)
	for name, c := range map[string]struct {
		cookie *http.Cookie
		origin string
		want   int
	}{
		"not paired":   {nil, web.URL, 401},
		"forged":       {&http.Cookie{Name: cookieName, Value: strings.Repeat("A", 43)}, web.URL, 401},
		"other origin": {cookie, "http://evil.example", 403},
		"other port":   {cookie, "http://127.0.0.1:1", 403},
		"suffix":       {cookie, web.URL + ".evil.example", 403},
		"null":         {cookie, "null", 403},
		"no origin":    {cookie, "", 403},
	} {
		t.Run(name, func(t *testing.T) {
			_, answer, err := connect(t, web, c.cookie, c.origin)
			require.Error(t, err)
			require.NotNil(t, answer)
			assert.Equal(t, c.want, answer.StatusCode)
		})
	}
}

func TestCommandsAreCarriedOutAndAnswered(t *testing.T) {
	notNow := &control.Refusal{
		Field: "f", Why: "Not now.", Remedy: "Later.", Fixes: []control.Fix{{Field: "a", Value: "b"}},
	}
	p := &fakeController{do: func(_ context.Context, client string, cmd control.Command) error {
		if cmd.Type == "go" {
			return notNow
		}
		if cmd.Type == "set" {
			assert.Equal(t, "phone 1", client)
			assert.NotNil(t, cmd.Connection)
			cmd.Connection = nil
			assert.Equal(t, control.Command{Type: "set", Field: "drop.height", Value: "40 cm"}, cmd)
		}
		return nil
	}}
	s, web := newServer(t, p)
	phone := dial(t, web, pairPhone(t, s, web))
	first := phone.next()
	assert.Equal(t, "snapshot", first.Type)
	assert.Equal(t, "phone 1", first.You)
	assert.Equal(t, control.Armed, first.Snapshot.State)
	phone.send(`{"n":1,"type":"set","field":"drop.height","value":"40 cm"}`)
	assert.Equal(t, message{Type: "done", Re: 1}, phone.reply())
	phone.send(`{"n":2,"type":"go"}`)
	assert.Equal(t, message{Type: "refused", Re: 2, Refusal: notNow}, phone.reply())

	other := dial(t, web, pairPhone(t, s, web))
	assert.Equal(t, "phone 2", other.next().You)
	other.conn.Close()
	proctest.Eventually(t, "the phone is gone", func() bool { return len(p.gone()) == 1 })
	assert.Equal(t, []string{"phone 2"}, p.gone())
}

func TestMalformedMessagesAreRefusedAndTheConnectionLives(t *testing.T) {
	done := 0
	s, web := newServer(t, &fakeController{
		do: func(context.Context, string, control.Command) error { done++; return nil },
	})
	phone := dial(t, web, pairPhone(t, s, web))
	for _, c := range []struct {
		text string
		re   int64
		why  string
	}{
		{``, 0, "one JSON object"},
		{`[]`, 0, "one JSON object"},
		{`{"n":3,"type":"disarm"} {}`, 0, "something follows"},
		{`{"n":3,"n":4,"type":"disarm"}`, 0, "given twice"},
		{`{"n":3`, 0, "one JSON object: it ends too early"},
		{`{"type":"disarm"}`, 0, "no number"},
		{`{"n":0,"type":"disarm"}`, 0, "no number"},
		{`{"n":1.5,"type":"disarm"}`, 0, "no number"},
		{`{"n":5}`, 5, "no type"},
		{`{"n":5,"type":5}`, 5, "no type"},
		{`{"n":6,"type":"launch"}`, 6, `no command \"launch\"`},
		{`{"n":7,"type":"disarm","force":true}`, 7, `no field \"force\"`},
		{`{"n":7,"type":"arm","Shots":1}`, 7, `no field \"Shots\"`},
		{`{"n":8,"type":"arm","shots":"many"}`, 8, `"shots" is of the wrong kind: string`},
		{`{"n":8,"type":"arm","shots":1.5}`, 8, `"shots" is of the wrong kind: number 1.5`},
		{`{"n":8,"type":"spot","session":1,"x":null,"y":0.5}`, 8, `"x" is of the wrong kind: null`},
		{`{"n":8,"type":"match","session":null}`, 8, `"session" is of the wrong kind: null`},
		{`{"n":8,"type":"match","kinds":null}`, 8, `"match" takes no field "kinds"`},
		{`{"n":null,"type":"disarm"}`, 0, "no number"},
		{"{\"n\":9,\"type\":\"note\",\"shot\":1,\"text\":\"\xff\"}", 0, "UTF-8"},
		{`{"n":10,"type":"note","shot":1,"text":"` + strings.Repeat("a", maxMessageBytes) + `"}`, 0, "longer than"},
	} {
		kind := websocket.TextMessage
		if strings.Contains(c.why, "UTF-8") {
			kind = websocket.BinaryMessage
			c.why = "not text"
		}
		require.NoError(t, phone.conn.WriteMessage(kind, []byte(c.text)))
		got := phone.reply()
		require.Equal(t, "refused", got.Type, c.text)
		assert.Equal(t, c.re, got.Re, c.text)
		assert.Contains(t, got.Refusal.Why, strings.ReplaceAll(c.why, `\"`, `"`), c.text)
		assert.NotEmpty(t, got.Refusal.Remedy)
	}
	assert.Zero(t, done)
	phone.send(`{"n":11,"type":"take"}`)
	assert.Equal(t, message{Type: "done", Re: 11}, phone.reply())
}

// A message that announces too great a length ends the connection before any of it is read. Only the frame's header is
// sent: with a payload on its way the kernel may answer the close with a reset, which loses the close code.
func TestHugeMessagesEndTheConnection(t *testing.T) {
	s, web := newServer(t, &fakeController{})
	phone := dial(t, web, pairPhone(t, s, web))
	phone.snapshot()
	header := []byte{0x81, 0x80 | 127} // final text frame, masked, 64-bit length (RFC 6455, section 5.2)
	header = binary.BigEndian.AppendUint64(header, 4*readLimit)
	_, err := phone.conn.NetConn().Write(append(header, 1, 2, 3, 4)) // masking key
	require.NoError(t, err)
	assert.Equal(t, websocket.CloseMessageTooBig, phone.closeCode())
}

func TestDisarmGoesPastCommandsThatHang(t *testing.T) {
	hang := make(chan struct{})
	s, web := newServer(t, &fakeController{do: func(_ context.Context, _ string, cmd control.Command) error {
		if cmd.Type == "arm" {
			<-hang
		}
		return nil
	}})
	defer close(hang)
	phone := dial(t, web, pairPhone(t, s, web))
	phone.send(`{"n":1,"type":"arm","shots":1}`)
	phone.send(`{"n":2,"type":"go"}`)
	phone.send(`{"n":3,"type":"disarm"}`)
	assert.Equal(t, message{Type: "done", Re: 3}, phone.reply())
}

// A phone that reads nothing fills its queue of answers; it is dropped, and everything else goes on.
func TestPhonesThatDoNotReadAreDropped(t *testing.T) {
	k := &socket{replies: make(chan []byte, 1), ended: make(chan struct{})}
	k.reply(1, nil)
	k.reply(2, nil)
	<-k.ended
	assert.Equal(t, websocket.CloseTryAgainLater, k.closeCode)
}

// wires is a listener for pipes, so that a server can run in fake time.
type wires struct {
	conns  chan net.Conn
	closed chan struct{}
}

func (w wires) Accept() (net.Conn, error) {
	select {
	case c := <-w.conns:
		return c, nil
	case <-w.closed:
		return nil, net.ErrClosed
	}
}

func (w wires) Close() error {
	close(w.closed)
	return nil
}

func (w wires) Addr() net.Addr { return &net.TCPAddr{IP: net.IPv4(127, 0, 0, 1)} }

// bubble is a server in a bubble of fake time.
type bubble struct {
	t     *testing.T
	s     *Server
	wires wires
}

func newBubble(t *testing.T, p Controller, change ...func(*Options)) *bubble {
	t.Helper()
	o := Options{Control: p, Files: testFiles, Log: slog.New(slog.DiscardHandler)}
	for _, c := range change {
		c(&o)
	}
	s, err := New(t.Context(), o)
	require.NoError(t, err)
	b := &bubble{t, s, wires{make(chan net.Conn), make(chan struct{})}}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error)
	go func() { ended <- s.Serve(ctx, b.wires) }()
	t.Cleanup(func() {
		cancel()
		assert.NoError(t, <-ended)
	})
	return b
}

// pair pairs a phone and returns its token.
func (b *bubble) pair() string {
	b.t.Helper()
	token, err := b.s.pairing.pair(b.t.Context(), b.s.Code())
	require.NoError(b.t, err)
	return token
}

// connect connects a phone, or returns the server's answer.
func (b *bubble) connect(token string) (*phone, *http.Response) {
	b.t.Helper()
	here, there := net.Pipe()
	b.wires.conns <- there
	dialer := websocket.Dialer{
		NetDialContext: func(context.Context, string, string) (net.Conn, error) { return &cork{Conn: here}, nil },
	}
	conn, answer, err := dialer.DialContext(b.t.Context(), "ws://127.0.0.1/ws",
		http.Header{"Origin": {"http://127.0.0.1"}, "Cookie": {cookieName + "=" + token}})
	if err != nil {
		require.NotNil(b.t, answer, err)
		here.Close()
		return nil, answer
	}
	b.t.Cleanup(func() { conn.Close() })
	return &phone{t: b.t, conn: conn}, nil
}

// dial connects a phone.
func (b *bubble) dial(token string) *phone {
	b.t.Helper()
	phone, answer := b.connect(token)
	require.NotNil(b.t, phone, "%+v", answer)
	return phone
}

func TestHeartbeatsAreSentAndSilentPhonesAreCutOff(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := &fakeController{}
		b := newBubble(t, p)
		phone := b.dial(b.pair())
		start := time.Now()
		phone.conn.SetPingHandler(func(string) error { return nil }) // does not answer
		assert.Equal(t, "heartbeat", phone.next("snapshot").Type)
		assert.Equal(t, time.Second, time.Since(start))
		phone.closeCode()
		assert.Equal(t, maxMissedHeartbeats*time.Second, time.Since(start))
		synctest.Wait()
		assert.Equal(t, []string{"phone 1"}, p.gone())
		assert.Equal(t, start, p.heard, "the grace time runs from when the phone was last heard")
	})
}

func TestAnswersToPingsKeepAPhone(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := &fakeController{}
		b := newBubble(t, p)
		phone := b.dial(b.pair())
		for range 60 {
			assert.Equal(t, "heartbeat", phone.next("snapshot").Type)
		}
		phone.send(`{"n":1,"type":"take"}`)
		assert.Equal(t, "done", phone.reply().Type)
		assert.Empty(t, p.gone())
	})
}

func FuzzDecode(f *testing.F) {
	for _, seed := range []string{
		`{"n":1,"type":"arm","shots":3}`, `{"n":2,"type":"set","field":"drop.height","value":"40 cm"}`, `{"n":3}{}`,
		`{"n":1,"type":"care","id":"water","ticked":true}`, `[1`, `{"n":1e3,"type":"go"}`, `{"n":1,"n":2,"type":"disarm"}`,
	} {
		f.Add([]byte(seed))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		n, cmd, refusal := decode(data)
		if refusal != nil {
			assert.NotEmpty(t, refusal.Why)
			assert.GreaterOrEqual(t, n, int64(0))
			return
		}
		assert.Positive(t, n)
		known, ok := control.Fields(cmd.Type)
		require.True(t, ok)
		again, err := json.Marshal(cmd)
		require.NoError(t, err)
		var set map[string]any
		require.NoError(t, json.Unmarshal(again, &set))
		delete(set, "type")
		for name := range set {
			assert.Contains(t, known, name, "a command carries only what its type takes")
		}
	})
}

// When a phone was heard last is measured by a monotonic clock: the machine's date may jump by years meanwhile, and
// what follows from a phone's absence must not.
func TestWhenAPhoneWasHeardLast(t *testing.T) {
	p := &fakeController{}
	s, web := newServer(t, p)
	cookie := pairPhone(t, s, web)
	k := dial(t, web, cookie)
	require.Equal(t, "snapshot", k.next("heartbeat").Type)
	before := time.Now()
	k.send(`{"n":1,"type":"take"}`)
	require.Equal(t, "done", k.next("heartbeat", "snapshot").Type)
	k.conn.Close()
	proctest.Eventually(t, "the phone is gone", func() bool { return len(p.gone()) == 1 })
	p.mu.Lock()
	defer p.mu.Unlock()
	assert.False(t, p.heard.Before(before), "%s before %s", p.heard, before)
	assert.NotEqual(t, p.heard.Round(0), p.heard, "it has a reading of the clock that nobody sets")
}
