package control

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"math/rand/v2"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/board"
	"stillwater/internal/rig"
	"stillwater/internal/shot"
	"stillwater/internal/wire"
)

// The model: phones with several connections each, whose messages take any time and wait in queues, beside a board at
// the end of a slow line that stalls, loses frames and breaks. Control, board client and board logic are the real ones.
// Whatever happens, after a disarm is answered "done" the board is never armed by what was asked before that disarm,
// and nothing that was asked before it is let go in the room.

// runsApart tells the armings of a round apart by the shots they ask for. No round makes so many shots.
const runsApart = 10

// cable is a link to the board that delays, stalls, loses and breaks, each way by itself.
type cable struct {
	inner io.ReadWriteCloser
	m     *model
	down  *pipe // to the board
	up    *pipe

	written wire.Decoder // of what goes down
}

func (c *cable) Write(p []byte) (int, error) {
	for _, b := range p {
		if f, ok := c.written.Push(b); ok {
			c.m.controlSends(f)
		}
	}
	return len(p), c.down.put(p)
}

func (c *cable) Read(p []byte) (int, error) { return c.up.get(p) }

func (c *cable) Close() error {
	c.down.close()
	c.up.close()
	return c.inner.Close()
}

func (m *model) newCable(inner io.ReadWriteCloser) *cable {
	c := &cable{inner: inner, m: m, down: newPipe(m), up: newPipe(m)}
	go func() {
		var frames wire.Decoder
		for buf := make([]byte, 512); ; {
			n, err := c.down.get(buf)
			if err != nil {
				return
			}
			for _, b := range buf[:n] {
				if f, ok := frames.Push(b); ok {
					m.boardHears(f)
				}
			}
			inner.Write(buf[:n])
		}
	}()
	go func() {
		var frames wire.Decoder
		for buf := make([]byte, 512); ; {
			n, err := inner.Read(buf)
			if err != nil {
				c.up.close()
				return
			}
			for _, b := range buf[:n] {
				if f, ok := frames.Push(b); ok && f.Type == wire.TypeState {
					m.boardSays(f)
				}
			}
			c.up.put(buf[:n])
		}
	}()
	return c
}

// pipe is one direction: what goes in comes out in order, each piece after a time of its own.
type pipe struct {
	m       *model
	mu      sync.Mutex
	changed sync.Cond
	pieces  [][]byte
	due     []time.Time
	last    time.Time
	closed  bool
}

func newPipe(m *model) *pipe {
	p := &pipe{m: m}
	p.changed.L = &p.mu
	return p
}

func (p *pipe) put(data []byte) error {
	due, lost := p.m.lineTakes()
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.closed {
		return io.ErrClosedPipe
	}
	if lost {
		return nil
	}
	if due.Before(p.last) {
		due = p.last
	}
	p.last = due
	p.pieces, p.due = append(p.pieces, append([]byte{}, data...)), append(p.due, due)
	p.changed.Broadcast()
	return nil
}

func (p *pipe) get(buf []byte) (int, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	for len(p.pieces) == 0 && !p.closed {
		p.changed.Wait()
	}
	if p.closed {
		return 0, io.EOF
	}
	due := p.due[0]
	p.mu.Unlock()
	time.Sleep(time.Until(due))
	p.mu.Lock()
	if p.closed {
		return 0, io.EOF
	}
	n := copy(buf, p.pieces[0])
	if p.pieces[0] = p.pieces[0][n:]; len(p.pieces[0]) == 0 {
		p.pieces, p.due = p.pieces[1:], p.due[1:]
	}
	return n, nil
}

func (p *pipe) close() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.closed = true
	p.changed.Broadcast()
}

// modelRoom is the rig's room, which takes a while to let something go.
type modelRoom struct {
	*rig.Rig
	m *model
}

