package boardtest

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/wire"
)

const (
	poll      = time.Millisecond
	timeout   = 10 * time.Second // of the bed's time, before an answer is missing
	pingEvery = 100 * time.Millisecond
)

// host is a minimal host: it keeps the link alive, checks the form of every frame and stores the messages.
type host struct {
	t       *testing.T
	bed     Bed
	w       Wiring
	id      wire.Identity
	outs    []wire.OutputInfo
	decoder wire.Decoder
	seq     uint8
	synced  bool
	next    uint8 // seq that the board's next frame has
	inbox   []wire.Message
	slept   time.Duration // since the last ping
	noPings bool          // sends no pings
	changes []Change
}

// newHost connects to the board.
func newHost(t *testing.T, bed Bed) *host {
	h := &host{t: t, bed: bed, w: bed.Wiring()}
	h.identify()
	return h
}

// identify repeats the request until the board, which may still be starting, has identified itself.
func (h *host) identify() {
	h.t.Helper()
	for waited := time.Duration(0); ; waited += 100 * time.Millisecond {
		require.Less(h.t, waited, timeout, "the board does not identify itself")
		h.bed.Send([]byte{0})
		h.send(wire.Identify{})
		h.sleep(100 * time.Millisecond)
		if slices.ContainsFunc(h.inbox, func(m wire.Message) bool { _, ok := m.(wire.Ack); return ok }) {
			break
		}
	}
	ids := take[wire.Identity](h)
	h.id = ids[len(ids)-1]
	h.outs = take[wire.OutputInfo](h)
	h.clear()
}

// ticks is d in the board's ticks.
func (h *host) ticks(d time.Duration) uint32 {
	return uint32(d * time.Duration(h.id.TickHz) / time.Second)
}

// send sends a message and does not wait.
func (h *host) send(m wire.Message) uint8 {
	h.seq++
	h.bed.Send(wire.AppendFrame(nil, m.Frame(h.seq)))
	return h.seq
}

// sleep lets time pass, keeping the link alive.
func (h *host) sleep(d time.Duration) {
	h.t.Helper()
	for d > 0 {
		slice := min(d, pingEvery)
		if !h.noPings && h.slept+slice > pingEvery {
			h.send(wire.Ping{Token: uint32(h.seq)})
			h.slept = 0
		}
		h.bed.Sleep(slice)
		h.slept += slice
		d -= slice
		h.read()
	}
}

// read reads what the board sent. Every frame must be valid, allowed, and the next in sequence.
func (h *host) read() {
	h.t.Helper()
	h.changes = append(h.changes, h.bed.Changes()...)
	for _, b := range h.bed.Receive() {
		f, ok := h.decoder.Push(b)
		if !ok {
			continue
		}
		if h.synced {
			require.Equal(h.t, h.next, f.Seq, "the board's frames are numbered one by one, this is a %s", f.Type)
		}
		h.synced, h.next = true, f.Seq+1
		m, err := wire.Parse(f)
		require.NoError(h.t, err, "the board sent what is not allowed")
		if _, pong := m.(wire.Pong); !pong || h.noPings {
			h.inbox = append(h.inbox, m)
		}
	}
	require.Zero(h.t, h.decoder.Bad(), "the board sent what is no frame")
}

// clear discards the messages and output changes so far.
func (h *host) clear() {
	h.read()
	h.inbox, h.changes = nil, nil
}

// take removes all messages of one type from the inbox.
func take[M wire.Message](h *host) []M {
	var found []M
	h.inbox = slices.DeleteFunc(h.inbox, func(m wire.Message) bool {
		wanted, ok := m.(M)
		if ok {
			found = append(found, wanted)
		}
		return ok
	})
	return found
}

// await waits for a message of one type, and removes the first.
func await[M wire.Message](h *host) M {
	h.t.Helper()
	return awaitMatch(h, func(M) bool { return true })
}

// awaitMatch waits for a matching message of one type, and removes it.
func awaitMatch[M wire.Message](h *host, wanted func(M) bool) M {
	h.t.Helper()
	for waited := time.Duration(0); ; waited += poll {
		for i, m := range h.inbox {
			if found, ok := m.(M); ok && wanted(found) {
				h.inbox = slices.Delete(h.inbox, i, i+1)
				return found
			}
		}
		if waited > timeout {
			var missing M
			require.FailNow(h.t, fmt.Sprintf("no such %s came, but %s", wire.TypeOf(missing), h.describeInbox()))
		}
		h.sleep(poll)
	}
}

