package control

import (
	"context"
	"errors"
	"log/slog"
	"slices"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"stillwater/internal/board"
	"stillwater/internal/bootclock"
	"stillwater/internal/care"
	"stillwater/internal/record"
	"stillwater/internal/shot"
	"stillwater/internal/wire"
)

// device is a board that does what a test says. It keeps the rules of the protocol: it loads and arms only when safe,
// and says its state at each change.
type device struct {
	id     board.Identity
	events chan board.Event

	mu      sync.Mutex
	state   wire.StateCode
	left    int
	loaded  bool
	program shot.Program
	disarms int
	pulses  []board.CueReport
	gone    bool
	hang    map[string]chan struct{} // "load", "arm", "go", "disarm": waits until closed or the context ends
	fail    map[string]error
	onArm   func()        // called when it is armed, before it says so
	made    *int          // counts the shots that were begun
	late    time.Duration // how far behind its plan a pulse begins
	levels  uint8         // of the inputs
	gos     int

	thresholds [][2]int              // input and level of each that was set
	onPulse    func(board.CueReport) // called with each test pulse, before it is reported
}

func newDevice() *device {
	return &device{
		id: board.Identity{
			Version: 1, BootID: 77, Firmware: "test", TickHz: 1e7, Tick: 100, Lead: 500 * time.Microsecond,
			EdgeLead: 500 * time.Microsecond, GateLead: 500 * time.Microsecond, TableLen: 32, CueLen: 8,
			Inputs: []board.InputInfo{{Kind: wire.InputBeam, Name: "beam"}, {Kind: wire.InputBeam, Name: "gate"},
				{Kind: wire.InputMicrophone, Name: "microphone", ActiveHigh: true},
				{Kind: wire.InputKill, Name: "kill", ActiveHigh: true}},
			Outputs: []board.OutputInfo{{Kind: wire.OutputShutter, Name: "shutter", MaxOn: 30 * time.Second},
				{Kind: wire.OutputFlash, Name: "flash", MaxOn: 100 * time.Millisecond}},
		},
		events: make(chan board.Event, 10000), hang: map[string]chan struct{}{}, fail: map[string]error{},
	}
}

func testBench() shot.Bench {
	return shot.Bench{
		Beam: &shot.Sensor{Index: 0, Name: "beam", Falling: true}, Gate: &shot.Sensor{Index: 1, Name: "gate", Falling: true},
		Microphone: &shot.Sensor{Index: 2, Name: "microphone"},
		Shutter:    &shot.Output{Index: 0, Name: "shutter", MaxOn: 30 * time.Second},
		Flash:      &shot.Output{Index: 1, Name: "flash", MaxOn: 100 * time.Millisecond},
		EdgeLead:   500 * time.Microsecond, Tick: 100, TableLen: 32, Late: time.Millisecond, HoldOff: 5 * time.Millisecond,
	}
}

func (d *device) Identity() board.Identity { return d.id }

func (d *device) Events() <-chan board.Event {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.events
}