func (r modelRoom) Release(ctx context.Context, set shot.Set) error {
	r.m.mu.Lock()
	order, asked := ctx.Value(orderKey{}).(int)
	if !asked { // at the pace of an arming
		order = r.m.lastArm
		r.m.seen.paced++
	}
	takes := time.Duration(r.m.r.IntN(3)*r.m.r.IntN(20)) * time.Millisecond
	r.m.mu.Unlock()
	time.Sleep(takes)
	r.m.mu.Lock()
	defer r.m.mu.Unlock()
	floor := r.m.floor
	err := r.Rig.Release(ctx, set)
	if err == nil && order < floor {
		r.m.problems = append(r.m.problems, fmt.Sprintf("what message %d asked is let go after message %d disarmed", order,
			floor))
	}
	r.m.say("the room lets go: %v", err)
	return err
}

func (r modelRoom) Touch(ctx context.Context, input string) error {
	r.m.mu.Lock()
	order := ctx.Value(orderKey{}).(int)
	if order < r.m.floor {
		r.m.problems = append(r.m.problems, fmt.Sprintf("what message %d asked is touched after message %d disarmed", order,
			r.m.floor))
	}
	if input == "button" {
		r.m.pressed = order
	}
	r.m.seen.touches++
	r.m.mu.Unlock()
	return r.Rig.Touch(ctx, input)
}

// modelDevice tells which message it was that has a frame sent.
type modelDevice struct {
	Device
	m *model
}

func (d modelDevice) Go(ctx context.Context) error {
	defer d.m.expect(ctx, wire.TypeGo)()
	return d.Device.Go(ctx)
}

func (d modelDevice) Pulse(ctx context.Context, output uint8, width time.Duration) error {
	defer d.m.expect(ctx, wire.TypePulse)()
	return d.Device.Pulse(ctx, output, width)
}

// orderKey is that of a message's order in the context in which it is carried out.
type orderKey struct{}

// expected is a frame that is about to be sent, and the order of the message that asked for it.
type expected struct {
	kind  wire.Type
	order int
}

// expect says which message the next frame of its kind is by. Call withdraw when it was sent, or cannot be.
func (m *model) expect(ctx context.Context, kind wire.Type) (withdraw func()) {
	m.mu.Lock()
	defer m.mu.Unlock()
	order, asked := ctx.Value(orderKey{}).(int)
	switch {
	case asked:
	case kind == wire.TypePulse:
		order = m.lagBy
		for waiting := range m.lags {
			order = max(order, waiting)
		}
		m.seen.lagPulses++
	default: // by the button, or again by itself
		order = max(m.pressed, m.lastArm)
		m.seen.ownGoes++
	}
	e := &expected{kind, order}
	m.expected = append(m.expected, e)
	return func() {
		m.mu.Lock()
		defer m.mu.Unlock()
		m.expected = slices.DeleteFunc(m.expected, func(x *expected) bool { return x == e })
	}
}

// controlSends marks a frame with the message that asked for it.
func (m *model) controlSends(f wire.Frame) {
	m.mu.Lock()
	defer m.mu.Unlock()
	i := slices.IndexFunc(m.expected, func(e *expected) bool { return e.kind == f.Type })
	if i < 0 {
		return
	}
	m.onLine[frameID{f.Type, f.Seq}] = m.expected[i].order
	m.expected = slices.Delete(m.expected, i, i+1)
}

// frameID tells the frames on the line apart.
type frameID struct {
	kind wire.Type
	seq  uint8
}

// sent is a message on its way from a phone to the control.
type sent struct {
	cmd    Command
	order  int // among all messages of the round, by when they were sent
	answer chan error
}

// connection is one of a phone's, with the queues that the page's server has: a disarm overtakes the rest.
type connection struct {
	m      *model
	client string
	line   chan sent
	box    <-chan *Snapshot
	leave  func(time.Time)
	all    sync.WaitGroup

	mu    sync.Mutex
	stall time.Time
	epoch int64
}

func (m *model) connect(client string) *connection {
	k := &connection{m: m, client: client, line: make(chan sent, 100)}
	box, leave := m.Join(client)
	k.box, k.leave = box, leave
	queue := make(chan sent, 100)
	gone := make(chan struct{})
	k.all.Go(func() {
		defer close(queue)
		for s := range k.line {
			time.Sleep(m.networkTakes(k))
			if s.cmd.Type == "disarm" {
				k.all.Go(func() { m.carryOut(client, s) })
			} else {
				queue <- s
			}
		}
	})
	k.all.Go(func() {
		defer close(gone)
		for s := range queue {
			m.carryOut(client, s)
		}
	})
	go func() {
		for {
			select {
			case <-gone:
				return
			case s := <-box:
				time.Sleep(m.networkTakes(k))
				k.mu.Lock()
				k.epoch = s.Epoch
				k.mu.Unlock()
			}
		}
	}()
	return k
}

