package board

import (
	"context"
	"net"
	"reflect"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/wire"
)

// adversary is a board that says what a fuzzer's script says, in virtual time, and keeps account of both directions.
type adversary struct {
	*script
	text      []byte // what is left of the fuzzer's
	honest    bool   // says what it is when asked
	seqs      map[wire.Type]map[uint8]bool
	stream    []byte
	pending   []wire.Frame
	writing   sync.Mutex
	listening sync.WaitGroup
}

// take is the next byte of the script, 0 at its end.
func (a *adversary) take() byte {
	if len(a.text) == 0 {
		return 0
	}
	b := a.text[0]
	a.text = a.text[1:]
	return b
}

// put sends bytes to the client, and keeps those that arrived.
func (a *adversary) put(p []byte) {
	a.writing.Lock()
	defer a.writing.Unlock()
	n, _ := a.end.Write(p)
	a.stream = append(a.stream, p[:n]...)
}

func (a *adversary) putMessages(messages ...wire.Message) {
	for _, m := range messages {
		a.put(wire.AppendFrame(nil, a.number(m.Frame(0))))
	}
}

// number gives a frame the board's next sequence number.
func (a *adversary) number(f wire.Frame) wire.Frame {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.seq++
	f.Seq = a.seq
	return f
}

// listen takes in what the host sends. Pings are answered; all else waits for the script.
func (a *adversary) listen() {
	var d wire.Decoder
	buf := make([]byte, 256)
	for {
		n, err := a.end.Read(buf)
		for _, b := range buf[:n] {
			if f, ok := d.Push(b); ok {
				a.asked(f)
			}
		}
		if err != nil {
			return
		}
	}
}

func (a *adversary) asked(f wire.Frame) {
	a.mu.Lock()
	if a.seqs[f.Type] == nil {
		a.seqs[f.Type] = map[uint8]bool{}
	}
	a.seqs[f.Type][f.Seq] = true
	honest := a.honest
	if f.Type != wire.TypePing && f.Type != wire.TypeIdentify {
		a.pending = append(a.pending, f)
	}
	a.mu.Unlock()
	switch {
	case f.Type == wire.TypePing && honest:
		p, err := wire.ParsePing(f)
		require.NoError(a.t, err)
		a.putMessages(wire.Pong{Token: p.Token, Now: a.now()})
	case f.Type == wire.TypeIdentify && honest:
		a.putMessages(a.ident)
		for i := range a.inputs {
			a.putMessages(a.inputs[i])
		}
		for i := range a.outs {
			a.putMessages(a.outs[i])
		}
		a.putMessages(wire.Ack{Seq: f.Seq, Type: f.Type})
	}
}

// next is the oldest request that was not answered.
func (a *adversary) next() (f wire.Frame, ok bool) {
	a.mu.Lock()
	defer a.mu.Unlock()
	if len(a.pending) == 0 {
		return f, false
	}
	f, a.pending = a.pending[0], a.pending[1:]
	return f, true
}

// kinds are the messages of a board.
func kinds() []wire.Message {
	return []wire.Message{wire.State{}, wire.Shot{}, wire.Cue{}, wire.Edge{}, wire.Fault{}, wire.Rejected{}, wire.Lost{},
		wire.Level{}, wire.Pong{}, wire.Ack{}, wire.Refused{}, wire.Identity{}, wire.InputInfo{}, wire.OutputInfo{}}
}

// frame is one of a board's messages with a payload from the script.
func (a *adversary) frame() wire.Frame {
	all := kinds()
	f := a.number(all[int(a.take())%len(all)].Frame(0))
	for i := range f.N {
		f.Payload[i] = a.take()
	}
	return f
}