// describeInbox lists the messages in the inbox.
func (h *host) describeInbox() string {
	if len(h.inbox) == 0 {
		return "nothing"
	}
	words := make([]string, 0, len(h.inbox))
	for _, m := range h.inbox {
		words = append(words, fmt.Sprintf("%s %+v", wire.TypeOf(m), m))
	}
	return strings.Join(words, ", ")
}

// assertNone checks that no message of a type came.
func assertNone[M wire.Message](h *host, why string) {
	h.t.Helper()
	h.read()
	assert.Empty(h.t, take[M](h), why)
}

// request sends a request and waits for its answer: ReasonNone when it was carried out.
func (h *host) request(m wire.Message) (wire.Reason, uint32) {
	h.t.Helper()
	seq := h.send(m)
	for waited := time.Duration(0); waited < timeout; waited += poll {
		for i, got := range h.inbox {
			switch a := got.(type) {
			case wire.Ack:
				if a.Seq == seq && a.Type == wire.TypeOf(m) {
					h.inbox = slices.Delete(h.inbox, i, i+1)
					return wire.ReasonNone, 0
				}
			case wire.Refused:
				if a.Seq == seq && a.Type == wire.TypeOf(m) {
					h.inbox = slices.Delete(h.inbox, i, i+1)
					return a.Reason, a.Detail
				}
			}
		}
		h.sleep(poll)
	}
	require.FailNow(h.t, fmt.Sprintf("%s was not answered, but %s", wire.TypeOf(m), h.describeInbox()))
	return 0, 0
}

// mustDo sends a request that must be carried out.
func (h *host) mustDo(m wire.Message) {
	h.t.Helper()
	reason, detail := h.request(m)
	require.Equal(h.t, wire.ReasonNone, reason, "%s was refused: %s (%d)", wire.TypeOf(m), reason, detail)
}

// assertRefused sends a request that must be refused for a reason.
func (h *host) assertRefused(m wire.Message, want wire.Reason) {
	h.t.Helper()
	reason, detail := h.request(m)
	assert.Equal(h.t, want, reason, "%s %+v: want %q, got %q (%d)", wire.TypeOf(m), m, want, reason, detail)
}

// load loads and commits a program that the board must take.
func (h *host) load(p wire.Program) {
	h.t.Helper()
	reason, detail := h.tryLoad(wire.AppendProgram(nil, &p), 0)
	require.Equal(h.t, wire.ReasonNone, reason, "the program was refused: %s (%d)", reason, detail)
}

// tryLoad loads an encoded program and commits it with its CRC changed by damage.
func (h *host) tryLoad(encoded []byte, damage uint16) (wire.Reason, uint32) {
	h.t.Helper()
	for at := 0; at < len(encoded); at += wire.MaxPart {
		part := wire.LoadPart{Offset: uint16(at)}
		part.N = uint8(copy(part.Data[:], encoded[at:]))
		h.mustDo(part)
	}
	return h.request(wire.Commit{Length: uint16(len(encoded)), CRC: wire.CRC(encoded) ^ damage})
}

// arm loads a program and arms the board with it.
func (h *host) arm(p wire.Program, shots uint16) {
	h.t.Helper()
	h.load(p)
	h.mustDo(wire.Arm{Shots: shots})
	state := h.state(wire.Armed)
	assert.Equal(h.t, shots, state.Left)
	h.clear()
}

// state waits for the board to say that it is in a state.
func (h *host) state(code wire.StateCode) wire.State {
	h.t.Helper()
	return awaitMatch(h, func(s wire.State) bool { return s.State == code })
}

// breakBeam breaks a beam for a moment, and returns when it broke.
func (h *host) breakBeam(input uint8) wire.Tick {
	at := h.bed.Set(input, h.w.BrokenHigh)
	h.sleep(poll)
	h.bed.Set(input, !h.w.BrokenHigh)
	return at
}

// near checks, where times mean something, that two are the same but for what a stamp or a pin may be off.
func (h *host) assertNear(want, got wire.Tick, what string) {
	h.t.Helper()
	if !h.bed.Exact() {
		return
	}
	off := got.Sub(want)
	assert.LessOrEqual(h.t, max(off, -off), int32(h.ticks(10*time.Microsecond))+1, "%s: at %d, the board says %d",
		what, want, got)
}

// now is the board's time.
func (h *host) now() wire.Tick {
	h.t.Helper()
	h.noPings = true
	defer func() { h.noPings = false }()
	seq := h.send(wire.Ping{Token: 0xABCD0000 + uint32(h.seq)})
	return awaitMatch(h, func(p wire.Pong) bool { return p.Token == 0xABCD0000+uint32(seq-1) }).Now
}

