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
	silentAfter = time.Second // with nothing heard for this long the board is gone; it disarms itself after as long
	askTries    = 3
	// restOfIt is for the rest of what a board says of itself: 500 bytes at most, 50 ms at 115200 baud.
	restOfIt = 100 * time.Millisecond
	// mostPatience is longer than bootloaders wait for a programmer, a second or less, and two in old ones (common
	// practice, no source).
	mostPatience = 2500 * time.Millisecond
)

// Options says how to talk to a board. The zero value is right for every board so far.
type Options struct {
	Log     *slog.Logger  // nil: slog.Default
	Timeout time.Duration // for one answer; zero: 250 ms
	Boot    time.Duration // for the board to say what it is, which may reset when its port is opened; zero: 5 s
	// InProcess: the board runs in this process and stands still when it does.
	InProcess bool
}

func (o Options) filled() Options {
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

// Client talks to one board until the link goes. It is safe for use by several goroutines. It pings four times a
// second; when nothing is heard for a second the board is gone: requests fail with ErrGone and the last event is
// Gone.
//
// A request whose answer does not come is sent again if doing it twice does no harm: identify, load, disarm. Arm, Go
// and Pulse are sent once; without an answer nobody knows whether they were done, so the client disarms the board,
// which is safe either way, and returns ErrNoAnswer.
type Client struct {
	link   io.ReadWriteCloser
	opts   Options
	id     Identity   // set before Dial returns, then only read
	met    chan error // the board is known, or why it will not do
	ended  chan struct{}
	closed chan struct{}
	queue  *queue
	events chan Event
	doubt  chan struct{} // the reader wants to know how the board is
	hello  chan struct{} // the board began to say what it is
	began  time.Time     // host times are counted from here
	all    sync.WaitGroup

	loading sync.Mutex // one program at a time
	writing sync.Mutex // one frame at a time

	mu       sync.Mutex
	known    bool          // id holds
	stranger StrangerError // what came before the board was known
	said     []byte        // the beginning of that
	clock    *clocksync.Clock
	lastPing ping
	pings    [8]ping // by token
	token    uint32
	seq      uint8
	boardSeq uint8 // of the newest frame from the board
	waiting  map[uint8]waiting
	silence  silence // from when the board is known
	gone     error

	// The link's reader alone uses these.
	asking introduction
	gather gatherer
}

// waiting is a request whose answer has not come.
type waiting struct {
	kind   wire.Type
	answer chan error
}

// Dial takes over a link to a board and asks what it is until it answers. Garbage on the line and a slow start are
// expected; another protocol version is an error that says what to do. When Dial fails the link is closed.
func Dial(ctx context.Context, link io.ReadWriteCloser, opts Options) (*Client, error) {
	c := &Client{
		link:    link,
		opts:    opts.filled(),
		ended:   make(chan struct{}),
		closed:  make(chan struct{}),
		queue:   newQueue(),
		events:  make(chan Event),
		doubt:   make(chan struct{}, 1),
		hello:   make(chan struct{}, 1),
		began:   time.Now(),
		met:     make(chan error, 1),
		waiting: make(map[uint8]waiting),
	}
	c.all.Go(c.read)
	if err := c.introduce(ctx); err != nil {
		c.end(err)
		c.Close()
		return nil, fmt.Errorf("connecting to the board: %w", err)
	}
	c.all.Go(c.keepAlive)
	c.all.Go(c.deliver)
	return c, nil
}

// introduce asks the board what it is, again and again, until all of the answer is here. It leaves longer and longer
// gaps: a board that was reset by opening its port may run a bootloader first, which goes on when it is left in peace.
func (c *Client) introduce(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, c.opts.Boot)
	defer cancel()
	for wait := c.opts.Timeout; ; wait = min(2*wait, mostPatience) {
		if err := c.write([]byte{0}); err != nil {
			return err
		}
		if err := c.send(wire.Identify{}.Frame(c.nextSeq())); err != nil {
			return err
		}
		if met, err := c.wait(ctx, wait); met || err != nil {
			return err
		}
	}
}

// wait gives the board time to say what it is. One that has begun to say so needs little more.
func (c *Client) wait(ctx context.Context, patience time.Duration) (met bool, err error) {
	over := time.NewTimer(patience)
	defer over.Stop()
	for {
		select {
		case err := <-c.met:
			return err == nil, err
		case <-c.ended:
			return false, c.whyGone()
		case <-ctx.Done():
			return false, c.unknown(ctx)
		case <-c.hello:
			over.Reset(min(patience, restOfIt))
		case <-over.C:
			return false, nil
		}
	}
}

