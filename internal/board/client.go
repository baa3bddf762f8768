package board

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math"
	"sync"
	"time"

	"stillwater/internal/clocksync"
	"stillwater/internal/shot"
	"stillwater/internal/wire"
)

const (
	pingEvery   = 250 * time.Millisecond
	linkTimeout = time.Second // with nothing heard for this long the board is gone; it disarms itself after as long
	maxTries    = 3
	// identityGap bounds the wait for the rest of a board's identity: 500 bytes at most, 50 ms at 115200 baud.
	identityGap = 100 * time.Millisecond
	// maxIdentifyWait is longer than bootloaders wait for a programmer, a second or less, and two in old ones (common
	// practice, no source).
	maxIdentifyWait = 2500 * time.Millisecond
)

// Options configures Dial. The zero value suits every board but one in this process.
type Options struct {
	Log     *slog.Logger  // nil: slog.Default
	Timeout time.Duration // for one answer; zero: 250 ms
	Boot    time.Duration // for the board to identify itself; opening its port may reset it; zero: 5 s
	// InProcess: the board runs in this process and stands still when it does.
	InProcess bool
}

func (o Options) withDefaults() Options {
	if o.Log == nil {
		o.Log = slog.Default()
	}
	if o.Timeout == 0 {
		o.Timeout = 250 * time.Millisecond
	}
	if o.Boot == 0 {
		o.Boot = 5 * time.Second
	}
	return o
}

// Client is a connection to one board. It is safe for concurrent use. It pings four times a second; when nothing is
// received for a second the board is gone: requests fail with ErrGone and the last event is Gone.
//
// An unanswered request is sent again if it is idempotent: identify, load, disarm. Arm, Go and Pulse are sent once;
// without an answer their outcome is unknown, so the client disarms the board, which is safe either way, and returns
// ErrNoAnswer.
type Client struct {
	link        io.ReadWriteCloser
	opts        Options
	id          Identity   // set before Dial returns, then only read
	identified  chan error // nil when the board is identified, or why it cannot be used
	done        chan struct{}
	closed      chan struct{}
	queue       *queue
	events      chan Event
	resync      chan struct{} // the reader asks for the board's state
	identifying chan struct{} // part of the identity has arrived
	epoch       time.Time     // host times are counted from here
	goroutines  sync.WaitGroup

	loadMu  sync.Mutex // one program at a time
	writeMu sync.Mutex // one frame at a time

	mu           sync.Mutex
	known        bool           // id is set
	unidentified NotABoardError // counts what came before id was set
	firstBytes   []byte         // the beginning of that
	clock        *clocksync.Clock
	lastPing     ping
	pings        [8]ping // by token
	token        uint32
	seq          uint8
	boardSeq     uint8 // of the newest frame from the board
	pending      map[uint8]pendingRequest
	linkTimer    linkTimer // runs once known
	gone         error

	// Used by the reading goroutine only.
	identity identityParts
	cues     cueCollector
}

// pendingRequest is a request that was not answered yet.
type pendingRequest struct {
	kind   wire.Type
	answer chan error
}

// Dial connects to a board over link, which it takes over, and waits until the board has identified itself. Garbage on
// the line and a slow start are expected; another protocol version is an error that says what to do. If Dial fails it
// closes the link.
func Dial(ctx context.Context, link io.ReadWriteCloser, opts Options) (*Client, error) {
	c := &Client{
		link:        link,
		opts:        opts.withDefaults(),
		done:        make(chan struct{}),
		closed:      make(chan struct{}),
		queue:       newQueue(),
		events:      make(chan Event),
		resync:      make(chan struct{}, 1),
		identifying: make(chan struct{}, 1),
		epoch:       time.Now(),
		identified:  make(chan error, 1),
		pending:     make(map[uint8]pendingRequest),
	}
	c.goroutines.Go(c.read)
	if err := c.identify(ctx); err != nil {
		c.shutdown(err)
		c.Close()
		return nil, fmt.Errorf("connecting to the board: %w", err)
	}
	c.goroutines.Go(c.keepAlive)
	c.goroutines.Go(c.deliverEvents)
	return c, nil
}

// identify repeats the identify request until the answer is complete, with growing pauses: a board that opening its
// port has reset may run a bootloader first, which starts the firmware only when it receives nothing for a while.
func (c *Client) identify(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, c.opts.Boot)
	defer cancel()
	for wait := c.opts.Timeout; ; wait = min(2*wait, maxIdentifyWait) {
		if err := c.write([]byte{0}); err != nil {
			return err
		}
		if err := c.send(wire.Identify{}.Frame(c.nextSeq())); err != nil {
			return err
		}
		if ok, err := c.awaitIdentity(ctx, wait); ok || err != nil {
			return err
		}
	}
}