// report is a shot's own message and its pulses.
type report struct {
	wire.Shot
	cues []wire.Cue
}

// shot waits for the next shot's report.
func (h *host) shot() report {
	h.t.Helper()
	r := report{Shot: await[wire.Shot](h)}
	for _, cue := range take[wire.Cue](h) {
		if cue.Shot == r.Number {
			r.cues = append(r.cues, cue)
		}
	}
	assert.Len(h.t, r.cues, int(r.Cues), "the pulses of a shot come before it, and are as many as it says")
	return r
}

// assertComplete checks the report of a shot that went as planned: every pulse of the program at its time, and the
// outputs did just that.
func (h *host) assertComplete(r report, p wire.Program) {
	h.t.Helper()
	require.Equal(h.t, wire.Done, r.Status, "%s", r.Status)
	require.Len(h.t, r.cues, int(p.CueLen)+int(p.OpenLen))
	for _, cue := range r.cues {
		spec := p.Opening[cue.Index]
		if !cue.Opening {
			spec = p.Cues[cue.Index]
			assert.Equal(h.t, r.ClockAt+wire.Tick(r.Delay)+wire.Tick(spec.Offset), cue.Planned)
		}
		assert.Equal(h.t, spec.Output, cue.Output)
		h.assertTiming(cue, spec.Width, p.Late)
	}
	h.assertChanges(r.cues)
}

// assertTiming checks a pulse against its plan. On no bed may it be early.
func (h *host) assertTiming(cue wire.Cue, width, late uint32) {
	h.t.Helper()
	assert.False(h.t, cue.On.Before(cue.Planned), "early: %+v", cue)
	assert.GreaterOrEqual(h.t, cue.Off.Sub(cue.On), int32(width), "too short: %+v", cue)
	if h.bed.Exact() {
		assert.LessOrEqual(h.t, cue.On.Sub(cue.Planned), int32(late), "late: %+v", cue)
		assert.LessOrEqual(h.t, cue.Off.Sub(cue.On), int32(width+h.id.SafeWithin), "too long: %+v", cue)
	}
}

// assertChanges checks that the outputs changed as the cues report, and not otherwise.
func (h *host) assertChanges(cues []wire.Cue) {
	h.t.Helper()
	h.read()
	var want []Change
	for _, cue := range cues {
		want = append(want, Change{cue.Output, true, cue.On}, Change{cue.Output, false, cue.Off})
	}
	slices.SortStableFunc(want, compare)
	got := h.changes
	h.changes = nil
	require.Len(h.t, got, len(want), "the outputs did %v, the pulses say %v", got, want)
	if h.bed.Exact() {
		slices.SortStableFunc(got, compare)
	}
	for i := range want {
		same := slices.IndexFunc(got, func(c Change) bool { return c.Output == want[i].Output && c.On == want[i].On })
		require.GreaterOrEqual(h.t, same, 0, "the outputs did %v, the pulses say %v", got, want)
		for _, before := range got[:same] { // what happened at one and the same tick may be reported in any order
			assert.True(h.t, slices.ContainsFunc(want[i:], func(c Change) bool {
				return c.Output == before.Output && c.On == before.On && c.At == want[i].At
			}), "out of order: the outputs did %v, the pulses say %v", got, want)
		}
		h.assertNear(got[same].At, want[i].At, "the output changed")
		got = slices.Delete(got, same, same+1)
	}
}

// compare orders changes by time, and those at the same time by output, off first.
func compare(a, b Change) int {
	if d := a.At.Sub(b.At); d != 0 {
		return int(d)
	}
	if a.Output != b.Output {
		return int(a.Output) - int(b.Output)
	}
	if a.On == b.On || b.On {
		return -1
	}
	return 1
}

// assertNeverOn checks that no output was switched on.
func (h *host) assertNeverOn(why string) {
	h.t.Helper()
	h.read()
	for _, c := range h.changes {
		assert.False(h.t, c.On, "output %d went on: %s", c.Output, why)
	}
}

// assertAllOff checks that whatever went on is off again by now.
func (h *host) assertAllOff(why string) {
	h.t.Helper()
	h.read()
	var on uint8
	for _, c := range h.changes {
		on &^= 1 << c.Output
		if c.On {
			on |= 1 << c.Output
		}
	}
	assert.Zero(h.t, on, "outputs are still on (bits): %s", why)
}