// close is the phone's end: what it sent before still arrives.
func (k *connection) close() {
	close(k.line)
	k.all.Wait()
	k.leave(time.Now())
}

func (k *connection) send(cmd Command) sent {
	k.mu.Lock()
	cmd.Epoch, cmd.Connection = k.epoch, k.box
	k.mu.Unlock()
	s := k.m.note(k.client, cmd)
	k.line <- s
	return s
}

type model struct {
	*harness
	room   *rig.Rig
	script *rand.Rand // what happens

	mu       sync.Mutex
	cable    *cable
	r        *rand.Rand // how long it takes
	story    []string
	began    time.Time
	orders   int
	armings  []int           // order of each arming of the round
	expected []*expected     // frames about to be sent, in order
	onLine   map[frameID]int // order of what asked for them
	lastArm  int             // order of the arming that the board heard last
	undone   map[int]bool    // armings that the board heard and that are not answered yet
	arms     int             // being carried out
	lags     map[int]bool    // being carried out
	lagBy    int             // order of the lag that was begun last
	pressed  int             // order of whoever pressed the button last
	seen     seen
	floor    int // order of the latest disarm that was answered "done"
	code     wire.StateCode
	run      int // the arming that the board is armed by
	stall    time.Time
	lossy    bool
	slowest  time.Duration
	conns    map[string][]*connection
	problems []string
}

// seen counts what the model is for: without it nothing is learnt.
type seen struct {
	// Arms refused, and cut short at the board; disarms while one was under way.
	void, undone, raced int

	goes, ownGoes, pulses, lagPulses, touches int
	repeated, pacedArms, paced                int
}

func (s *seen) add(o seen) {
	s.void, s.undone, s.raced = s.void+o.void, s.undone+o.undone, s.raced+o.raced
	s.goes, s.ownGoes = s.goes+o.goes, s.ownGoes+o.ownGoes
	s.pulses, s.lagPulses = s.pulses+o.pulses, s.lagPulses+o.lagPulses
	s.touches, s.repeated, s.pacedArms, s.paced = s.touches+o.touches, s.repeated+o.repeated, s.pacedArms+o.pacedArms,
		s.paced+o.paced
}

func (m *model) say(format string, args ...any) {
	m.story = append(m.story, fmt.Sprintf("%7.1f ms  ", ms(time.Since(m.began)))+fmt.Sprintf(format, args...))
}

// lineTakes is when what is put on the board's line now comes out, or that it is lost.
func (m *model) lineTakes() (due time.Time, lost bool) {
	m.mu.Lock()
	defer m.mu.Unlock()
	now := time.Now()
	if m.stall.After(now) {
		now = m.stall
	}
	return now.Add(time.Duration(m.r.IntN(4) * m.r.IntN(3000) * 1000)), m.lossy && m.r.IntN(8) == 0
}

func (m *model) networkTakes(k *connection) time.Duration {
	m.mu.Lock()
	defer m.mu.Unlock()
	k.mu.Lock()
	defer k.mu.Unlock()
	return max(time.Until(k.stall), 0) + time.Duration(m.r.IntN(3)*m.r.IntN(20000))*time.Microsecond
}

func (m *model) note(client string, cmd Command) sent {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.orders++
	if cmd.Type == "arm" {
		m.armings = append(m.armings, m.orders)
		cmd.Shots = runsApart * len(m.armings)
	}
	m.say("%s sends %d: %s %d (epoch %d)", client, m.orders, cmd.Type, cmd.Shots, cmd.Epoch)
	return sent{cmd: cmd, order: m.orders, answer: make(chan error, 1)}
}

