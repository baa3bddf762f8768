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
	writeTimeout        = 5 * time.Second // a phone that takes longer to accept a message is dropped
	maxMissedHeartbeats = 4               // a phone that answered nothing for this many heartbeats is gone
	commandTimeout      = 10 * time.Second
	commandQueueLength  = 16 // commands a phone may send ahead of their answers

	closeTimeout  = 2 * time.Second        // to send the last answers and the close reason
	lingerTimeout = 500 * time.Millisecond // for the phone to close the connection after that
)

var upgrader = websocket.Upgrader{
	ReadBufferSize: 4 << 10, WriteBufferSize: 16 << 10, HandshakeTimeout: writeTimeout, CheckOrigin: sameOrigin,
}

// socket is one phone's connection. One goroutine reads, one writes, one carries out commands in order; a disarm goes
// past the others.
type socket struct {
	conn      *websocket.Conn
	client    string
	control   Controller
	heartbeat time.Duration
	limits    *phoneLimits
	paired    func() bool // the pairing is not over yet

	snapshots *snapshots
	sent      encodedSnapshot // what the phone has; used by the writer only
	joined    <-chan *control.Snapshot

	replies     chan []byte
	commands    chan request
	disarms     disarms
	opened      time.Time    // its monotonic part counts: the machine's clock may be set meanwhile
	lastHeard   atomic.Int64 // ns since opened
	deadlineMu  sync.Mutex   // guards the read deadline and lingering
	lingering   bool         // the read deadline is not extended any more
	broken      bool         // input is not parsed as a websocket any more; used by the reader only
	lateBytes   int          // bytes read after the end; used by the reader only
	unpaired    atomic.Bool  // its commands are not carried out any more
	ended       chan struct{}
	end         sync.Once
	closeCode   int // close code, set before ended is closed
	closeReason string
}

type request struct {
	n   int64
	cmd control.Command
}

// disarms collects the numbers of disarms that wait for the one under way to end.
type disarms struct {
	mu       sync.Mutex
	waiting  []int64
	underWay bool
}

// take returns those that wait. With none, nothing is under way any more.
func (d *disarms) take() (numbers []int64) {
	d.mu.Lock()
	defer d.mu.Unlock()
	numbers, d.waiting = d.waiting, nil
	d.underWay = len(numbers) > 0
	return numbers
}

// add reports whether the caller must carry them out, because none is under way.
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
		client: client, control: s.opts.Control, heartbeat: s.opts.Heartbeat, opened: time.Now(), snapshots: s.snapshots,
		limits: s.sockets.limitsOf(client), ended: make(chan struct{}), commands: make(chan request, commandQueueLength),
		replies: make(chan []byte, messagesBurst+refusalsBurst+commandQueueLength),
		paired:  func() bool { return s.pairing.valid(r) },
	}
	if wait := k.limits.admit(k.opened); wait > 0 {
		refuseTooMany(w, wait, "This phone connects too often.")
		return
	}
	if !s.sockets.add(k) {
		http.Error(w, "Stillwater is stopping.", http.StatusServiceUnavailable)
		return
	}
	defer s.sockets.remove(k)
	if _, ok := s.pairing.client(r); !ok { // forgotten meanwhile: closePhones was too early for this one
		http.Error(w, "Pair this phone first.", http.StatusUnauthorized)
		return
	}
	c := connectionOf(r)
	if c != nil {
		c.release()                           // before the phone knows: from then on it must not be closed to make room
		w.Header().Set("Connection", "close") // with an answer that is no upgrade, since it is not counted any more
	}
	conn, err := upgrader.Upgrade(w, r, nil)
	if err != nil {
		s.log.Debug("websocket", "err", err)
		return
	}
	k.conn = conn
	if c != nil {
		c.bytes = k.limits.bytes
	}
	s.log.Debug("phone connected", "client", client)
	k.run(context.WithoutCancel(r.Context()))
	if k.unpaired.Load() {
		s.pairing.client(r) // removes what is over from the record, which the connection does not wait for
	}
	s.log.Debug("phone left", "client", client, "why", k.closeReason)
}

// run serves the connection until either side ends it.
func (k *socket) run(ctx context.Context) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	k.noteActivity()
	snapshots, leave := k.control.Join(k.client)
	k.joined = snapshots
	var wg sync.WaitGroup
	reading := make(chan struct{})
	wg.Go(func() {
		defer close(reading)
		k.read(ctx, &wg)
	})
	wg.Go(func() { k.runCommands(ctx) })
	if k.write(snapshots) {
		k.linger(reading)
	}
	k.conn.Close()
	cancel()
	wg.Wait()
	leave(k.opened.Add(time.Duration(k.lastHeard.Load())))
}

