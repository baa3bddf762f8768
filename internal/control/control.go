package control

import (
	"context"
	"fmt"
	"log/slog"
	"sync/atomic"
	"time"

	"stillwater/internal/board"
	"stillwater/internal/bootclock"
	"stillwater/internal/care"
	"stillwater/internal/record"
	"stillwater/internal/shot"
	"stillwater/internal/wire"
)

// Device is what the control needs of a board's client. Its methods may be called at the same time; Disarm does not
// wait for the others. Events come in the order the board sent them and end with Gone.
type Device interface {
	Identity() board.Identity
	Load(context.Context, shot.Program) error
	Arm(ctx context.Context, shots int) error
	Disarm(context.Context) error
	Go(context.Context) error
	Pulse(ctx context.Context, output uint8, width time.Duration) error
	SetLevel(ctx context.Context, input uint8, threshold uint16) error
	Events() <-chan board.Event
	Close() error
}

// Journal is what the control needs of the record.
type Journal interface {
	LatestSession(context.Context) (record.Session, bool, error)
	NewSession(context.Context, record.Session) (record.Session, error)
	SaveSet(ctx context.Context, session int64, set string) error
	SaveCare(ctx context.Context, session int64, care string) error
	Add(context.Context, record.Shot) (record.Shot, error)
	Shots(ctx context.Context, session int64, limit int) ([]record.Shot, error)
	Count(ctx context.Context, session int64) (int, error)
	SetVerdict(ctx context.Context, shot int64, verdict record.Verdict) error
	SetNote(ctx context.Context, shot int64, note string) error
	SetStar(ctx context.Context, shot int64, star bool) error
	SetPicture(ctx context.Context, shot int64, wrong string) error
	SetPast(ctx context.Context, shot int64, um, sdUm int64) error
	SetFile(ctx context.Context, shot int64, file int) error
	SetFileFrom(ctx context.Context, session int64, number, file int) error
	NextFile(ctx context.Context, session int64) (int, error)
	Rename(ctx context.Context, session int64, name string) error
	StoredSet(ctx context.Context, session, shot int64) (string, error) // waits for no write
	SetOrigin(ctx context.Context, boot string, origin time.Time, by record.Dating) error
	Origin(ctx context.Context, boot string) (time.Time, record.Dating, error)
}

// Simulation is the simulated room: Arrange puts a set into it, for its valves, Release lets the drop, throw or sound
// go, and Touch puts a finger in a beam or on the button, unless the context is over; Look says what the camera saw in
// the shot whose clock edge was at clockAt, in board time.
type Simulation interface {
	Arrange(shot.Set)
	Release(context.Context, shot.Set) error
	Touch(ctx context.Context, input string) error
	Busy() bool
	Look(clockAt time.Duration) string
}

// Options is what a Control is made of. Dial, Wire and Journal must be given.
type Options struct {
	Dial    func(context.Context) (Device, error)
	Wire    func(board.Identity) (Wiring, error) // what is connected to the pins of the board that answered
	Journal Journal
	Room    Simulation // nil: a real room
	Camera  Camera     // nil: camera files are not accepted
	Kind    string     // "simulated", "gpio", "serial"
	Name    string     // for people
	Grace   time.Duration
	ArmFor  time.Duration
	Log     *slog.Logger
	Clock   func() bootclock.Reading // nil: the machine's

	makePlan func(shot.Set, *shot.Bench) plan // tests have one that takes as long as they say
}

const (
	defaultGrace       = 10 * time.Second
	defaultArmFor      = 10 * time.Minute
	commandTimeout     = 5 * time.Second // for the board to load and arm
	disarmTimeout      = 2 * time.Second // to confirm a disarm; a board goes safe by itself after a second of silence
	recordTimeout      = 3 * time.Second // for the journal to take a remark, or what it has not got yet when stopping
	minRedialDelay     = 100 * time.Millisecond
	maxRedialDelay     = 5 * time.Second
	minPublishInterval = 100 * time.Millisecond // of snapshots that only show edges
	drainTimeout       = 500 * time.Millisecond // for what the board reported before it was safe to come in when stopping
)