// awaitIdentity waits for the rest of the identity. Once the first part has arrived it waits only identityGap.
func (c *Client) awaitIdentity(ctx context.Context, timeout time.Duration) (ok bool, err error) {
	over := time.NewTimer(timeout)
	defer over.Stop()
	for {
		select {
		case err := <-c.identified:
			return err == nil, err
		case <-c.done:
			return false, c.goneErr()
		case <-ctx.Done():
			return false, c.identifyError(ctx)
		case <-c.identifying:
			over.Reset(min(timeout, identityGap))
		case <-over.C:
			return false, nil
		}
	}
}

// identifyError is why the board was not identified before ctx ended.
func (c *Client) identifyError(ctx context.Context) error {
	if outer := context.Cause(ctx); !errors.Is(outer, context.DeadlineExceeded) {
		return outer
	}
	if time.Since(c.epoch) < c.opts.Boot {
		return ctx.Err()
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	s := c.unidentified
	s.Within, s.Text = c.opts.Boot, printableText(c.firstBytes)
	return &s
}

// setIdentity sets the board's identity. From then on the link timer runs and reports become events.
func (c *Client) setIdentity(id Identity) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.gone != nil {
		return
	}
	c.id, c.known = id, true
	c.clock = clocksync.New(id.TickHz)
	c.linkTimer.start(c.opts, c.linkTimedOut)
}

// linkTimedOut ends the client when the board has been silent for too long.
func (c *Client) linkTimedOut() {
	c.mu.Lock()
	over := c.gone == nil && c.linkTimer.expire()
	c.mu.Unlock()
	if over {
		c.shutdown(fmt.Errorf("nothing heard from it for %v; it disarms by itself", linkTimeout))
	}
}

// Identity is what the board said of itself when it was dialled: its name, pins and limits.
func (c *Client) Identity() Identity { return c.id }

// Events delivers the board's reports. A slow reader loses only what newer events supersede. The last event is Gone,
// unless Close came first; then the channel is closed.
func (c *Client) Events() <-chan Event { return c.events }

// ClockEstimate relates the board's clock to the host's, as estimated from pings; false in the first few seconds.
func (c *Client) ClockEstimate() (clocksync.Estimate, bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.clock.Estimate(time.Since(c.epoch))
}

// Close ends the connection and waits for the client's goroutines. The board disarms by itself a second later; call
// Disarm first to be sure at once.
func (c *Client) Close() error {
	c.mu.Lock()
	select {
	case <-c.closed:
	default:
		close(c.closed)
	}
	c.mu.Unlock()
	c.shutdown(errors.New("the connection was closed here"))
	c.goroutines.Wait()
	return nil
}

// shutdown ends the client with an error; only the first call counts.
func (c *Client) shutdown(why error) {
	c.mu.Lock()
	first := c.gone == nil
	if first {
		c.gone = &GoneError{why}
		c.linkTimer.stop()
		close(c.done)
	}
	c.mu.Unlock()
	if !first {
		return
	}
	if err := c.link.Close(); err != nil { // may wait for a process to end: not under the lock
		c.opts.Log.Debug("closing the board's link", "error", err)
	}
}

func (c *Client) goneErr() error {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.gone
}

// Load loads a program; the board refuses it while armed. A program that this board cannot carry out is a
// *ProgramError, and nothing is sent.
func (c *Client) Load(ctx context.Context, p shot.Program) error {
	w, err := programInTicks(p, c.id)
	if err != nil {
		return err
	}
	c.loadMu.Lock()
	defer c.loadMu.Unlock()
	bytes := wire.AppendProgram(nil, &w)
	for at := 0; at < len(bytes); at += wire.MaxPart {
		part := wire.LoadPart{Offset: uint16(at)}
		part.N = uint8(copy(part.Data[:], bytes[at:]))
		if err := c.request(ctx, part.Frame(0), maxTries); err != nil {
			return fmt.Errorf("loading the program, byte %d of %d: %w", at, len(bytes), err)
		}
	}
	commit := wire.Commit{Length: uint16(len(bytes)), CRC: wire.CRC(bytes)}
	if err := c.request(ctx, commit.Frame(0), maxTries); err != nil {
		return fmt.Errorf("loading the program: %w", err)
	}
	return nil
}

// Arm arms the board for that many shots of the loaded program.
func (c *Client) Arm(ctx context.Context, shots int) error {
	if shots < 1 || shots > math.MaxUint16 {
		return fmt.Errorf("arming for %d shots: use 1 to %d", shots, math.MaxUint16)
	}
	return c.requestOnce(ctx, wire.Arm{Shots: uint16(shots)}.Frame(0))
}

// Disarm makes the outputs safe at once, in any state, and clears a fault whose cause is gone.
func (c *Client) Disarm(ctx context.Context) error {
	return c.request(ctx, wire.Disarm{}.Frame(0), maxTries)
}

// Go starts the opening cues, and the delay if the program has no clock input.
func (c *Client) Go(ctx context.Context) error { return c.requestOnce(ctx, wire.Go{}.Frame(0)) }