// unknown says why the board is not known though the time for it is over.
func (c *Client) unknown(ctx context.Context) error {
	if outer := context.Cause(ctx); !errors.Is(outer, context.DeadlineExceeded) {
		return outer
	}
	if time.Since(c.began) < c.opts.Boot {
		return ctx.Err()
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	s := c.stranger
	s.Within, s.Text = c.opts.Boot, readable(c.said)
	return &s
}

// meet accepts the board as what it said it is. From here on silence counts, and what it tells becomes events.
func (c *Client) meet(id Identity) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.gone != nil {
		return
	}
	c.id, c.known = id, true
	c.clock = clocksync.New(id.TickHz)
	c.silence.begin(c.opts, c.heardNothing)
}

// heardNothing ends the client when the board has been silent for too long.
func (c *Client) heardNothing() {
	c.mu.Lock()
	over := c.gone == nil && c.silence.step()
	c.mu.Unlock()
	if over {
		c.end(fmt.Errorf("%w: nothing heard from it for %v; it disarms by itself", ErrGone, silentAfter))
	}
}

// Identity is what the board said it is.
func (c *Client) Identity() Identity { return c.id }

// Events gives what the board tells. Reading slowly does no harm: see Event for what waits and what is merged. The last
// event is Gone, unless Close came first; then the channel is closed.
func (c *Client) Events() <-chan Event { return c.events }

// Now is the board's time, as well as the answered pings tell it. No shot's accuracy depends on it.
func (c *Client) Now() time.Duration {
	c.mu.Lock()
	defer c.mu.Unlock()
	count, _ := c.clock.Now(time.Since(c.began))
	return ticksToTime(count, c.id.TickHz)
}

// Clock is what the pings have taught of the board's clock against this machine's; false: nothing yet, which takes
// a few seconds.
func (c *Client) Clock() (clocksync.Estimate, bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.clock.Estimate(time.Since(c.began))
}

// Close ends the connection and waits until nothing of the client runs any more. The board disarms by itself when it
// hears nothing; call Disarm first to be sure at once.
func (c *Client) Close() error {
	c.mu.Lock()
	select {
	case <-c.closed:
	default:
		close(c.closed)
	}
	c.mu.Unlock()
	c.end(fmt.Errorf("%w: the connection was closed here", ErrGone))
	c.all.Wait()
	return nil
}

// end makes the client useless for the reason given; only the first reason counts.
func (c *Client) end(why error) {
	c.mu.Lock()
	first := c.gone == nil
	if first {
		c.gone = why
		c.silence.stop()
		close(c.ended)
	}
	c.mu.Unlock()
	if !first {
		return
	}
	if err := c.link.Close(); err != nil { // may wait for a process to end: not under the lock
		c.opts.Log.Debug("closing the board's link", "error", err)
	}
}

func (c *Client) whyGone() error {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.gone
}

// Load gives the board a program. Refused by the board while armed. A program that does not fit the board is an
// *UnfitError, and nothing is sent.
func (c *Client) Load(ctx context.Context, p shot.Program) error {
	w, err := inTicks(p, c.id)
	if err != nil {
		return err
	}
	c.loading.Lock()
	defer c.loading.Unlock()
	bytes := wire.AppendProgram(nil, &w)
	for at := 0; at < len(bytes); at += wire.MaxPart {
		part := wire.LoadPart{Offset: uint16(at)}
		part.N = uint8(copy(part.Data[:], bytes[at:]))
		if err := c.ask(ctx, part.Frame(0), askTries); err != nil {
			return fmt.Errorf("loading the program, byte %d of %d: %w", at, len(bytes), err)
		}
	}
	commit := wire.Commit{Length: uint16(len(bytes)), CRC: wire.CRC(bytes)}
	if err := c.ask(ctx, commit.Frame(0), askTries); err != nil {
		return fmt.Errorf("loading the program: %w", err)
	}
	return nil
}

// Arm makes the board accept edges for 1 or more shots of the program it has.
func (c *Client) Arm(ctx context.Context, shots int) error {
	if shots < 1 || shots > math.MaxUint16 {
		return fmt.Errorf("arming for %d shots: 1 to %d are possible", shots, math.MaxUint16)
	}
	return c.once(ctx, wire.Arm{Shots: uint16(shots)}.Frame(0))
}

// Disarm makes the outputs safe at once, in any state, and clears a fault whose cause is gone.
func (c *Client) Disarm(ctx context.Context) error {
	return c.ask(ctx, wire.Disarm{}.Frame(0), askTries)
}