func (m *model) carryOut(client string, s sent) {
	read, raced := time.Now(), m.begins(s)
	err := m.Control.Do(context.WithValue(context.Background(), orderKey{}, s.order), client, s.cmd)
	m.mu.Lock()
	defer m.mu.Unlock()
	m.say("%d (%s) is answered: %v", s.order, s.cmd.Type, err)
	switch s.cmd.Type {
	case "disarm":
		m.slowest = max(m.slowest, time.Since(read))
		if err == nil {
			m.floor = max(m.floor, s.order)
			m.check()
			if raced {
				m.seen.raced++
			}
		}
	case "arm":
		m.armEnds(s, err)
	case "lag":
		delete(m.lags, s.order)
		if err == nil {
			m.lagBy = s.order
		}
	}
	s.answer <- err
}

// begins takes note of a message that is about to be carried out, and reports whether an arm is under way.
func (m *model) begins(s sent) (arms bool) {
	m.mu.Lock()
	defer m.mu.Unlock()
	arms = m.arms > 0
	switch s.cmd.Type {
	case "arm":
		m.arms++
	case "lag":
		m.lags[s.order] = true
	}
	return arms
}

func (m *model) armEnds(s sent, err error) {
	m.arms--
	switch {
	case err == nil && s.cmd.RepeatS != 0:
		m.seen.repeated++
	case err == nil && s.cmd.PaceS != 0:
		m.seen.pacedArms++
	case err != nil && m.undone[s.order]:
		m.seen.undone++
	case err != nil && strings.Contains(err.Error(), "disarmed after this was asked"):
		m.seen.void++
	}
	delete(m.undone, s.order)
}

// boardHears checks what reaches the board: none of it may have been asked for before a disarm that is done.
func (m *model) boardHears(f wire.Frame) {
	m.mu.Lock()
	defer m.mu.Unlock()
	order := m.orders
	switch f.Type {
	case wire.TypeArm:
		if arm, err := wire.ParseArm(f); err == nil {
			order = m.armings[(int(arm.Shots)+runsApart-1)/runsApart-1]
			m.lastArm = order
			m.undone[order] = true
		}
	case wire.TypeGo:
		order = m.onLine[frameID{f.Type, f.Seq}]
		m.seen.goes++
	case wire.TypePulse:
		order = m.onLine[frameID{f.Type, f.Seq}]
		m.seen.pulses++
	}
	if order < m.floor {
		m.problems = append(m.problems, fmt.Sprintf("what message %d asked reaches the board after message %d disarmed",
			order, m.floor))
	}
}

// boardSays is the truth: the board's state as it says it, before the line delays that.
func (m *model) boardSays(f wire.Frame) {
	parsed, err := wire.Parse(f)
	m.mu.Lock()
	defer m.mu.Unlock()
	state, ok := parsed.(wire.State)
	if err != nil || !ok {
		m.problems = append(m.problems, fmt.Sprintf("the board says %v: %v", f, err))
		return
	}
	m.code, m.run = state.State, (int(state.Left)+runsApart-1)/runsApart
	m.say("the board: %v, %d left", state.State, state.Left)
	m.check()
}

func (m *model) check() {
	if m.code != wire.Armed && m.code != wire.Firing && m.code != wire.Resting || m.run < 1 || m.run > len(m.armings) {
		return
	}
	if order := m.armings[m.run-1]; order < m.floor {
		m.problems = append(m.problems, fmt.Sprintf("the board is %v by message %d, asked before message %d disarmed",
			m.code, order, m.floor))
	}
}

func newModel(t *testing.T, seed uint64) *model {
	m := &model{script: rand.New(rand.NewPCG(seed, 1)), r: rand.New(rand.NewPCG(seed, 2)),
		conns: map[string][]*connection{}, onLine: map[frameID]int{}, undone: map[int]bool{}, lags: map[int]bool{},
		began: time.Now()}
	var err error
	m.room, err = rig.New(rig.Options{Seed: seed, Spin: -1, Log: slog.New(slog.DiscardHandler)})
	require.NoError(t, err)
	t.Cleanup(func() { m.room.Close() })
	m.harness = setUp(t, func(o *Options) {
		o.Kind, o.Room, o.Wire = "simulated", modelRoom{m.room, m}, RigWiring(rig.Bench())
		o.Dial = func(ctx context.Context) (Device, error) {
			c := m.newCable(m.room.Link())
			m.mu.Lock()
			m.cable = c
			m.mu.Unlock()
			client, err := board.Dial(ctx, c, board.Options{Log: slog.New(slog.DiscardHandler)})
			if err != nil {
				return nil, err
			}
			return modelDevice{client, m}, nil
		}
	})
	m.untilConnected(t)
	m.ready()
	for _, client := range clients {
		m.conns[client] = []*connection{m.connect(client)}
	}
	m.must(me, Command{Type: "set", Field: "light.shutter", Value: "go"})
	return m
}

