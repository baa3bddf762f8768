package page

import (
	"bytes"
	"context"
	"fmt"
	"log/slog"
	"net"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/gorilla/websocket"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/board"
	"stillwater/internal/care"
	"stillwater/internal/control"
	"stillwater/internal/record"
	"stillwater/internal/shot"
	protocol "stillwater/internal/wire"
)

// slowBoard takes delay for each request, in order, and does it in full even if nobody waits for the answer any more.
type slowBoard struct {
	line   chan struct{} // one request at a time
	events chan board.Event

	mu    sync.Mutex
	delay time.Duration
	state protocol.StateCode
	armed int // how often
}

func (b *slowBoard) inTurn(ctx context.Context, do func()) error {
	b.mu.Lock()
	delay := b.delay
	b.mu.Unlock()
	b.line <- struct{}{}
	defer func() { <-b.line }()
	time.Sleep(delay)
	b.mu.Lock()
	defer b.mu.Unlock()
	do()
	return ctx.Err()
}

func (b *slowBoard) be(s protocol.StateCode) {
	b.state = s
	b.events <- board.Event{State: &protocol.State{State: s}}
}

func (b *slowBoard) now() (protocol.StateCode, int) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.state, b.armed
}

func (b *slowBoard) setDelay(d time.Duration) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.delay = d
}

func (b *slowBoard) Load(ctx context.Context, _ shot.Program) error { return b.inTurn(ctx, func() {}) }
func (b *slowBoard) Go(ctx context.Context) error                   { return b.inTurn(ctx, func() {}) }
func (b *slowBoard) Disarm(ctx context.Context) error {
	return b.inTurn(ctx, func() { b.be(protocol.Safe) })
}
func (b *slowBoard) Events() <-chan board.Event { return b.events }
func (b *slowBoard) Close() error               { return nil }

func (b *slowBoard) Arm(ctx context.Context, _ int) error {
	return b.inTurn(ctx, func() { b.armed++; b.be(protocol.Armed) })
}

func (b *slowBoard) SetLevel(ctx context.Context, _ uint8, _ uint16) error {
	return b.inTurn(ctx, func() {})
}

func (b *slowBoard) Pulse(ctx context.Context, _ uint8, _ time.Duration) error {
	return b.inTurn(ctx, func() {})
}

func (b *slowBoard) Identity() board.Identity {
	return board.Identity{Inputs: []board.InputInfo{{Kind: protocol.InputBeam, Name: "beam"}},
		Outputs: []board.OutputInfo{{Kind: protocol.OutputFlash, Name: "flash", MaxOn: 100 * time.Millisecond}}}
}

// noJournal keeps nothing.
type noJournal struct{ control.Journal }

func (noJournal) LatestSession(context.Context) (s record.Session, ok bool, err error) { return }
func (noJournal) NewSession(_ context.Context, s record.Session) (record.Session, error) {
	s.ID = 1
	return s, nil
}
func (noJournal) Origin(context.Context, string) (at time.Time, by record.Dating, err error) { return }
func (noJournal) SetOrigin(context.Context, string, time.Time, record.Dating) error          { return nil }
func (noJournal) SaveCare(context.Context, int64, string) error                              { return nil }

// grace is how long a holder may be gone before what it armed is disarmed.
const grace = 10 * time.Second

// controlled is a phone at a page with a real control, in a bubble of fake time, ready to arm a slow board.
type controlled struct {
	*phone
	token  string
	server *bubble
	board  *slowBoard
	n      int
	epoch  int64
}

func newControlled(t *testing.T) *controlled {
	b := &slowBoard{line: make(chan struct{}, 1), events: make(chan board.Event, 1000)}
	bench := shot.Bench{
		Beam: &shot.Sensor{Index: 0, Name: "beam", Falling: true}, Flash: &shot.Output{Index: 0, Name: "flash",
			MaxOn: 100 * time.Millisecond}, Shutter: &shot.Output{Index: 1, Name: "shutter", MaxOn: 30 * time.Second},
		EdgeLead: 500 * time.Microsecond, Tick: 100, TableLen: 32, Late: time.Millisecond, HoldOff: 5 * time.Millisecond,
	}
	c, err := control.New(t.Context(), control.Options{
		Dial: func(context.Context) (control.Device, error) { return b, nil }, Wire: control.RigWiring(bench),
		Journal: noJournal{}, Log: slog.New(slog.DiscardHandler), Grace: grace,
	})
	require.NoError(t, err)
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- c.Run(ctx) }()
	t.Cleanup(func() { stop(); <-ended })
	synctest.Wait() // the board is connected
	server := newBubble(t, c)
	token := server.pair()
	k := &controlled{phone: server.dial(token), token: token, server: server, board: b}
	k.must("take", "")
	for _, caution := range care.Checklist() {
		k.must("care", fmt.Sprintf(`,"id":%q,"ticked":true`, caution.ID))
	}
	return k
}

