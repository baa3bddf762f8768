package avr

import (
	"bufio"
	"encoding/hex"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/wire"
)

// portable is the firmware's portable part, compiled for this machine with sanitizers.
type portable struct {
	t   *testing.T
	in  io.Writer
	out *bufio.Scanner
}

func startPortable(t *testing.T) *portable {
	t.Helper()
	cmd := exec.Command(Build(t).Portable)
	cmd.Stderr = os.Stderr
	in, err := cmd.StdinPipe()
	require.NoError(t, err)
	out, err := cmd.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, cmd.Start())
	t.Cleanup(func() {
		in.Close()
		assert.NoError(t, cmd.Wait(), "a sanitizer found something")
	})
	p := &portable{t, in, bufio.NewScanner(out)}
	p.out.Buffer(nil, 1<<22)
	return p
}

func (p *portable) ask(format string, args ...any) string {
	p.t.Helper()
	fmt.Fprintf(p.in, format+"\n", args...)
	require.True(p.t, p.out.Scan(), "the program ended")
	return p.out.Text()
}

// record is one example of testdata/wire: what it is, and its lines by key.
type record struct {
	what  string
	lines map[string][]string
}

func records(t *testing.T, name string) (list []record) {
	t.Helper()
	root, err := Root()
	require.NoError(t, err)
	data, err := os.ReadFile(filepath.Join(root, "testdata", "wire", name))
	require.NoError(t, err)
	for block := range strings.SplitSeq(string(data), "\n\n") {
		r := record{lines: map[string][]string{}}
		for line := range strings.Lines(block) {
			line = strings.TrimSpace(line)
			key, value, found := strings.Cut(line, " ")
			switch {
			case line == "" || line[0] == '#':
			case r.what == "":
				r.what = line
			case found:
				r.lines[key] = append(r.lines[key], value)
			}
		}
		if r.what != "" {
			list = append(list, r)
		}
	}
	require.NotEmpty(t, list)
	return list
}

func (r record) hex(key string) string {
	return strings.ReplaceAll(strings.Join(r.lines[key], ""), " ", "")
}

// The firmware encodes and decodes every example frame as the host does.
func TestExampleFrames(t *testing.T) {
	p := startPortable(t)
	assert.Equal(t, "10673", p.ask("crc %x", "123456789"), "0x29B1")
	n := 0
	for _, file := range []string{"host.hex", "board.hex"} {
		for _, r := range records(t, file) {
			frame, err := hex.DecodeString(r.hex("wire"))
			require.NoError(t, err)
			var d wire.Decoder
			var f wire.Frame
			for _, b := range frame {
				if got, ok := d.Push(b); ok {
					f = got
				}
			}
			body := append([]byte{byte(f.Type), f.Seq}, f.Payload[:f.N]...)
			assert.Equal(t, fmt.Sprintf("%x 1 0", body), p.ask("decode %x", frame), r.what)
			assert.Equal(t, r.hex("wire"), p.ask("encode %x", body), r.what)
			n++
		}
	}
	assert.Greater(t, n, 20)
}

func TestExampleStreams(t *testing.T) {
	p := startPortable(t)
	for _, r := range records(t, "stream.hex") {
		words := strings.Fields(p.ask("decode %s", r.hex("wire")))
		require.GreaterOrEqual(t, len(words), 2)
		assert.Equal(t, r.lines["frames"][0], words[len(words)-2], r.hex("wire"))
		assert.Equal(t, r.lines["bad"][0], words[len(words)-1], r.hex("wire"))
	}
}

func TestExamplePrograms(t *testing.T) {
	p := startPortable(t)
	for _, r := range records(t, "program.hex") {
		assert.Equal(t, r.lines["crc"][0], p.ask("crc %s", r.hex("bytes")))
	}
}

// Whatever comes, firmware and host find the same frames in it and count the same bad pieces.
func TestSameFrames(t *testing.T) {
	p := startPortable(t)
	const seed = 1
	r := rand.New(rand.NewPCG(seed, seed))
	for i := range 3000 {
		var stream []byte
		for range 1 + r.IntN(6) {
			stream = append(stream, piece(r)...)
		}
		var d wire.Decoder
		want, good := "", 0
		for _, b := range stream {
			if f, ok := d.Push(b); ok {
				want += fmt.Sprintf("%x ", append([]byte{byte(f.Type), f.Seq}, f.Payload[:f.N]...))
				good++
			}
		}
		want += fmt.Sprintf("%d %d", good, d.Bad())
		require.Equal(t, want, p.ask("decode %x", stream), "seed %d, stream %d: %x", seed, i, stream)
	}
}

// piece is a frame, a spoiled frame, or none.
func piece(r *rand.Rand) []byte {
	f := wire.Frame{Type: wire.Type(r.IntN(256)), Seq: uint8(r.IntN(256)), N: uint8(r.IntN(wire.MaxPayload + 1))}
	for i := range f.N {
		f.Payload[i] = byte(r.IntN(256) * r.IntN(2))
	}
	b := wire.AppendFrame(nil, f)
	switch r.IntN(5) {
	case 0:
		b[r.IntN(len(b))] ^= 1 << r.IntN(8)
	case 1:
		b = b[:r.IntN(len(b))]
	case 2:
		b = make([]byte, r.IntN(150))
		for i := range b {
			b[i] = byte(r.IntN(256))
		}
	}
	return b
}