func (m *model) untilConnected(t *testing.T) {
	for range 100 {
		if m.Snapshot().Board.Connected {
			return
		}
		time.Sleep(time.Second)
	}
	require.Fail(t, "the board does not come back", m.Snapshot().Reason)
}

// anyOf is a phone's connection: usually one of the holder's.
func (m *model) anyOf() *connection {
	client := clients[m.script.IntN(len(clients))]
	if holder := m.Snapshot().Holder; holder != "" && m.script.IntN(3) > 0 {
		client = holder
	}
	list := m.conns[client]
	return list[m.script.IntN(len(list))]
}

// step is one thing that happens.
func (m *model) step() {
	k := m.anyOf()
	random := m.script.IntN
	switch n := random(100); {
	case n < 18:
		k.send(Command{Type: "arm"})
	case n < 22:
		k.send(Command{Type: "arm", RepeatS: 5 + random(3)})
	case n < 24:
		k.send(Command{Type: "arm", PaceS: 4 + random(9)})
		time.Sleep(time.Duration(random(2)*15) * time.Second)
	case n < 30:
		k.send(Command{Type: "arm", DelayS: 1, Dry: random(2) == 0})
	case n < 50:
		k.send(Command{Type: "disarm"})
	case n < 56:
		k.send(Command{Type: "go"})
	case n < 60:
		k.send(Command{Type: "pulse", Output: "flash"})
	case n < 62:
		k.send(Command{Type: "lag", Shots: 3})
	case n < 64:
		k.send(Command{Type: "room"})
	case n < 65:
		k.send(Command{Type: "touch", Input: []string{"gate", "beam", "button", "kill"}[random(4)]})
	case n < 68:
		k.send(Command{Type: "set", Field: "trim.drop", Value: fmt.Sprintf("%d ms", random(40))})
	case n < 69:
		time.Sleep(time.Duration(random(14)) * time.Second) // something is repeated meanwhile
	case n < 70:
		k.send(Command{Type: "give", To: clients[random(len(clients))]})
	case n < 72:
		m.leaveBehind(k)
	case n < 73:
		k.send(Command{Type: "page", Hidden: random(3) > 0})
	case n < 78:
		stall := time.Duration(random(500)) * time.Millisecond
		k.mu.Lock()
		k.stall = time.Now().Add(stall)
		k.mu.Unlock()
	case n < 86:
		stall := time.Duration(random(500)) * time.Millisecond
		m.mu.Lock()
		m.stall = time.Now().Add(stall)
		m.say("the board's line stalls for %v", stall)
		m.mu.Unlock()
	case n < 93:
		m.conns[k.client] = append(m.conns[k.client], m.connect(k.client))
	case n < 95:
		m.mu.Lock()
		m.lossy = !m.lossy
		m.mu.Unlock()
	case n < 97:
		m.room.Press("kill", random(2) == 0)
	case n < 99:
		m.pressButton()
	default:
		m.mu.Lock()
		cable := m.cable
		m.say("the board's line breaks")
		m.mu.Unlock()
		cable.Close()
	}
	time.Sleep(time.Duration(random(4)*random(40)) * time.Millisecond)
}

// leaveBehind has a phone ask for something over a connection that stalls, and go on over another one: disarm, arm, go.
func (m *model) leaveBehind(k *connection) {
	random := m.script.IntN
	k.mu.Lock()
	k.stall = time.Now().Add(time.Duration(200+random(600)) * time.Millisecond)
	k.mu.Unlock()
	k.send([]Command{{Type: "go"}, {Type: "pulse", Output: "flash"}, {Type: "arm"}, {Type: "lag", Shots: 3}}[random(4)])
	another := m.connect(k.client)
	m.conns[k.client] = append(m.conns[k.client], another)
	for _, cmd := range []Command{{Type: "disarm"}, {Type: "arm"}, {Type: "go"}}[:1+random(3)] {
		time.Sleep(100 * time.Millisecond) // it has a snapshot of what it did before
		another.send(cmd)
	}
}

