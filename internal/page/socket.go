package page

import (
	"context"
	"encoding/json"
	"errors"
	"io"
	"net/http"
	"sync"
	"sync/atomic"
	"time"

	"github.com/gorilla/websocket"

	"stillwater/internal/control"
)

const (
	writeWithin = 5 * time.Second // a phone that takes longer to accept a message is dropped
	deafBeats   = 4               // a phone that answered nothing for this many beats is gone
	doWithin    = 10 * time.Second
	queued      = 16 // commands a phone may send ahead of their answers

	closeWithin = time.Second            // for the last answers and the reason of a close to leave
	lingerFor   = 500 * time.Millisecond // for the phone to stop sending after that
)

var upgrader = websocket.Upgrader{
	ReadBufferSize: 4 << 10, WriteBufferSize: 16 << 10, HandshakeTimeout: writeWithin, CheckOrigin: sameOrigin,
}

// socket is one phone's connection. One goroutine reads, one writes, one carries out commands in order; a disarm goes
// past the others.
type socket struct {
	conn    *websocket.Conn
	client  string
	control Controller
	beat    time.Duration
	limits  *phoneLimits

	snapshots *snapshots
	shown     picture // what the phone has; the writer's

	replies  chan []byte
	commands chan request
	disarms  disarms
	born     time.Time    // its monotonic part counts: the machine's clock may be set meanwhile
	heard    atomic.Int64 // ns since born
	waiting  sync.Mutex   // guards the read deadline and lingers
	lingers  bool         // the read deadline stays
	broken   bool         // what comes in is not read as a websocket any more; the reader's
	late     int          // bytes read after the end; the reader's
	unpaired atomic.Bool  // its commands count no more
	ended    chan struct{}
	end      sync.Once
	code     int // close code, set before ended is closed
	why      string
}

type request struct {
	n   int64
	cmd control.Command
}

// disarms are the numbers of those that no disarm under way answers.
type disarms struct {
	mu       sync.Mutex
	waiting  []int64
	underWay bool
}

// take returns those that wait. None: nothing is under way any more.
func (d *disarms) take() (numbers []int64) {
	d.mu.Lock()
	defer d.mu.Unlock()
	numbers, d.waiting = d.waiting, nil
	d.underWay = len(numbers) > 0
	return numbers
}

// add returns whether the caller is to see to them, because nobody does.
func (d *disarms) add(n int64) (first bool) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.waiting = append(d.waiting, n)
	first = !d.underWay
	d.underWay = true
	return first
}

func (s *Server) handleSocket(w http.ResponseWriter, r *http.Request) {
	if !sameOrigin(r) {
		http.Error(w, "This request did not come from this machine's own page. Open it from the address the machine shows.",
			http.StatusForbidden)
		return
	}
	client, ok := s.pairing.client(r)
	if !ok {
		http.Error(w, "Pair this phone first.", http.StatusUnauthorized)
		return
	}
	k := &socket{
		client: client, control: s.opts.Control, beat: s.opts.Beat, born: time.Now(), snapshots: s.snapshots,
		limits:  s.sockets.limitsOf(client),
		replies: make(chan []byte, messagesBurst+refusalsBurst+queued), commands: make(chan request, queued),
		ended: make(chan struct{}),
	}
	if wait := k.limits.admit(k.born); wait > 0 {
		tooMany(w, wait, "This phone connects too often.")
		return
	}
	if !s.sockets.enter(k) {
		http.Error(w, "Stillwater is stopping.", http.StatusServiceUnavailable)
		return
	}
	defer s.sockets.leave(k)
	if _, ok := s.pairing.client(r); !ok { // forgotten meanwhile: closeOf was too early for this one
		http.Error(w, "Pair this phone first.", http.StatusUnauthorized)
		return
	}
	conn, err := upgrader.Upgrade(w, r, nil)
	if err != nil {
		s.log.Debug("websocket", "err", err)
		return
	}
	k.conn = conn
	if c := connectionOf(r); c != nil {
		c.leave()
	}
	s.log.Debug("phone connected", "client", client)
	k.run(context.WithoutCancel(r.Context()))
	s.log.Debug("phone left", "client", client, "why", k.why)
}

// run serves the connection until either side ends it.
func (k *socket) run(ctx context.Context) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	k.hear()
	snapshots, leave := k.control.Join(k.client)
	var rest sync.WaitGroup
	reading := make(chan struct{})
	rest.Go(func() {
		defer close(reading)
		k.read(ctx, &rest)
	})
	rest.Go(func() { k.carryOut(ctx) })
	if k.write(snapshots) {
		k.linger(reading)
	}
	k.conn.Close()
	cancel()
	rest.Wait()
	leave(k.born.Add(time.Duration(k.heard.Load())))
}

// stop ends the connection with a close code; the first call counts.
func (k *socket) stop(code int, why string) {
	k.end.Do(func() {
		k.code, k.why = code, why
		close(k.ended)
	})
}

// hear notes that the phone is there.
func (k *socket) hear() {
	now := time.Now()
	k.heard.Store(int64(now.Sub(k.born)))
	k.waiting.Lock()
	defer k.waiting.Unlock()
	if !k.lingers {
		k.conn.SetReadDeadline(now.Add(deafBeats * k.beat))
	}
}