// Pulse tests one output; the board must be disarmed.
func (c *Client) Pulse(ctx context.Context, output uint8, width time.Duration) error {
	if int(output) >= len(c.id.Outputs) {
		return fmt.Errorf("testing output %d: the board has %d", output, len(c.id.Outputs))
	}
	out := c.id.Outputs[output]
	ticks := timeToTicks(width, c.id.TickHz)
	if ticks < 1 || width > out.MaxOn {
		return fmt.Errorf("testing output %q for %v: use %v to %v", out.Name, width, c.id.Tick, out.MaxOn)
	}
	return c.requestOnce(ctx, wire.Pulse{Output: output, Width: uint32(ticks)}.Frame(0))
}

// SetLevel sets above which level an analog input is active; a board refuses it for an input that has no level.
func (c *Client) SetLevel(ctx context.Context, input uint8, threshold uint16) error {
	return c.request(ctx, wire.SetLevel{Input: input, Threshold: threshold}.Frame(0), maxTries)
}

// requestOnce sends a request that must not be repeated. If it is not answered, requestOnce disarms the board.
func (c *Client) requestOnce(ctx context.Context, f wire.Frame) error {
	err := c.request(ctx, f, 1)
	if err == nil || !outcomeUnknown(err) {
		return err
	}
	if safe := c.Disarm(context.WithoutCancel(ctx)); safe != nil {
		return fmt.Errorf("%w; disarming it to be safe failed too: %w", err, safe)
	}
	return fmt.Errorf("%w; it was disarmed, to be safe: try again", err)
}

// outcomeUnknown reports whether an error leaves open what the board did.
func outcomeUnknown(err error) bool {
	return errors.Is(err, ErrNoAnswer) || errors.Is(err, context.Canceled) || errors.Is(err, context.DeadlineExceeded)
}

// request sends a request, at most tries times, and waits for its answer.
func (c *Client) request(ctx context.Context, f wire.Frame, tries int) error {
	var answer chan error
	f.Seq, answer = c.register(f.Type)
	defer c.unregister(f.Seq)
	for range tries {
		if err := c.send(f); err != nil {
			return err
		}
		if answered, err := c.await(ctx, f.Type, answer); answered {
			return err
		}
	}
	return fmt.Errorf("asking the board to %s, %d times %v: %w",
		describeRequest(f.Type), tries, c.opts.Timeout, ErrNoAnswer)
}

// await waits for the answer to a request, up to Options.Timeout.
func (c *Client) await(ctx context.Context, kind wire.Type, answer <-chan error) (answered bool, err error) {
	steps, each := c.opts.steps(c.opts.Timeout)
	timeout := time.NewTimer(each)
	defer timeout.Stop()
	for range steps {
		timeout.Reset(each)
		select {
		case err := <-answer:
			return true, err
		case <-c.done:
			return true, c.goneErr()
		case <-ctx.Done():
			return true, fmt.Errorf("asking the board to %s: %w", describeRequest(kind), ctx.Err())
		case <-timeout.C:
		}
	}
	return false, nil
}

// register reserves a sequence number that no pending request uses.
func (c *Client) register(kind wire.Type) (uint8, chan error) {
	answer := make(chan error, 1)
	c.mu.Lock()
	defer c.mu.Unlock()
	for c.seq++; ; c.seq++ {
		if _, taken := c.pending[c.seq]; !taken {
			c.pending[c.seq] = pendingRequest{kind, answer}
			return c.seq, answer
		}
	}
}

func (c *Client) unregister(seq uint8) {
	c.mu.Lock()
	defer c.mu.Unlock()
	delete(c.pending, seq)
}

func (c *Client) nextSeq() uint8 {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.seq++
	return c.seq
}

func (c *Client) send(f wire.Frame) error {
	return c.write(wire.AppendFrame(nil, f))
}

// write writes to the link. A failing link ends the client.
func (c *Client) write(p []byte) error {
	c.writeMu.Lock()
	_, err := c.link.Write(p)
	c.writeMu.Unlock()
	if err != nil {
		c.shutdown(fmt.Errorf("writing to it: %w", err))
		return c.goneErr()
	}
	return nil
}

// deliverEvents sends events to the reader, then Gone.
func (c *Client) deliverEvents() {
	defer close(c.events)
	for {
		e, ok := c.queue.take()
		if !ok {
			select {
			case <-c.queue.ready:
				continue
			case <-c.done:
				if e, ok = c.queue.take(); !ok {
					c.sendEvent(Event{Gone: c.goneErr()})
					return
				}
			}
		}
		if !c.sendEvent(e) {
			return
		}
	}
}

// sendEvent waits for the reader; it returns false if Close came first.
func (c *Client) sendEvent(e Event) bool {
	select {
	case c.events <- e:
		return true
	case <-c.closed:
		return false
	}
}