// Control is the one owner of the machine's state. A mutex guards the state and is never held while the board, the
// journal or the room is waited for, so that a disarm never queues behind them.
type Control struct {
	opts Options
	log  *slog.Logger
	rec  *recorder

	tasks tasks

	glance           atomic.Pointer[glance]
	mu               guard
	epoch            int64 // see newEpoch
	requests         map[*request]struct{}
	disarming        *disarming
	link             *link  // nil: no board
	disconnectReason string // why there is no board
	lostReason       string // how the last board was lost
	boardState       wire.StateCode
	reason           string
	current          *run // armed, or on the way there; nil: whatever is armed must be disarmed
	lastRun          *run // the run that a shot report belongs to
	arming           bool // a command to arm is under way, even if it was cut short
	stopping         bool
	inShot           bool // firing, and the shot's report has not come
	left             int
	notice           string
	inputs           []InputView
	outputs          []OutputView
	nextPulse        time.Time     // when an output may be switched by hand again
	pulseWidth       time.Duration // asked of the last one
	priming          bool          // the last one primes a valve
	set              shot.Set
	lastSets         map[shot.Kind]shot.Set // of this session, as each was when another kind was chosen
	bench            *shot.Bench            // of the board now, or of the last one; nil: there was none yet
	plan             plan
	session          *session
	dates            dates
	ticked           map[string]bool
	ticks            care.Ticks // when they were ticked
	askedAgain       string     // why they are to be ticked again, after "because"; "" for the first time
	shots            []ShotView // of the session, newest first: those that are shown
	shotCount        int        // of the session
	learning         learning
	camera           CameraStatus
	cameraNews       atomic.Pointer[cameraNews] // not shown yet; nil: there is none
	cameraCame       chan struct{}              // has room for one
	sweep            *sweep                     // of the trim, under way; nil: there is none
	evening          eveningTicks
	nextFile         int           // the camera's number of the next picture; 0 not known
	outcomes         shot.Outcomes // used by New and then by the recorder alone
	lastSeen         string
	unseen           bool                // simulated room: what was let go has caused nothing so far
	dryShots         []DryShot           // of the latest dry run, newest first
	passages         []passage           // of its throws and of those of dry runs before it alike, in order
	passagesOf       shot.ThrowSet       // as they were thrown
	cleared          map[uint8]wire.Tick // when each input was last seen to become clear
	thresholds       map[string]uint16   // of inputs, as they were set
	watchingChatter  bool
	lag              *lagRun // under way, or the latest; nil: none yet
	phones           phones
	viewers          map[*viewer]struct{}
	published        time.Time
	pending          *timer // a snapshot that waits for minPublishInterval
}

// link is one connection to a board.
type link struct {
	board   Device
	id      board.Identity
	wiring  Wiring
	buttons map[uint8]*button // by input
	sensors []*sensor         // of all inputs
	failed  string            // why it was closed from this side, in words; "" it was not
}

// run is one arming: what was asked for and when it ends.
type run struct {
	set       shot.Set
	program   shot.Program  // what the board has
	withCues  *shot.Program // of a dry run: the program that it stands for; nil: it is none
	session   *session
	shots     int
	armsAt    time.Time
	ends      time.Time
	timer     *timer
	ended     bool          // the board ended it, not a disarm
	confirmed bool          // the board said that it is armed
	waitsGo   bool          // nothing happens until Go
	repeat    *repeat       // nil: each Go is given by hand
	pace      *pace         // nil: what flies in the simulated room is let go by hand
	counted   int           // clock edges since Go that were not the n-th
	falling   bool          // Go was given, and no shot of it was reported or given up
	replaced  chan struct{} // closed when the board is safe to get another program; nil: that was not asked
}

// needsGo reports whether the program does nothing until Go.
func (r *run) needsGo() bool { return r.program.Clock == nil || len(r.program.Opening) > 0 }

// session is one evening. Its id is 0 until the journal has it.
type session struct {
	id      int64
	name    string         // "": nobody gave it one
	started time.Time      // the best date known
	row     record.Session // what the journal is given of it, but for the next two
	made    int            // shots, also those that the journal does not have yet
	set     shot.Set       // at its start
	ticks   storedTicks    // at its start
}

// New returns a control with the latest session of the journal, its set and shots. It is not armed, and no caution is
// ticked.
func New(ctx context.Context, opts Options) (*Control, error) {
	if opts.Grace == 0 {
		opts.Grace = defaultGrace
	}
	if opts.ArmFor == 0 {
		opts.ArmFor = defaultArmFor
	}
	if opts.Log == nil {
		opts.Log = slog.Default()
	}
	if opts.makePlan == nil {
		opts.makePlan = makePlan
	}
	if opts.Clock == nil {
		opts.Clock = bootclock.Read
	}
	c := &Control{
		opts: opts, log: opts.Log, reason: "connecting to the board", ticked: map[string]bool{},
		evening:    eveningTicks{ticked: map[string]bool{}},
		lastSets:   map[shot.Kind]shot.Set{},
		thresholds: map[string]uint16{}, cleared: map[uint8]wire.Tick{},
		phones: phones{connected: map[string]int{}, visible: map[string]int{}}, viewers: map[*viewer]struct{}{},
		epoch: 1, requests: map[*request]struct{}{}, cameraCame: make(chan struct{}, 1),
	}
	c.mu.of = c
	c.glance.Store(&glance{})
	c.rec = newRecorder(c.log, c.recordChanged)
	if err := c.restore(ctx); err != nil {
		return nil, fmt.Errorf("control: read the record: %w", err)
	}
	c.plan = opts.makePlan(c.set, nil)
	c.mu.Lock()
	c.learn()
	c.mu.Unlock()
	return c, nil
}