// linger reads on for a little until the phone closes the connection too. One that is closed while input waits in it is
// reset, and the phone loses what was sent last.
func (k *socket) linger(reading <-chan struct{}) {
	conn := k.conn.NetConn()
	if half, ok := conn.(interface{ CloseWrite() error }); ok {
		half.CloseWrite()
	}
	k.waiting.Lock()
	k.lingers = true
	k.conn.SetReadDeadline(time.Now().Add(lingerFor))
	k.waiting.Unlock()
	<-reading
	if k.broken {
		io.CopyN(io.Discard, conn, lingerMost)
	}
}

// write sends snapshots, answers and beats until the connection ends. It returns whether the phone could be told why.
func (k *socket) write(snapshots <-chan *control.Snapshot) bool {
	beat := time.NewTicker(k.beat)
	defer beat.Stop()
	for {
		var err error
		select {
		case <-k.ended:
			err := k.finish()
			return err == nil || errors.Is(err, websocket.ErrCloseSent) // sent by the reader: what came was too long
		case snap := <-snapshots:
			err = k.sendSnapshot(snap, snapshots)
		case reply := <-k.replies:
			// A snapshot that waits goes first: it may show what the answer is about.
			select {
			case snap := <-snapshots:
				err = k.sendSnapshot(snap, snapshots)
			default:
			}
			err = errors.Join(err, k.send(reply))
		case <-beat.C:
			if err = k.send(beatMessage); err == nil {
				err = k.conn.WriteControl(websocket.PingMessage, nil, time.Now().Add(writeWithin))
			}
		}
		if err != nil {
			k.stop(websocket.CloseGoingAway, "write: "+err.Error())
			return false
		}
	}
}

// finish sends the answers that wait, then why the connection ends.
func (k *socket) finish() error {
	within := time.Now().Add(closeWithin)
	for {
		select {
		case reply := <-k.replies:
			if err := k.sendBy(within, reply); err != nil {
				return err
			}
		default:
			return k.conn.WriteControl(websocket.CloseMessage, websocket.FormatCloseMessage(k.code, k.why), within)
		}
	}
}

// sendSnapshot sends what of a snapshot the phone has not been shown; of a newer one, if that comes before its turn.
func (k *socket) sendSnapshot(snap *control.Snapshot, newer <-chan *control.Snapshot) error {
	now, wait, err := k.snapshots.picture(snap)
	for ; wait > 0; now, wait, err = k.snapshots.picture(snap) {
		time.Sleep(wait)
		select {
		case snap = <-newer:
		default:
		}
	}
	if err != nil {
		return err
	}
	message := now.changed(k.shown)
	if k.shown == nil {
		if message, err = now.whole(k.client); err != nil {
			return err
		}
	}
	k.shown = now
	return k.send(message)
}

func (k *socket) send(data []byte) error { return k.sendBy(time.Now().Add(writeWithin), data) }

func (k *socket) sendBy(deadline time.Time, data []byte) error {
	k.conn.SetWriteDeadline(deadline)
	return k.conn.WriteMessage(websocket.TextMessage, data)
}

// disarm does not wait for the commands before it, whatever holds them up. Those that come while one is under way are
// carried out as one after it.
func (k *socket) disarm(ctx context.Context, n int64, cmd control.Command, rest *sync.WaitGroup) {
	if !k.disarms.add(n) {
		return
	}
	rest.Go(func() {
		for numbers := k.disarms.take(); len(numbers) > 0; numbers = k.disarms.take() {
			refusal := k.outcome(ctx, cmd)
			for _, n := range numbers {
				k.reply(n, refusal)
			}
		}
	})
}

func (k *socket) enqueue(r request) {
	select {
	case k.commands <- r:
	default:
		k.reply(r.n, &control.Refusal{Why: "Earlier commands are not done yet.", Remedy: "Wait for them."})
	}
}

// carryOut does the phone's commands one after the other.
func (k *socket) carryOut(ctx context.Context) {
	for {
		select {
		case <-ctx.Done():
			return
		case r := <-k.commands:
			if k.unpaired.Load() {
				k.reply(r.n, &control.Refusal{Why: "This phone is not paired any more.", Remedy: "Pair it again."})
				continue
			}
			k.do(ctx, r)
		}
	}
}

func (k *socket) do(ctx context.Context, r request) { k.reply(r.n, k.outcome(ctx, r.cmd)) }

// outcome carries a command out: nil, or why it was not.
func (k *socket) outcome(ctx context.Context, cmd control.Command) (refusal *control.Refusal) {
	ctx, cancel := context.WithTimeout(ctx, doWithin)
	defer cancel()
	if err := k.control.Do(ctx, k.client, cmd); err != nil && !errors.As(err, &refusal) {
		refusal = &control.Refusal{Why: err.Error()}
	}
	return refusal
}

// reply answers a command. A phone that lets its answers pile up is dropped, so that it cannot hold up anything here.
func (k *socket) reply(n int64, refusal *control.Refusal) {
	message := replyMessage{Type: "done", Re: n}
	if refusal != nil {
		message.Type, message.Refusal = "refused", refusal
	}
	data, err := json.Marshal(message)
	if err != nil {
		k.stop(websocket.CloseInternalServerErr, "encode")
		return
	}
	select {
	case k.replies <- data:
	default:
		k.stop(websocket.CloseTryAgainLater, "too slow")
	}
}