// stop ends the connection with a close code; the first call counts.
func (k *socket) stop(code int, why string) {
	k.end.Do(func() {
		k.closeCode, k.closeReason = code, why
		close(k.ended)
	})
}

// endUnpaired ends the connection of a phone that is not paired any more.
func (k *socket) endUnpaired() {
	k.unpaired.Store(true)
	k.stop(websocket.ClosePolicyViolation, "this phone is not paired any more")
}

// noteActivity extends the read deadline.
func (k *socket) noteActivity() {
	now := time.Now()
	k.lastHeard.Store(int64(now.Sub(k.opened)))
	k.deadlineMu.Lock()
	defer k.deadlineMu.Unlock()
	if !k.lingering {
		k.conn.SetReadDeadline(now.Add(maxMissedHeartbeats * k.heartbeat))
	}
}

// linger reads on for up to lingerTimeout, until the phone closes the connection too. One that is closed while input
// waits in it is reset, and the phone loses what was sent last.
func (k *socket) linger(reading <-chan struct{}) {
	conn := k.conn.NetConn()
	if half, ok := conn.(interface{ CloseWrite() error }); ok {
		half.CloseWrite()
	}
	k.deadlineMu.Lock()
	k.lingering = true
	k.conn.SetReadDeadline(time.Now().Add(lingerTimeout))
	k.deadlineMu.Unlock()
	<-reading
	if k.broken {
		io.CopyN(io.Discard, conn, maxLingerBytes)
	}
}

// write sends snapshots, answers and heartbeats until the connection ends. It reports whether the close reason was
// sent.
func (k *socket) write(snapshots <-chan *control.Snapshot) bool {
	heartbeat := time.NewTicker(k.heartbeat)
	defer heartbeat.Stop()
	for {
		var err error
		select {
		case <-k.ended:
			err := k.sendClose()
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
		case <-heartbeat.C:
			if !k.paired() {
				k.endUnpaired()
				continue
			}
			if err = k.send(heartbeatMessage); err == nil {
				err = k.conn.WriteControl(websocket.PingMessage, nil, time.Now().Add(writeTimeout))
			}
		}
		if err != nil {
			k.stop(websocket.CloseGoingAway, "write: "+err.Error())
			return false
		}
	}
}

// sendClose sends the answers that wait, then why the connection ends.
func (k *socket) sendClose() error {
	within := time.Now().Add(closeTimeout)
	for {
		select {
		case reply := <-k.replies:
			if err := k.sendBy(within, reply); err != nil {
				return err
			}
		default:
			return k.conn.WriteControl(websocket.CloseMessage, websocket.FormatCloseMessage(k.closeCode, k.closeReason), within)
		}
	}
}

// sendSnapshot sends what of a snapshot the phone has not been shown; of a newer one, if that comes before its turn.
func (k *socket) sendSnapshot(snap *control.Snapshot, newer <-chan *control.Snapshot) error {
	now, wait, err := k.snapshots.encode(snap)
	for ; wait > 0; now, wait, err = k.snapshots.encode(snap) {
		time.Sleep(wait)
		select {
		case snap = <-newer:
		default:
		}
	}
	if err != nil {
		return err
	}
	message := now.changeMessage(k.sent)
	if k.sent == nil {
		if message, err = now.fullMessage(k.client); err != nil {
			return err
		}
	}
	k.sent = now
	return k.send(message)
}

func (k *socket) send(data []byte) error { return k.sendBy(time.Now().Add(writeTimeout), data) }

func (k *socket) sendBy(deadline time.Time, data []byte) error {
	k.conn.SetWriteDeadline(deadline)
	return k.conn.WriteMessage(websocket.TextMessage, data)
}

// disarm does not wait for the commands before it, whatever delays them. Those that arrive while one is under way are
// carried out as one after it.
func (k *socket) disarm(ctx context.Context, n int64, cmd control.Command, wg *sync.WaitGroup) {
	if !k.disarms.add(n) {
		return
	}
	wg.Go(func() {
		for numbers := k.disarms.take(); len(numbers) > 0; numbers = k.disarms.take() {
			refusal := k.execute(ctx, cmd)
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

// runCommands carries out the phone's commands one after the other.
func (k *socket) runCommands(ctx context.Context) {
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

func (k *socket) do(ctx context.Context, r request) { k.reply(r.n, k.execute(ctx, r.cmd)) }

// execute carries out a command: nil, or why it was not.
func (k *socket) execute(ctx context.Context, cmd control.Command) (refusal *control.Refusal) {
	ctx, cancel := context.WithTimeout(ctx, commandTimeout)
	defer cancel()
	cmd.Connection = k.joined
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
