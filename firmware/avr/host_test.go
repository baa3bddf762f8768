package avr

import (
	"os/exec"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stillwater/internal/wire"
)

// host talks to a simulated board.
type host struct {
	*Sim
	t       *testing.T
	decoder wire.Decoder
	seq     uint8
	heard   []heard
}

// heard is a message, and when its last byte began to be sent.
type heard struct {
	wire.Message
	cycle uint64
}

func start(t *testing.T) *host {
	h := &host{Sim: Start(t), t: t}
	h.wait(50 * time.Millisecond)
	h.post(wire.Identify{})
	h.wait(30 * time.Millisecond)
	h.clear()
	return h
}

func (h *host) wait(d time.Duration) { h.until(h.Now + Cycles(d)) }

func (h *host) until(cycle uint64) {
	h.t.Helper()
	h.Run(cycle)
	for _, b := range h.Bytes {
		f, ok := h.decoder.Push(b.Value)
		if !ok {
			continue
		}
		m, err := wire.Parse(f)
		require.NoError(h.t, err)
		h.heard = append(h.heard, heard{m, b.Cycle})
	}
	h.Bytes = nil
	require.Zero(h.t, h.decoder.Bad())
}

func (h *host) clear() {
	h.heard, h.Changes, h.Notes = nil, nil, nil
}

// post sends a message from now on; it says with which seq.
func (h *host) post(m wire.Message) uint8 { return h.postAt(m, h.Now) }

func (h *host) postAt(m wire.Message, at uint64) uint8 {
	h.seq++
	h.Send(wire.AppendFrame(nil, m.Frame(h.seq)), at)
	return h.seq
}

// pings keeps the link alive until a cycle, one ping each period.
func (h *host) pings(until, period uint64) {
	for at := h.Now + period; at < until; at += period {
		h.postAt(wire.Ping{Token: uint32(at)}, at)
	}
}

// do sends a request that must be carried out, and waits for that.
func (h *host) do(m wire.Message) {
	h.t.Helper()
	seq := h.post(m)
	for range 200 {
		h.wait(500 * time.Microsecond)
		for _, got := range h.heard {
			switch a := got.Message.(type) {
			case wire.Ack:
				if a.Seq == seq {
					return
				}
			case wire.Refused:
				require.NotEqual(h.t, seq, a.Seq, "%T was refused: %s (%d)", m, a.Reason, a.Detail)
			}
		}
	}
	require.FailNow(h.t, "no answer", "%T: %v", m, h.heard)
}

func (h *host) load(p wire.Program) {
	h.t.Helper()
	encoded := wire.AppendProgram(nil, &p)
	for at := 0; at < len(encoded); at += wire.MaxPart {
		part := wire.LoadPart{Offset: uint16(at)}
		part.N = uint8(copy(part.Data[:], encoded[at:]))
		h.do(part)
	}
	h.do(wire.Commit{Length: uint16(len(encoded)), CRC: wire.CRC(encoded)})
}

// arm loads a program and arms for shots.
func (h *host) arm(p wire.Program, shots uint16) {
	h.t.Helper()
	h.load(p)
	h.do(wire.Arm{Shots: shots})
	h.wait(time.Millisecond)
	h.clear()
}

// all are the messages of one type that were heard.
func all[M wire.Message](h *host) (list []M) {
	for _, got := range h.heard {
		if m, ok := got.Message.(M); ok {
			list = append(list, m)
		}
	}
	return list
}

// the is the only message of a type.
func the[M wire.Message](h *host) M {
	h.t.Helper()
	list := all[M](h)
	require.Len(h.t, list, 1, "heard %v", h.heard)
	return list[0]
}

// changes of one output.
func (h *host) changes(name string) (list []Change) {
	for _, c := range h.Changes {
		if c.Name == name {
			list = append(list, c)
		}
	}
	return list
}

// ticks is d in the board's ticks.
func ticks(d time.Duration) uint32 { return uint32(d / (500 * time.Nanosecond)) }

// symbol is the address of a name in the chip's memory.
func symbol(t *testing.T, name string) int {
	t.Helper()
	out, err := exec.Command("avr-nm", Build(t).ELF).Output()
	require.NoError(t, err)
	for line := range strings.Lines(string(out)) {
		if words := strings.Fields(line); len(words) == 3 && words[2] == name {
			at, err := strconv.ParseUint(words[0], 16, 32)
			require.NoError(t, err)
			return int(at & 0xFFFF)
		}
	}
	require.FailNow(t, "no such symbol", name)
	return 0
}