// pressButton presses the rig's button once or twice: a disarm, or Go by two presses.
func (m *model) pressButton() {
	m.mu.Lock()
	m.orders++
	m.pressed = m.orders
	m.say("the button is pressed (%d)", m.orders)
	m.mu.Unlock()
	for range 1 + m.script.IntN(2) {
		m.room.Press("button", true)
		time.Sleep(100 * time.Millisecond)
		m.room.Press("button", false)
		time.Sleep(100 * time.Millisecond)
	}
}

// endRound lets all that is under way end, and checks that arming works again after a disarm.
func (m *model) endRound(t *testing.T) {
	m.mu.Lock()
	m.lossy, m.stall = false, time.Time{}
	m.mu.Unlock()
	m.room.Press("kill", false)
	for client, list := range m.conns {
		for _, old := range list[1:] {
			old.close()
		}
		m.conns[client] = list[:1]
		assert.NoError(t, <-list[0].send(Command{Type: "page"}).answer)
	}
	time.Sleep(3 * time.Second)
	m.untilConnected(t)
	holder := m.conns[m.Snapshot().Holder][0]
	asked := holder.send(Command{Type: "disarm"})
	assert.NoError(t, <-asked.answer)
	time.Sleep(time.Second) // the phone sees it
	asked = holder.send(Command{Type: "arm"})
	assert.NoError(t, <-asked.answer)
	assert.Equal(t, wire.Armed, m.boardState())
	asked = holder.send(Command{Type: "disarm"})
	assert.NoError(t, <-asked.answer)
	assert.NotEqual(t, wire.Armed, m.boardState())
	time.Sleep(time.Second)
}

func (m *model) boardState() wire.StateCode {
	synctest.Wait()
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.code
}

func (m *model) newRound() {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.story, m.armings, m.orders, m.floor, m.began = nil, nil, 0, 0, time.Now()
	m.lastArm, m.lagBy, m.pressed = 0, 0, 0
	clear(m.undone)
}

// report is what happened in the round, and what should not have.
func (m *model) report() (story string, problems []string) {
	m.mu.Lock()
	defer m.mu.Unlock()
	return strings.Join(m.story, "\n"), m.problems
}

func (m *model) end(t *testing.T) {
	for _, list := range m.conns {
		for _, k := range list {
			k.close()
		}
	}
	assert.NoError(t, m.stop())
	m.room.Close()
	time.Sleep(time.Second) // what was on the lines comes out
	synctest.Wait()
}

func TestNothingOlderThanADisarmArms(t *testing.T) {
	const rounds = 100
	armed, seeds, all := 0, seedCount(), seen{}
	for seed := range uint64(seeds) {
		t.Run(fmt.Sprintf("seed %d", seed), func(t *testing.T) {
			inBubble(t, func(t *testing.T) {
				m := newModel(t, seed)
				for round := range rounds {
					m.newRound()
					for range 3 + m.script.IntN(12) {
						m.step()
					}
					m.endRound(t)
					story, problems := m.report()
					armed += strings.Count(story, "the board: armed")
					if len(problems) > 0 || t.Failed() {
						t.Errorf("round %d: %s\n%s", round, strings.Join(problems, "; "), story)
						break
					}
				}
				m.end(t)
				all.add(m.seen)
				assert.LessOrEqual(t, m.slowest, disarmTimeout, "a disarm waits for nothing else")
			})
		})
	}
	t.Logf("%d schedules, armed %d times: %+v", seeds*rounds, armed, all)
	for what, n := range map[string]int{
		"arms refused as void": all.void, "arms undone after they reached the board": all.undone,
		"disarms answered while an arm was under way": all.raced, "goes": all.goes, "goes by button or repeated": all.ownGoes,
		"pulses": all.pulses, "pulses for the lag": all.lagPulses, "touches": all.touches, "repeated arms": all.repeated,
		"arms at a pace": all.pacedArms, "released at a pace": all.paced} {
		assert.Positive(t, n, what)
	}
}