// Go plays the opening cues, and starts the delay when the program has no clock input.
func (c *Client) Go(ctx context.Context) error { return c.once(ctx, wire.Go{}.Frame(0)) }

// Pulse tests one output, only when disarmed.
func (c *Client) Pulse(ctx context.Context, output uint8, width time.Duration) error {
	if int(output) >= len(c.id.Outputs) {
		return fmt.Errorf("testing output %d: the board has %d", output, len(c.id.Outputs))
	}
	out := c.id.Outputs[output]
	ticks := timeToTicks(width, c.id.TickHz)
	if ticks < 1 || width > out.MaxOn {
		return fmt.Errorf("testing output %q for %v: %v to %v is possible", out.Name, width, c.id.Tick, out.MaxOn)
	}
	return c.once(ctx, wire.Pulse{Output: output, Width: uint32(ticks)}.Frame(0))
}

// once sends a request that must not be repeated. If no answer comes, it leaves the board disarmed.
func (c *Client) once(ctx context.Context, f wire.Frame) error {
	err := c.ask(ctx, f, 1)
	if err == nil || !unanswered(err) {
		return err
	}
	if safe := c.Disarm(context.WithoutCancel(ctx)); safe != nil {
		return fmt.Errorf("%w; disarming it to be safe failed too: %w", err, safe)
	}
	return fmt.Errorf("%w; it is disarmed now, to be safe: try again", err)
}

// unanswered says whether an error leaves it open what the board did.
func unanswered(err error) bool {
	return errors.Is(err, ErrNoAnswer) || errors.Is(err, context.Canceled) || errors.Is(err, context.DeadlineExceeded)
}

// ask sends a request, at most tries times, and waits for its answer.
func (c *Client) ask(ctx context.Context, f wire.Frame, tries int) error {
	var answer chan error
	f.Seq, answer = c.expect(f.Type)
	defer c.forget(f.Seq)
	for range tries {
		if err := c.send(f); err != nil {
			return err
		}
		if answered, err := c.await(ctx, f.Type, answer); answered {
			return err
		}
	}
	return fmt.Errorf("asking the board to %s, %d times %v: %w", requestWords(f.Type), tries, c.opts.Timeout, ErrNoAnswer)
}

// await waits for the answer to a request, for the time that one answer may take.
func (c *Client) await(ctx context.Context, kind wire.Type, answer <-chan error) (answered bool, err error) {
	steps, each := c.opts.steps(c.opts.Timeout)
	timeout := time.NewTimer(each)
	defer timeout.Stop()
	for range steps {
		timeout.Reset(each)
		select {
		case err := <-answer:
			return true, err
		case <-c.ended:
			return true, c.whyGone()
		case <-ctx.Done():
			return true, fmt.Errorf("asking the board to %s: %w", requestWords(kind), ctx.Err())
		case <-timeout.C:
		}
	}
	return false, nil
}

// expect books a sequence number that no waiting request uses.
func (c *Client) expect(kind wire.Type) (uint8, chan error) {
	answer := make(chan error, 1)
	c.mu.Lock()
	defer c.mu.Unlock()
	for c.seq++; ; c.seq++ {
		if _, taken := c.waiting[c.seq]; !taken {
			c.waiting[c.seq] = waiting{kind, answer}
			return c.seq, answer
		}
	}
}

func (c *Client) forget(seq uint8) {
	c.mu.Lock()
	defer c.mu.Unlock()
	delete(c.waiting, seq)
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

// write puts bytes on the link. A failing link ends the client.
func (c *Client) write(p []byte) error {
	c.writing.Lock()
	_, err := c.link.Write(p)
	c.writing.Unlock()
	if err != nil {
		c.end(fmt.Errorf("%w: writing to it: %w", ErrGone, err))
		return c.whyGone()
	}
	return nil
}

// deliver hands events to whoever reads, then Gone.
func (c *Client) deliver() {
	defer close(c.events)
	for {
		e, ok := c.queue.take()
		if !ok {
			select {
			case <-c.queue.more:
				continue
			case <-c.ended:
				if e, ok = c.queue.take(); !ok {
					c.offer(Event{Gone: c.whyGone()})
					return
				}
			}
		}
		if !c.offer(e) {
			return
		}
	}
}

// offer waits for a reader; false means that Close came first.
func (c *Client) offer(e Event) bool {
	select {
	case c.events <- e:
		return true
	case <-c.closed:
		return false
	}
}