// step does what the next bytes of the script say.
func (a *adversary) step(h *host) {
	switch a.take() % 15 {
	case 0:
		n := min(int(a.take())%64, len(a.text))
		a.put(a.text[:n])
		a.text = a.text[n:]
	case 1:
		a.put(wire.AppendFrame(nil, a.frame()))
	case 2:
		p := wire.AppendFrame(nil, a.frame())
		bit := int(a.take()) % (8 * len(p))
		p[bit/8] ^= 1 << (bit % 8)
		a.put(p)
	case 3:
		f, times := a.frame(), 1+32*int(a.take())
		for range times {
			a.put(wire.AppendFrame(nil, a.number(f)))
		}
	case 4:
		time.Sleep(time.Duration(a.take()) * 10 * time.Millisecond)
	case 5:
		if f, ok := a.next(); ok {
			a.putMessages(wire.Ack{Seq: f.Seq, Type: f.Type})
		}
	case 6:
		if f, ok := a.next(); ok {
			a.putMessages(wire.Refused{Seq: f.Seq, Type: f.Type, Reason: wire.ReasonArmed, Detail: uint32(a.take())})
		}
	case 7:
		a.next()
	case 8:
		h.call(a.take())
	case 9:
		h.toggle()
	case 10:
		a.mu.Lock()
		a.seq += a.take()
		a.mu.Unlock()
	case 11:
		again := a.ident
		again.BootID += uint32(a.take() % 2)
		a.putMessages(again)
	case 12:
		a.putMessages(wire.State{State: wire.StateCode(a.take() % 5), Reason: wire.Reason(a.take() % 10)})
	case 13:
		other := a.ident
		other.BootID += uint32(a.take() % 2)
		other.Inputs, other.Outputs = a.take()%10, a.take()%10
		a.putMessages(other)
	case 14:
		in, out := a.inputs[0], a.outs[0]
		in.Index, out.Index = a.take()%9, a.take()%9
		a.putMessages(in, out)
	}
}

// host is who uses the client.
type host struct {
	t       *testing.T
	client  *Client
	calls   sync.WaitGroup
	gate    chan bool
	reading bool
	read    chan []Event

	mu    sync.Mutex
	safe  int // disarms that were said to be done
	armed int // arms that were said to be done
	made  int
}

func newHost(t *testing.T, c *Client) *host {
	h := &host{t: t, client: c, gate: make(chan bool), read: make(chan []Event, 1)}
	go h.take()
	return h
}

// take reads the events while the gate is open, and hands them over when they have ended.
func (h *host) take() {
	var all []Event
	var from <-chan Event
	for {
		select {
		case open := <-h.gate:
			if from = nil; open {
				from = h.client.Events()
			}
		case e, ok := <-from:
			if !ok {
				h.read <- all
				return
			}
			all = append(all, e)
		}
	}
}

// toggle stops reading or goes on with it.
func (h *host) toggle() {
	h.reading = !h.reading
	select {
	case h.gate <- h.reading:
	case all := <-h.read: // the events have ended
		h.read <- all
	}
}

// call asks the client for something.
func (h *host) call(what byte) {
	const most = 40
	if h.made++; h.made > most {
		return
	}
	h.calls.Go(func() {
		ctx, err := context.Background(), error(nil)
		switch what % 5 {
		case 0:
			err = h.client.Disarm(ctx)
		case 1:
			err = h.client.Arm(ctx, 1+int(what))
		case 2:
			err = h.client.Go(ctx)
		case 3:
			err = h.client.Pulse(ctx, what%4, time.Millisecond)
		case 4:
			err = h.client.Load(ctx, aProgram())
		}
		h.mu.Lock()
		defer h.mu.Unlock()
		switch {
		case err == nil && what%5 == 0, err != nil && strings.Contains(err.Error(), "it was disarmed, to be safe"):
			h.safe++
		case err == nil && what%5 == 1:
			h.armed++
		}
	})
}

// account is what a stream of events amounts to, as far as no event of it may be lost or change its place.
type account struct {
	order  []string      // shots, pulses and faults
	states []wire.State  // without those that change nothing
	edges  map[uint8]int // by input
	acks   map[wire.Ack]int
}