// Run keeps the board connected until the context ends; then it disarms, writes what the journal has not got yet, and
// returns. Nothing of the control runs after that, and no timer is left.
func (c *Control) Run(ctx context.Context) error {
	recording, stop := context.WithCancel(context.WithoutCancel(ctx))
	c.tasks.run(func() { c.rec.run(recording) })
	c.tasks.run(func() { c.watchClock(ctx) })
	c.tasks.run(func() { c.watchCamera(ctx) })
	c.keepConnected(ctx)
	c.update(func() { c.stopping = true }) // without a board nothing said so yet
	err := c.rec.finish(recordTimeout)
	stop()
	c.tasks.end()
	return err
}

// keepConnected dials again and again, waiting longer each time the board cannot be reached or does not stay.
func (c *Control) keepConnected(ctx context.Context) {
	logged := ""
	for wait := minRedialDelay; ctx.Err() == nil; wait = min(2*wait, maxRedialDelay) {
		start := time.Now()
		if l, err := c.connect(ctx); err == nil {
			logged = ""
			c.listen(ctx, l)
		} else if ctx.Err() == nil {
			if err.Error() != logged { // a board that is away for the night does not fill the log
				c.log.Warn("no board, retrying", "err", err)
			}
			logged = err.Error()
			c.update(func() { c.unreachable(err) })
		}
		if time.Since(start) > maxRedialDelay {
			wait = minRedialDelay
		}
		select {
		case <-ctx.Done():
		case <-time.After(wait):
		}
	}
}

// unreachable records why there is no board, after how the one before it was lost.
func (c *Control) unreachable(err error) {
	c.reason = "the board cannot be reached: " + err.Error()
	if c.lostReason != "" {
		c.reason = c.lostReason + "; so far: " + err.Error()
	}
	c.disconnectReason = c.reason
}

// connect reaches the board and makes sure it is safe before anything is shown of it.
func (c *Control) connect(ctx context.Context) (*link, error) {
	b, err := c.opts.Dial(ctx)
	if err != nil {
		return nil, err
	}
	id := b.Identity()
	wiring, err := c.opts.Wire(id)
	if err != nil {
		b.Close()
		return nil, err
	}
	safe, cancel := context.WithTimeout(ctx, disarmTimeout)
	defer cancel()
	if err := b.Disarm(safe); err != nil {
		b.Close()
		return nil, fmt.Errorf("make the board safe: %w", err)
	}
	l := &link{board: b, id: id, wiring: wiring, buttons: wiring.newButtons(id.Tick), sensors: wiring.newSensors()}
	c.restoreThresholds(safe, l)
	c.installLink(l)
	c.log.Info("board connected", "kind", c.opts.Kind, "firmware", id.Firmware, "boot_id", id.BootID)
	return l, nil
}

// listen handles the board's events until it is gone or the context ends; then the board is disarmed and closed.
func (c *Control) listen(ctx context.Context, l *link) {
	defer l.board.Close()
	for {
		select {
		case <-ctx.Done():
			c.update(func() { c.stopping = true })
			if err := c.disarm("Stillwater is stopping"); err != nil {
				c.log.Error("the board did not confirm the disarm", "err", err)
			}
			c.drain(l)
			c.update(func() { c.link = nil })
			return
		case event, ok := <-l.board.Events():
			if !ok {
				event.Gone = board.ErrGone
			}
			if event.Gone != nil {
				c.boardLost(l, event.Gone)
				return
			}
			c.handleEvent(l, event)
		}
	}
}

// drain handles what the board reported before it confirmed the disarm: a shot that was cut short belongs in the
// record. A board whose microphone streams its level never falls silent, so there is an end to it.
func (c *Control) drain(l *link) {
	end := time.After(drainTimeout)
	for {
		select {
		case event, ok := <-l.board.Events():
			if !ok || event.Gone != nil {
				return
			}
			c.handleEvent(l, event)
		case <-time.After(minPublishInterval):
			return
		case <-end:
			return
		}
	}
}

// update changes the state and shows it at once.
func (c *Control) update(change func()) {
	c.mu.Lock()
	defer c.mu.Unlock()
	change()
	c.publish()
}