// ask sends a command from what the phone was shown last, and returns its number.
func (k *controlled) ask(kind, fields string) int {
	k.n++
	k.send(fmt.Sprintf(`{"n":%d,"type":%q,"epoch":%d%s}`, k.n, kind, k.epoch, fields))
	return k.n
}

// answer reads until a command is answered, and on until all that was sent before that is read.
func (k *controlled) answer(n int) message {
	k.t.Helper()
	for {
		m := k.next("heartbeat")
		if m.Snapshot != nil && m.Snapshot.Epoch != 0 {
			k.epoch = m.Snapshot.Epoch
		}
		if m.Re == int64(n) {
			return m
		}
	}
}

func (k *controlled) must(kind, fields string) {
	k.t.Helper()
	m := k.answer(k.ask(kind, fields))
	require.Equal(k.t, "done", m.Type, "%s: %+v", kind, m.Refusal)
}

// cork keeps what is written, and sends it in one piece when it is pulled.
type cork struct {
	net.Conn
	in   bool
	kept bytes.Buffer
}

func (c *cork) Write(p []byte) (int, error) {
	if c.in {
		return c.kept.Write(p)
	}
	return c.Conn.Write(p)
}

func (c *cork) pull() error {
	c.in = false
	_, err := c.Conn.Write(c.kept.Bytes())
	c.kept.Reset()
	return err
}

// An arm and the disarm after it meet in any way: the disarm counts, and the next arm works.
func TestDisarmWins(t *testing.T) {
	for name, race := range map[string]func(k *controlled) (arm, disarm int){
		"the board's line stalls": func(k *controlled) (arm, disarm int) {
			k.board.setDelay(300 * time.Millisecond)
			arm = k.ask("arm", `,"shots":3`)
			time.Sleep(150 * time.Millisecond)
			return arm, k.ask("disarm", "")
		},
		"the phone's line stalls": func(k *controlled) (arm, disarm int) {
			line := k.conn.NetConn().(*cork)
			line.in = true
			arm = k.ask("arm", `,"shots":3`)
			time.Sleep(150 * time.Millisecond)
			disarm = k.ask("disarm", "")
			time.Sleep(150 * time.Millisecond)
			require.NoError(k.t, line.pull())
			return arm, disarm
		},
		"in one segment": func(k *controlled) (arm, disarm int) {
			line := k.conn.NetConn().(*cork)
			line.in = true
			arm, disarm = k.ask("arm", `,"shots":3`), k.ask("disarm", "")
			require.NoError(k.t, line.pull())
			return arm, disarm
		},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				k := newControlled(t)
				refused := 0
				for range 60 {
					arm, disarm := race(k)
					answers := map[int]string{}
					for len(answers) < 2 {
						m := k.reply()
						answers[int(m.Re)] = m.Type
						if state, _ := k.board.now(); int(m.Re) == disarm {
							assert.Equal(t, protocol.Safe, state, "the disarm is answered and the board is armed")
						}
					}
					assert.Equal(t, "done", answers[disarm])
					refused += strings.Count(answers[arm], "refused") // else it was armed before the disarm was read
					time.Sleep(time.Second)
					state, _ := k.board.now()
					assert.Equal(t, protocol.Safe, state, "disarmed, and armed later by what was asked before")
					k.board.setDelay(0)
					k.must("take", "")
					k.must("arm", `,"shots":1`)
					state, _ = k.board.now()
					assert.Equal(t, protocol.Armed, state)
					k.must("disarm", "")
					k.must("take", "")
					require.False(t, t.Failed())
				}
				assert.Positive(t, refused)
			})
		})
	}
}