func (c *account) state(s wire.State) {
	if n := len(c.states); n > 0 && c.states[n-1].State == s.State && c.states[n-1].Reason == s.Reason {
		c.states[n-1] = s
		return
	}
	c.states = append(c.states, s)
}

// accountOf decodes what a board sent after its identity.
func accountOf(stream []byte, parts int) account {
	c := account{edges: map[uint8]int{}, acks: map[wire.Ack]int{}}
	var d wire.Decoder
	for _, b := range stream {
		f, ok := d.Push(b)
		if !ok {
			continue
		}
		m, err := wire.Parse(f)
		if ack, is := m.(wire.Ack); is && err == nil {
			c.acks[ack]++
		}
		if parts--; err != nil || parts >= 0 {
			continue
		}
		switch m := m.(type) {
		case wire.State:
			c.state(m)
		case wire.Shot:
			c.order = append(c.order, "shot "+m.Status.String())
		case wire.Fault:
			c.order = append(c.order, "fault "+m.Reason.String())
		case wire.Cue:
			if m.Shot == 0 {
				c.order = append(c.order, "pulse")
			}
		case wire.Edge:
			c.edges[m.Input] += int(m.Count)
		}
	}
	return c
}

// heard is the account of events, which are checked one by one.
func heard(t *testing.T, events []Event) account {
	c := account{edges: map[uint8]int{}}
	for i, e := range events {
		fields := reflect.ValueOf(e)
		set := 0
		for n := range fields.NumField() {
			if !fields.Field(n).IsNil() {
				set++
			}
		}
		require.Equal(t, 1, set, "event %d is one thing: %+v", i, e)
		switch {
		case e.State != nil:
			c.state(*e.State)
		case e.Shot != nil:
			require.LessOrEqual(t, len(e.Shot.Cues), 2*wire.MaxCues)
			c.order = append(c.order, "shot "+e.Shot.Status.String())
		case e.Fault != nil:
			c.order = append(c.order, "fault "+e.Fault.Reason.String())
		case e.Pulse != nil:
			c.order = append(c.order, "pulse")
		case e.Edge != nil:
			c.edges[e.Edge.Input] += int(e.Edge.Count)
		case e.Gone != nil:
			require.Equal(t, len(events)-1, i, "gone is the last: %v", e.Gone)
		}
	}
	return c
}

// FuzzClient lets a board say anything, in any order, sound and damaged, while the host arms, disarms and reads when it
// likes. Nothing panics, hangs or is left running; memory is bounded; events keep the order that they promise, and the
// last state reported to the reader is the last one the board sent; what is reported as done was acknowledged.
func FuzzClient(f *testing.F) {
	armed, safe := []byte{12, 1, 0}, []byte{12, 0, 1}
	f.Add(slices.Concat([]byte{1, 9}, armed, []byte{8, 1, 5, 4, 3, 8, 0, 5, 4, 1}, safe, []byte{4, 10}))
	f.Add(slices.Concat([]byte{1, 9, 8, 1, 4, 200, 5, 8, 0, 4, 200, 5}, armed, []byte{4, 200, 4, 200}))
	f.Add(slices.Concat([]byte{3, 3, 1}, make([]byte, 22), []byte{255, 9, 4, 1})) // more shots than may wait
	f.Add([]byte{1, 9, 11, 0, 4, 10, 11, 1, 4, 10})                               // it starts again
	f.Add([]byte{1, 9, 10, 5, 12, 1, 0, 0, 9, 1, 2, 3, 0, 4, 5, 6, 7, 8, 4, 120}) // lost frames, garbage, silence
	f.Add([]byte{1, 9, 2, 1, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 77, 1, 2, 0, 0})
	f.Add([]byte{0, 13, 0, 2, 0, 14, 1, 0, 13, 0, 1, 0, 4, 10}) // fewer inputs than it said before
	f.Fuzz(func(t *testing.T, text []byte) {
		if len(text) > 4000 {
			return
		}
		synctest.Test(t, func(t *testing.T) { attack(t, text) })
	})
}