// randomProgram is most often good, and else wrong in one place.
func randomProgram(r *rand.Rand, limits *wire.Limits) wire.Program {
	pick := func(list ...uint32) uint32 { return list[r.IntN(len(list))] }
	p := wire.Program{Clock: wire.Source{Input: uint8(r.IntN(3)), Falling: r.IntN(2) == 0}, Nth: 1,
		Gate: wire.Source{Input: wire.NoInput}, HoldOff: pick(0, 1, 1000, wire.MaxDelay), Late: pick(0, 200, wire.MaxDelay),
		Rest: pick(0, 5000, wire.MaxWidth), TableLen: 1, CueLen: uint8(r.IntN(wire.MaxCues + 1))}
	p.Table[0].Delay = pick(0, 1, 1_000_000, wire.MaxDelay)
	if r.IntN(2) == 0 {
		p.Gate = wire.Source{Input: (p.Clock.Input + 1) % 3, Falling: r.IntN(2) == 0}
		p.TableLen = uint8(2 + r.IntN(wire.MaxTable-1))
		at := uint32(r.IntN(1000))
		for i := range p.TableLen {
			p.Table[i] = wire.Point{Interval: at, Delay: uint32(r.IntN(wire.MaxDelay + 1))}
			at += 1 + uint32(r.IntN(16_000_000))
		}
		p.GateMin = max(1, p.Table[0].Interval)
		p.GateMax = p.Table[p.TableLen-1].Interval
	}
	offset := int32(-20_000_000 + r.IntN(1000))
	for i := range p.CueLen {
		width := 1 + uint32(r.IntN(int(limits.MaxOn[0])))
		p.Cues[i] = wire.CueSpec{Output: uint8(r.IntN(2)), Offset: offset, Width: width}
		offset += int32(width) + int32(limits.Lead) + int32(r.IntN(100_000))
	}
	if p.OpenLen = uint8(r.IntN(3)); p.OpenLen > 0 {
		for i := range p.OpenLen {
			p.Opening[i] = wire.CueSpec{Output: 2 + i, Offset: int32(r.IntN(1000)), Width: 1 + uint32(r.IntN(1000))}
		}
	}
	if p.Gate.Input == wire.NoInput && r.IntN(2) == 0 {
		p.GateMin, p.GateMax = pick(0, 1, 1000), pick(0, 1, 999, 1000, wire.MaxDelay, wire.MaxDelay+1)
	}
	return p
}

// Firmware and host accept and reject the same programs, with the same reason and byte, and read the same delay from
// every table.
func TestProgramChecksAgree(t *testing.T) {
	p := startPortable(t)
	const seed = 2
	r := rand.New(rand.NewPCG(seed, seed))
	limits := wire.Limits{Inputs: 4, Outputs: 4, Table: wire.MaxTable, Cues: wire.MaxCues, Kill: 1 << 3, Lead: 120,
		MaxOn: [wire.MaxPins]uint32{200_000, 1_000_000, 200_000, wire.MaxWidth}}
	p.ask("board 4 4 8 120 200000 1000000 200000 %d", wire.MaxWidth)
	reasons := map[wire.Reason]int{}
	for i := range 20_000 {
		program := randomProgram(r, &limits)
		encoded := wire.AppendProgram(nil, &program)
		switch r.IntN(8) {
		case 0:
			encoded = encoded[:r.IntN(len(encoded)+1)]
		case 1:
			encoded = append(encoded, byte(i))
		case 2, 3, 4:
			for range 1 + r.IntN(2) {
				encoded[r.IntN(len(encoded))] = byte(r.IntN(256) >> (2 * r.IntN(4)))
			}
		}
		if len(encoded) > wire.MaxProgram {
			continue
		}
		read, want := wire.ParseProgram(encoded)
		if want.OK() {
			want = read.Check(&limits)
		}
		reasons[want.Reason]++
		require.Equal(t, fmt.Sprintf("%d %d", want.Reason, want.Detail), p.ask("check %x", encoded),
			"seed %d, program %d: %x", seed, i, encoded)
		if want.OK() && read.Gate.Input != wire.NoInput {
			interval := read.GateMin + r.Uint32N(read.GateMax-read.GateMin+1)
			at := read.Table[r.IntN(int(read.TableLen))].Interval
			if r.IntN(4) == 0 && at >= read.GateMin && at <= read.GateMax {
				interval = at
			}
			require.Equal(t, fmt.Sprint(delayFor(&read, interval)), p.ask("delay %d %x", interval, encoded),
				"seed %d, program %d, interval %d", seed, i, interval)
		}
	}
	t.Log(reasons)
	for _, reason := range []wire.Reason{wire.ReasonNone, wire.ReasonBadProgram, wire.ReasonBadLength,
		wire.ReasonNoSuchPin, wire.ReasonMaxOn} {
		assert.Greater(t, reasons[reason], 50, "%s is hardly tried", reason)
	}
}

// delayFor is the protocol's interpolation, in as many bits as it likes.
func delayFor(p *wire.Program, interval uint32) uint32 {
	i := 1
	for i < int(p.TableLen)-1 && interval > p.Table[i].Interval {
		i++
	}
	a, b := p.Table[i-1], p.Table[i]
	change := (int64(b.Delay) - int64(a.Delay)) * int64(interval-a.Interval) / int64(b.Interval-a.Interval)
	return uint32(int64(a.Delay) + change)
}

// Ticks are compared across their wrap.
func TestSameTime(t *testing.T) {
	p := startPortable(t)
	r := rand.New(rand.NewPCG(3, 3))
	for range 2000 {
		a, d := r.Uint32(), r.Uint32()>>r.IntN(31)
		want := "0"
		if wire.Tick(a).Before(wire.Tick(a + d)) {
			want = "1"
		}
		require.Equal(t, want, p.ask("before %d %d", a, a+d))
	}
}