func (d *device) wait(ctx context.Context, what string) error {
	d.mu.Lock()
	hang, err := d.hang[what], d.fail[what]
	d.mu.Unlock()
	if hang != nil {
		select {
		case <-hang:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	return err
}

// failWith makes a request fail, until it is called with nil.
func (d *device) failWith(what string, err error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.fail[what] = err
}

// holdUp makes a request hang until the returned function is called.
func (d *device) holdUp(what string) (release func()) {
	d.mu.Lock()
	defer d.mu.Unlock()
	hang := make(chan struct{})
	d.hang[what] = hang
	return func() {
		d.mu.Lock()
		defer d.mu.Unlock()
		delete(d.hang, what)
		close(hang)
	}
}

func (d *device) Load(ctx context.Context, p shot.Program) error {
	if err := d.wait(ctx, "load"); err != nil {
		return err
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.state != wire.Safe {
		return &board.RefusedError{Request: wire.TypeLoad, Reason: wire.ReasonArmed}
	}
	d.loaded, d.program = true, p
	return nil
}

func (d *device) Arm(ctx context.Context, shots int) error {
	if err := d.wait(ctx, "arm"); err != nil {
		return err
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.state != wire.Safe || !d.loaded || d.gone {
		return &board.RefusedError{Request: wire.TypeArm, Reason: wire.ReasonNoProgram}
	}
	if d.onArm != nil {
		d.onArm()
	}
	d.left = shots
	d.say(wire.Armed, wire.ReasonNone)
	return nil
}

func (d *device) Disarm(ctx context.Context) error {
	if err := d.wait(ctx, "disarm"); err != nil {
		return err
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.gone {
		return board.ErrGone
	}
	d.disarms++
	if d.state == wire.Firing {
		d.events <- board.Event{Shot: d.report(wire.Disarmed)}
	}
	d.left = 0
	d.say(wire.Safe, wire.ReasonRequested)
	return nil
}

func (d *device) Go(ctx context.Context) error {
	if err := d.wait(ctx, "go"); err != nil {
		return err
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	d.gos++
	return nil
}

func (d *device) Pulse(ctx context.Context, output uint8, width time.Duration) error {
	if err := d.wait(ctx, "pulse"); err != nil {
		return err
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.gone {
		return board.ErrGone
	}
	if d.state != wire.Safe {
		return &board.RefusedError{Request: wire.TypePulse, Reason: wire.ReasonArmed}
	}
	d.pulses = append(d.pulses, board.CueReport{Output: output, Planned: time.Hour, On: time.Hour + 12*time.Microsecond,
		Off: time.Hour + 12*time.Microsecond + width})
	if d.onPulse != nil {
		d.onPulse(d.pulses[len(d.pulses)-1])
	}
	d.events <- board.Event{Pulse: &d.pulses[len(d.pulses)-1]}
	return nil
}

func (d *device) SetLevel(ctx context.Context, input uint8, threshold uint16) error {
	if err := d.wait(ctx, "level"); err != nil {
		return err
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	d.thresholds = append(d.thresholds, [2]int{int(input), int(threshold)})
	return nil
}

func (d *device) Close() error {
	d.vanish(board.ErrGone)
	return nil
}

// say changes the state and tells. The mutex is held.
func (d *device) say(s wire.StateCode, why wire.Reason) {
	d.state = s
	if !d.gone {
		d.events <- board.Event{State: &wire.State{State: s, Reason: why, Left: uint16(d.left), Inputs: d.levels,
			Now: wire.Tick(time.Now().UnixNano() / int64(d.id.Tick))}}
	}
}

func (d *device) report(s wire.Status) *board.ShotReport {
	return &board.ShotReport{
		Status: s, GateAt: time.Second, ClockAt: time.Second + 25*time.Millisecond, Delay: 130 * time.Millisecond,
		Received: time.Now(), Cues: []board.CueReport{{Output: 1, Planned: 1155 * time.Millisecond,
			On: 1155*time.Millisecond + 20*time.Microsecond + d.late, Off: 1156*time.Millisecond + d.late}},
	}
}

// begin starts a shot, end ends it.
func (d *device) begin() {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.state == wire.Armed && !d.gone {
		*d.made++
		d.say(wire.Firing, wire.ReasonNone)
	}
}

func (d *device) end() {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.state != wire.Firing {
		return
	}
	d.left--
	d.events <- board.Event{Shot: d.report(wire.Done)}
	if d.left == 0 {
		d.say(wire.Safe, wire.ReasonShotsDone)
		return
	}
	d.say(wire.Resting, wire.ReasonNone)
	d.say(wire.Armed, wire.ReasonNone)
}

// isDry reports whether the program could switch nothing.
func (d *device) isDry() bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	return len(d.program.Cues)+len(d.program.Opening) == 0
}

// stop ends whatever goes on, from the board's side.
func (d *device) stop(s wire.StateCode, how wire.Status, why wire.Reason) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.state == wire.Firing {
		d.events <- board.Event{Shot: d.report(how)}
	}
	d.left = 0
	d.say(s, why)
}

func (d *device) emit(e board.Event) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if !d.gone {
		d.events <- e
	}
}

func (d *device) vanish(err error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.gone {
		return
	}
	d.gone = true
	d.state = wire.Safe
	d.events <- board.Event{Gone: err}
	close(d.events)
}

// revive makes a device that vanished answer again, in the state it is in.
func (d *device) revive() {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.gone {
		d.gone, d.loaded, d.events = false, false, make(chan board.Event, 10000)
	}
}

func (d *device) now() wire.StateCode {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.state
}

// fakeJournal is a journal in memory. While stuck is open its writers wait, while broken is set they fail.
type fakeJournal struct {
	mu       sync.Mutex
	origins  map[string]origin
	sessions []record.Session
	shots    []record.Shot
	stuck    chan struct{}
	broken   error
	damaged  int64            // the shot that cannot be changed
	files    map[[2]int64]int // by session and shot's number, where the camera's numbers were typed
	unread   error            // why no set can be read

	writes    []string // what was attempted, in order
	shotsRead int
}

func (b *fakeJournal) write(ctx context.Context, what string) error {
	b.mu.Lock()
	b.writes = append(b.writes, what)
	stuck, broken := b.stuck, b.broken
	b.mu.Unlock()
	if stuck != nil {
		select {
		case <-stuck:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	return broken
}

// attempts are the writes since the last call.
func (b *fakeJournal) attempts() []string {
	b.mu.Lock()
	defer b.mu.Unlock()
	list := b.writes
	b.writes = nil
	return list
}

func (b *fakeJournal) setStuck(stuck chan struct{}) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.stuck = stuck
}

func (b *fakeJournal) setDamaged(shot int64) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.damaged = shot
}

func (b *fakeJournal) setBroken(err error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.broken = err
}

func (b *fakeJournal) LatestSession(context.Context) (record.Session, bool, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if len(b.sessions) == 0 {
		return record.Session{}, false, nil
	}
	s := b.sessions[len(b.sessions)-1]
	s.Started, s.When = b.dated(s.Started, s.When)
	return s, true, nil
}

func (b *fakeJournal) NewSession(ctx context.Context, s record.Session) (record.Session, error) {
	if err := b.write(ctx, "session"); err != nil {
		return s, err
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	s.ID = int64(len(b.sessions) + 1)
	b.sessions = append(b.sessions, s)
	s.Started, s.When = b.dated(s.Started, s.When)
	return s, nil
}

func (b *fakeJournal) change(ctx context.Context, what string, change func() bool) error {
	if err := b.write(ctx, what); err != nil {
		return err
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	if !change() {
		return record.ErrNotFound
	}
	return nil
}

func (b *fakeJournal) SaveSet(ctx context.Context, id int64, set string) error {
	return b.change(ctx, "set", func() bool {
		if id < 1 || int(id) > len(b.sessions) {
			return false
		}
		b.sessions[id-1].Set = set
		return true
	})
}

func (b *fakeJournal) SaveCare(ctx context.Context, id int64, ticked string) error {
	return b.change(ctx, "care", func() bool {
		if id < 1 || int(id) > len(b.sessions) {
			return false
		}
		b.sessions[id-1].Care = ticked
		return true
	})
}

func (b *fakeJournal) Add(ctx context.Context, s record.Shot) (record.Shot, error) {
	err := b.change(ctx, "shot", func() bool {
		s.ID, s.Number = int64(len(b.shots)+1), 1
		for _, old := range b.shots {
			if old.Session == s.Session {
				s.Number++
			}
		}
		b.shots = append(b.shots, s)
		s.At, s.When = b.dated(s.At, s.When)
		s.File = b.fileOf(s.Session, s.Number)
		return true
	})
	return s, err
}

func (b *fakeJournal) Shots(_ context.Context, session int64, limit int) ([]record.Shot, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	var list []record.Shot
	for _, s := range slices.Backward(b.shots) {
		if s.Session == session && len(list) < limit {
			s.At, s.When = b.dated(s.At, s.When)
			s.File = b.fileOf(s.Session, s.Number)
			list = append(list, s)
		}
	}
	b.shotsRead += len(list)
	return list, nil
}

func (b *fakeJournal) Count(_ context.Context, session int64) (n int, _ error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, s := range b.shots {
		if s.Session == session {
			n++
		}
	}
	return n, nil
}

func (b *fakeJournal) SetVerdict(ctx context.Context, id int64, v record.Verdict) error {
	return b.changeShot(ctx, "verdict", id, func(s *record.Shot) { s.Verdict = v })
}

func (b *fakeJournal) SetNote(ctx context.Context, id int64, text string) error {
	return b.changeShot(ctx, "note", id, func(s *record.Shot) { s.Note = text })
}

func (b *fakeJournal) SetStar(ctx context.Context, id int64, star bool) error {
	return b.changeShot(ctx, "star", id, func(s *record.Shot) { s.Star = star })
}

func (b *fakeJournal) SetPicture(ctx context.Context, id int64, wrong string) error {
	return b.changeShot(ctx, "picture", id, func(s *record.Shot) { s.Picture = wrong })
}

func (b *fakeJournal) SetPast(ctx context.Context, id int64, um, sdUm int64) error {
	return b.changeShot(ctx, "measure", id, func(s *record.Shot) { s.PastUm, s.PastSDUm = um, sdUm })
}

func (b *fakeJournal) SetFile(ctx context.Context, id int64, file int) error {
	return b.changeShot(ctx, "file", id, func(s *record.Shot) { b.typeFile(s.Session, s.Number, file) })
}

func (b *fakeJournal) SetFileFrom(ctx context.Context, session int64, number, file int) error {
	return b.change(ctx, "file", func() bool {
		b.typeFile(session, number, file)
		return session >= 1 && int(session) <= len(b.sessions)
	})
}

func (b *fakeJournal) typeFile(session int64, number, file int) {
	if b.files == nil {
		b.files = map[[2]int64]int{}
	}
	b.files[[2]int64{session, int64(number)}] = file
}

// fileOf is the camera's number of a shot. The mutex is held.
func (b *fakeJournal) fileOf(session int64, number int) int {
	for typed := number; typed > 0; typed-- {
		if file, ok := b.files[[2]int64{session, int64(typed)}]; ok {
			return record.FileAfter(file, number-typed)
		}
	}
	return 0
}

func (b *fakeJournal) NextFile(ctx context.Context, session int64) (int, error) {
	n, err := b.Count(ctx, session)
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.fileOf(session, n+1), err
}

func (b *fakeJournal) Rename(ctx context.Context, id int64, name string) error {
	return b.change(ctx, "rename", func() bool {
		if id < 1 || int(id) > len(b.sessions) {
			return false
		}
		b.sessions[id-1].Name = name
		return true
	})
}

func (b *fakeJournal) StoredSet(_ context.Context, session, shot int64) (string, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	switch {
	case b.unread != nil:
		return "", b.unread
	case shot >= 1 && int(shot) <= len(b.shots):
		return b.shots[shot-1].Set, nil
	case shot == 0 && session >= 1 && int(session) <= len(b.sessions):
		return b.sessions[session-1].Set, nil
	}
	return "", record.ErrNotFound
}

func (b *fakeJournal) changeShot(ctx context.Context, what string, id int64, change func(*record.Shot)) error {
	b.mu.Lock()
	damaged := b.damaged == id && id != 0
	b.mu.Unlock()
	if damaged {
		return record.ErrDamaged
	}
	return b.change(ctx, what, func() bool {
		if id < 1 || int(id) > len(b.shots) {
			return false
		}
		change(&b.shots[id-1])
		return true
	})
}

// dated does what the journal does with the date of a boot. The mutex is held.
func (b *fakeJournal) dated(wall time.Time, w record.When) (time.Time, record.When) {
	w.Wall = wall
	o, ok := b.origins[w.Boot]
	if !ok {
		w.Dated = record.Undated
		return wall, w
	}
	at := o.at.Add(w.SinceBoot)
	if at.Sub(wall).Abs() > time.Second {
		w.Dated = o.by
	}
	return at, w
}

type origin struct {
	at time.Time
	by record.Dating
}

func (b *fakeJournal) SetOrigin(ctx context.Context, boot string, at time.Time, by record.Dating) error {
	return b.change(ctx, "origin", func() bool {
		if b.origins == nil {
			b.origins = map[string]origin{}
		}
		b.origins[boot] = origin{at, by}
		return true
	})
}

func (b *fakeJournal) Origin(_ context.Context, boot string) (time.Time, record.Dating, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if o, ok := b.origins[boot]; ok {
		return o.at, o.by, nil
	}
	return time.Time{}, record.Undated, nil
}

func (b *fakeJournal) kept() []record.Shot {
	b.mu.Lock()
	defer b.mu.Unlock()
	return slices.Clone(b.shots)
}

// harness is a control on a fake board and journal, in a bubble of fake time.
type harness struct {
	*Control
	t       *testing.T
	dev     *device
	journal *fakeJournal
	dialing sync.Mutex // guards dialErr and dials while the control may dial
	dialErr error
	dials   int
	stop    func() error
	made    int // shots begun
	before  int // shots in the journal at the start
}

// noBoard makes dialing fail, or work again with nil.
func (x *harness) noBoard(err error) {
	x.dialing.Lock()
	defer x.dialing.Unlock()
	x.dialErr = err
}

// onArmed calls f whenever a board is armed.
func (x *harness) onArmed(f func()) {
	x.dev.mu.Lock()
	defer x.dev.mu.Unlock()
	x.dev.onArm = f
}

const me, other = "phone 1", "phone 2"

func setUp(t *testing.T, change ...func(*Options)) *harness {
	return setUpWith(t, &fakeJournal{}, change...)
}

func setUpWith(t *testing.T, b *fakeJournal, change ...func(*Options)) *harness {
	t.Helper()
	x := &harness{t: t, dev: newDevice(), journal: b}
	x.dev.made = &x.made
	opts := Options{
		Kind: "gpio", Name: "test", Journal: b, Clock: rightClock(), Log: slog.New(slog.DiscardHandler),
		Wire: RigWiring(testBench()),
		Dial: func(context.Context) (Device, error) {
			x.dialing.Lock()
			defer x.dialing.Unlock()
			x.dials++
			if x.dialErr != nil {
				return nil, x.dialErr
			}
			x.dev.revive()
			return x.dev, nil
		},
	}
	for _, c := range change {
		c(&opts)
	}
	x.before = len(b.kept())
	c, err := New(t.Context(), opts)
	require.NoError(t, err)
	x.Control = c
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- c.Run(ctx) }()
	x.stop = sync.OnceValue(func() error { cancel(); return <-ended })
	t.Cleanup(func() { x.stop() })
	synctest.Wait()
	return x
}

// rightClock is the clock of a machine that the network keeps right, on a boot a minute ago.
func rightClock() func() bootclock.Reading {
	began := time.Now().Add(-time.Minute)
	return func() bootclock.Reading {
		now := time.Now()
		return bootclock.Reading{Boot: "this boot", SinceBoot: now.Sub(began), Wall: now.Round(0), Trusted: true}
	}
}

// Do carries out a command that is asked from what is shown now.
func (x *harness) Do(ctx context.Context, client string, cmd Command) error {
	cmd.Epoch = x.Snapshot().Epoch
	return x.Control.Do(ctx, client, cmd)
}

// must carries out a command and waits until all that follows from it at once has happened.
// throwsFromAfar is a set of throws past beams so far from the focus spot that the shutter opens after the edge.
func (x *harness) throwsFromAfar() {
	x.t.Helper()
	for _, set := range [][2]string{
		{"kind", "throw"}, {"throw.gate", "10 cm"}, {"throw.to_focus", "80 cm"}, {"throw.beam_height", "0 mm"},
		{"throw.speed_low", "3 m/s"},
	} {
		x.must(me, Command{Type: "set", Field: set[0], Value: set[1]})
	}
}

func (x *harness) must(client string, cmd Command) {
	x.t.Helper()
	require.NoError(x.t, x.Do(x.t.Context(), client, cmd))
	synctest.Wait()
}

// refused carries out a command that must be refused, and returns the refusal.
func (x *harness) refused(client string, cmd Command) *Refusal {
	x.t.Helper()
	err := x.Do(x.t.Context(), client, cmd)
	var r *Refusal
	require.True(x.t, errors.As(err, &r), "%+v: %v", cmd, err)
	require.NotEmpty(x.t, r.Why)
	synctest.Wait()
	return r
}

// ready joins a phone that holds the controls, with the checklist done.
func (x *harness) ready() (leave func(time.Time)) {
	_, leave = x.Join(me)
	x.must(me, Command{Type: "take"})
	for _, caution := range care.Checklist() {
		x.must(me, Command{Type: "care", ID: caution.ID, Ticked: true})
	}
	return leave
}

func (x *harness) arm(shots int) { x.t.Helper(); x.must(me, Command{Type: "arm", Shots: shots}) }

func (x *harness) fire() {
	x.dev.begin()
	synctest.Wait()
	x.dev.end()
	synctest.Wait()
}

// inBubble runs a test in fake time.
func inBubble(t *testing.T, f func(t *testing.T)) { synctest.Test(t, f) }