// What a phone sent over a connection before it came back over another may be read at any time: after the disarm of the
// new connection it is nothing.
func TestWhatWaitsInAnOldConnectionIsVoidAfterADisarm(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		k := newControlled(t)
		old := k.epoch
		k.must("disarm", "")
		k.must("take", "")
		require.NotEqual(t, old, k.epoch)
		k.epoch = old
		m := k.answer(k.ask("arm", `,"shots":1`))
		assert.Equal(t, "refused", m.Type)
		assert.Contains(t, m.Refusal.Why, "disarmed after this was asked")
		_, armed := k.board.now()
		assert.Zero(t, armed)
		k.must("take", "")
		k.must("arm", `,"shots":1`)
	})
}

// What is armed by a phone whose pairing is over is disarmed like that of any phone that is gone.
func TestWhatAnExpiredPhoneArmedIsDisarmed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		k := newControlled(t)
		k.must("arm", `,"shots":3`)
		begun, phones := time.Now(), k.server.s.pairing.phones
		phones.mu.Lock()
		phones.now = func() time.Time { return time.Now().Add(cookieLifetime) }
		phones.mu.Unlock()
		require.NoError(t, k.conn.SetReadDeadline(begun.Add(time.Minute)))
		assert.Equal(t, websocket.ClosePolicyViolation, k.closeCode())
		assert.LessOrEqual(t, time.Since(begun), 2*defaultHeartbeat)
		state, _ := k.board.now()
		assert.Equal(t, protocol.Armed, state, "a phone may be away for a moment")
		time.Sleep(time.Until(begun.Add(grace + 2*defaultHeartbeat)))
		synctest.Wait()
		state, _ = k.board.now()
		assert.Equal(t, protocol.Safe, state)
		assert.Empty(t, k.server.s.sockets.connected())
	})
}

// Every other phone that may be paired opens all the connections that it can, again and again, while the holder's is
// lost: it gets in at once when it comes back, and what it armed stays armed.
func TestAHolderComesBackBesideAllOthers(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		k := newControlled(t)
		k.must("arm", `,"shots":3`)
		var others []string
		for range maxPhones - 1 {
			others = append(others, k.server.pair())
		}
		let := 0
		crowd := func() {
			for _, token := range others {
				time.Sleep(60 * time.Millisecond) // they share an address, which may connect 20 times a second
				if other, _ := k.server.connect(token); other != nil {
					let++
					go other.closeCode() // reads until it is cut off
				}
			}
		}
		for range 3 {
			go k.phone.closeCode() // reads until it is lost
			for range maxSocketsPerPhone {
				crowd()
			}
			synctest.Wait()
			assert.Equal(t, maxSockets, k.server.s.sockets.live())
			assert.NotEmpty(t, k.server.s.sockets.ofPhone("phone 1"), "it lost its only connection")
			require.NoError(t, k.conn.NetConn().Close())
			crowd()
			lost := time.Now()
			k.phone = k.server.dial(k.token)
			assert.Equal(t, lost, time.Now(), "it had to wait")
			k.n = 0
		}
		assert.Greater(t, let, 2*maxSockets)
		for end := time.Now().Add(2 * grace); time.Now().Before(end); {
			k.next()
		}
		state, _ := k.board.now()
		assert.Equal(t, protocol.Armed, state)
		k.must("disarm", "")
		state, _ = k.board.now()
		assert.Equal(t, protocol.Safe, state)
	})
}

// No number of disarms is refused, and those that come while one is under way are carried out as one.
func TestDisarmsThatComeTogether(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		const many = 40
		carriedOut := 0
		hang := make(chan struct{})
		server := newBubble(t, &fakeController{do: func(context.Context, string, control.Command) error {
			carriedOut++
			<-hang
			return nil
		}})
		phone := server.dial(server.pair())
		for n := range many {
			phone.send(fmt.Sprintf(`{"n":%d,"type":"disarm"}`, n+1))
			if n == 0 {
				synctest.Wait()
			}
		}
		synctest.Wait()
		close(hang)
		for n := range many {
			assert.Equal(t, message{Type: "done", Re: int64(n + 1)}, phone.reply())
		}
		assert.Equal(t, 2, carriedOut)
	})
}