func attack(t *testing.T, text []byte) {
	s, link := newScript(t)
	a := &adversary{script: s, text: text, seqs: map[wire.Type]map[uint8]bool{}}
	flags := a.take()
	a.honest = flags&1 != 0
	a.listening.Go(a.listen)
	if !a.honest {
		strange(t, a, link)
		return
	}
	c, err := Dial(t.Context(), link, Options{Log: discardLog()})
	require.NoError(t, err)
	h := newHost(t, c)
	for len(a.text) > 0 {
		a.step(h)
		bounded(t, c)
	}
	if flags&2 != 0 {
		require.NoError(t, c.Close())
	}
	a.end.Close()
	h.calls.Wait()
	if !h.reading {
		h.toggle()
	}
	events := <-h.read
	require.NoError(t, c.Close())
	a.listening.Wait()
	compareAccounts(t, a, h, events, flags&2 != 0)
}

// compareAccounts checks what the host received against what the board sent.
func compareAccounts(t *testing.T, a *adversary, h *host, events []Event, closed bool) {
	parts := 1 + len(a.inputs) + len(a.outs)
	want, got := accountOf(a.stream, parts), heard(t, events)
	whole := false
	if !closed {
		require.NotEmpty(t, events)
		gone := events[len(events)-1].Gone
		require.ErrorIs(t, gone, ErrGone)
		whole = strings.Contains(gone.Error(), "its link ended")
	}
	if whole {
		require.Equal(t, want.states, got.states)
		require.Equal(t, want.order, got.order)
		for input, n := range want.edges {
			if n <= 0xFFFF {
				require.Equal(t, n, got.edges[input], "edges of input %d", input)
			}
		}
	}
	require.LessOrEqual(t, len(got.order), len(want.order))
	require.True(t, slices.Equal(want.order[:len(got.order)], got.order), "%v\n%v", want.order, got.order)
	acknowledged := func(kind wire.Type) (n int) {
		for ack, times := range want.acks {
			if ack.Type == kind && a.seqs[kind][ack.Seq] {
				n += times
			}
		}
		return n
	}
	assert.LessOrEqual(t, h.safe, acknowledged(wire.TypeDisarm), "disarmed, and no board said so")
	assert.LessOrEqual(t, h.armed, acknowledged(wire.TypeArm), "armed, and no board said so")
}

// bounded looks at all that could grow with what a board sends.
func bounded(t *testing.T, c *Client) {
	c.queue.mu.Lock()
	waiting := len(c.queue.events)
	c.queue.mu.Unlock()
	require.LessOrEqual(t, waiting, maxKept+maxRejected+3*256)
	c.mu.Lock()
	defer c.mu.Unlock()
	require.LessOrEqual(t, len(c.pending), 256)
	require.LessOrEqual(t, len(c.firstBytes), maxText)
}

// strange is a board that says something else than what it is, or that and something else: Dial knows it, or says why
// not in time.
func strange(t *testing.T, a *adversary, link net.Conn) {
	began := time.Now()
	type dialled struct {
		client *Client
		err    error
	}
	answer := make(chan dialled, 1)
	go func() {
		c, err := Dial(t.Context(), link, Options{Log: discardLog()})
		answer <- dialled{c, err}
	}()
	for h := (&host{t: t, made: 1000, read: make(chan []Event, 1), gate: make(chan bool, 1000)}); len(a.text) > 0; {
		a.step(h)
	}
	d := <-answer
	require.LessOrEqual(t, time.Since(began), Options{}.withDefaults().Boot+time.Minute)
	if d.err != nil {
		require.NotEmpty(t, d.err.Error())
		require.Less(t, len(d.err.Error()), 400)
		a.end.Close()
		return
	}
	id := d.client.Identity()
	require.LessOrEqual(t, len(id.Inputs), wire.MaxPins)
	require.LessOrEqual(t, len(id.Outputs), wire.MaxPins)
	require.NotZero(t, id.TickHz)
	require.NoError(t, d.client.Close())
}
