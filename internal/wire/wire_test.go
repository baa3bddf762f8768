package wire

import (
	"bytes"
	"math/rand/v2"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// examples has one message of each type, so that tests cannot forget one.
func examples() []Message {
	return []Message{
		Identify{}, Ping{}, LoadPart{N: 1}, Commit{}, Arm{Shots: 1}, Disarm{}, Go{}, Pulse{Width: 1}, SetLevel{},
		Identity{TickHz: 1}, InputInfo{}, OutputInfo{MaxOn: 1}, Pong{}, Ack{}, Refused{}, Edge{Count: 1}, Shot{Number: 1},
		Cue{}, Rejected{Count: 1}, Fault{}, State{}, Level{}, Lost{Count: 1},
	}
}

func TestCRCCheckValue(t *testing.T) {
	// The check value that the catalogue of parametrised CRC algorithms gives for CRC-16/CCITT-FALSE (also IBM-3740).
	assert.Equal(t, uint16(0x29B1), CRC([]byte("123456789")))
	assert.Equal(t, uint16(0xFFFF), CRC(nil))
}

// TestCRCBitByBit holds the fast form to the definition: a shift register with polynomial 0x1021.
func TestCRCBitByBit(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 1))
	for range 200 {
		p := make([]byte, r.IntN(70))
		reg := uint32(0xFFFF)
		for i := range p {
			p[i] = byte(r.Uint32())
			reg ^= uint32(p[i]) << 8
			for range 8 {
				reg <<= 1
				if reg&0x10000 != 0 {
					reg ^= 0x11021
				}
			}
		}
		require.Equal(t, uint16(reg), CRC(p), "% x", p)
	}
}

// TestExampleFrames reads the examples both ways. They were written by another encoder than this package's.
func TestExampleFrames(t *testing.T) {
	seen := map[string]bool{}
	for _, name := range []string{"host.hex", "board.hex"} {
		for _, r := range readRecords(t, name) {
			word := strings.TrimPrefix(r.what, "message ")
			seen[word] = true
			want := build(t, word, r)
			seq := uint8(r.number(t, "frame_seq"))
			onWire := r.bytes(t, "wire")
			assert.Equal(t, onWire, AppendFrame(nil, want.Frame(seq)), "%s: encoded", r.what)

			frames, bad := decode(onWire)
			require.Len(t, frames, 1, r.what)
			assert.Zero(t, bad)
			assert.Equal(t, seq, frames[0].Seq)
			got, err := Parse(frames[0])
			require.NoError(t, err, r.what)
			assert.Equal(t, want, got, "%s: decoded", r.what)
		}
	}
	for _, m := range examples() {
		assert.True(t, seen[TypeOf(m).String()], "no example of %s", TypeOf(m))
	}
}

// build makes the message that a record describes. Fields go by their names in lower case.
func build(t *testing.T, word string, r record) Message {
	t.Helper()
	all := examples()
	i := slices.IndexFunc(all, func(m Message) bool { return TypeOf(m).String() == word })
	require.GreaterOrEqual(t, i, 0, "no message %q", word)
	v := reflect.New(reflect.TypeOf(all[i])).Elem()
	used := 1 + len(r.all("wire"))
	for f := range v.Type().Fields() {
		key := strings.ToLower(f.Name)
		field := v.FieldByIndex(f.Index)
		switch part, isPart := v.Addr().Interface().(*LoadPart); {
		case isPart && key == "n":
			part.N = uint8(len(r.bytes(t, "data")))
			continue
		case isPart && key == "data":
			copy(part.Data[:], r.bytes(t, key))
		case field.Type() == reflect.TypeFor[Name]():
			name, err := MakeName(r.all(key)[0])
			require.NoError(t, err)
			field.Set(reflect.ValueOf(name))
		case field.Kind() == reflect.Bool:
			field.SetBool(r.number(t, key) == 1)
		default:
			n := r.number(t, key)
			require.False(t, field.OverflowUint(uint64(n)), "%s: %s %d", word, key, n)
			field.SetUint(uint64(n))
		}
		used++
	}
	require.Len(t, r.lines, used, "%s: a line too many or too few", word)
	return v.Interface().(Message)
}

// decode pushes p through a fresh decoder.
func decode(p []byte) ([]Frame, uint32) {
	var d Decoder
	var frames []Frame
	for _, b := range p {
		if f, ok := d.Push(b); ok {
			frames = append(frames, f)
		}
	}
	return frames, d.Bad()
}

func TestExampleStreams(t *testing.T) {
	for i, r := range readRecords(t, "stream.hex") {
		frames, bad := decode(r.bytes(t, "wire"))
		assert.Len(t, frames, int(r.number(t, "frames")), "stream %d", i)
		assert.EqualValues(t, r.number(t, "bad"), bad, "stream %d", i)
	}
}

// TestPayloadStrict changes every byte of every payload to every value: either the parser says which byte it does not
// like, or the message means exactly those bytes.
func TestPayloadStrict(t *testing.T) {
	refusals := 0
	for _, m := range examples() {
		good := m.Frame(3)
		for at := range good.N {
			for value := range 256 {
				f := good
				f.Payload[at] = byte(value)
				got, err := Parse(f)
				if err == nil {
					require.Equal(t, f, got.Frame(3), "%s byte %d value %d", f.Type, at, value)
					continue
				}
				refusals++
				var bad PayloadError
				require.ErrorAs(t, err, &bad)
				require.Less(t, int(bad), int(f.N), "%s byte %d value %d", f.Type, at, value)
			}
		}
	}
	assert.Greater(t, refusals, 5000, "the parsers are not strict")
}

func TestRefusedValues(t *testing.T) {
	name := Name{'a', 0, 'b'}
	unprintable := Name{'a', 7}
	for _, test := range []struct {
		m  Message
		at PayloadError
	}{
		{Arm{}, 0},
		{Pulse{}, 1},
		{Identity{Reset: resetCauses, TickHz: 1}, 1},
		{Identity{}, 6},
		{Identity{TickHz: 1, Inputs: 9}, 26},
		{Identity{TickHz: 1, Outputs: 9}, 27},
		{Identity{TickHz: 1, Table: 33}, 28},
		{Identity{TickHz: 1, Cues: 9}, 29},
		{Identity{TickHz: 1, Firmware: name}, 32},
		{InputInfo{Index: 8}, 0},
		{InputInfo{Kind: inputKinds}, 1},
		{InputInfo{Name: unprintable}, 4},
		{OutputInfo{MaxOn: 1, Index: 8}, 0},
		{OutputInfo{MaxOn: 1, Kind: outputKinds}, 1},
		{OutputInfo{}, 2},
		{Refused{Reason: reasons}, 2},
		{Edge{Count: 1, Input: 8}, 0},
		{Edge{}, 2},
		{Shot{}, 0},
		{Shot{Number: 1, Status: statuses}, 2},
		{Shot{Number: 1, Cues: 17}, 3},
		{Cue{Index: 8}, 2},
		{Cue{Output: 8}, 3},
		{Rejected{Count: 1, Reason: reasons}, 0},
		{Rejected{Count: 1, Input: 8}, 1},
		{Rejected{}, 2},
		{Fault{Reason: reasons}, 0},
		{State{State: stateCodes}, 0},
		{State{Reason: reasons}, 1},
		{Level{Input: 8}, 0},
		{Lost{Count: 1, Input: 8}, 0},
		{Lost{}, 1},
	} {
		_, err := Parse(test.m.Frame(0))
		assert.ErrorIs(t, err, test.at, "%+v", test.m)
	}
	for _, flag := range []struct {
		m  Message
		at uint8
	}{{Edge{Count: 1}, 1}, {Cue{}, 4}} {
		f := flag.m.Frame(0)
		f.Payload[flag.at] = 2
		_, err := Parse(f)
		assert.ErrorIs(t, err, PayloadError(flag.at), "a flag of 2 in %T", flag.m)
	}
}

func TestLengthAndTypeStrict(t *testing.T) {
	for _, m := range examples() {
		f := m.Frame(0)
		for n := range uint8(MaxPayload + 1) {
			if n == f.N || f.Type == TypeLoad && n >= 3 && n <= 2+MaxPart {
				continue
			}
			wrong := f
			wrong.N = n
			_, err := Parse(wrong)
			require.ErrorIs(t, err, WrongLength, "%s with %d bytes", f.Type, n)
		}
	}
	_, err := ParsePing(Pong{}.Frame(0))
	assert.ErrorIs(t, err, WrongType)
	_, err = ParseLoadPart(Ping{}.Frame(0))
	assert.ErrorIs(t, err, WrongType)
	_, err = Parse(Frame{Type: 0x7F})
	assert.ErrorIs(t, err, WrongType)
	assert.Contains(t, err.Error(), "another type")
}

// TestMessagesRoundTrip fills messages at random and sends them through bytes and back.
func TestMessagesRoundTrip(t *testing.T) {
	const seed = 20
	t.Logf("seed %d", seed)
	r := rand.New(rand.NewPCG(seed, 0))
	good := 0
	for range 20000 {
		all := examples()
		f := all[r.IntN(len(all))].Frame(uint8(r.Uint32()))
		for i := range f.N {
			if r.IntN(2) == 0 {
				bits := r.Uint32() // each bit is set one time in eight: enumerations have few values
				f.Payload[i] = byte(bits) & byte(bits>>8) & byte(bits>>16)
			}
		}
		frames, bad := decode(AppendFrame(nil, f))
		require.Zero(t, bad)
		require.Equal(t, []Frame{f}, frames)
		if m, err := Parse(f); err == nil {
			good++
			require.Equal(t, f, m.Frame(f.Seq))
		}
	}
	assert.Greater(t, good, 5000)
}

func TestWireAllocatesNothing(t *testing.T) {
	var d Decoder
	buf := make([]byte, 0, 2*MaxFrame)
	bad := Frame{Type: TypeArm, N: 2}
	var sink uint32
	allocs := testing.AllocsPerRun(100, func() {
		buf = AppendFrame(buf[:0], Ping{Token: sink}.Frame(1))
		buf = AppendFrame(buf, Shot{Number: 7}.Frame(2))
		for _, b := range buf {
			if f, ok := d.Push(b); ok && f.Type == TypePing {
				m, _ := ParsePing(f)
				sink += m.Token
			}
		}
		if _, err := ParseArm(bad); err == nil {
			sink++
		}
	})
	assert.Zero(t, allocs)
}

func TestMaxFrame(t *testing.T) {
	longest := Frame{Type: 1, Seq: 1, N: MaxPayload}
	assert.Len(t, AppendFrame(nil, longest), MaxFrame)
	for i := range longest.Payload {
		longest.Payload[i] = 1
	}
	assert.Len(t, AppendFrame(nil, longest), MaxFrame)
}

func TestNames(t *testing.T) {
	n, err := MakeName("flash 1")
	require.NoError(t, err)
	assert.Equal(t, "flash 1", n.String())
	full, err := MakeName("0123456789abcdef")
	require.NoError(t, err)
	assert.Equal(t, "0123456789abcdef", full.String())
	for _, bad := range []string{"", "0123456789abcdefg", "flåsh", "a\x00b", "a\x00", "tab\t"} {
		_, err := MakeName(bad)
		assert.Error(t, err, "%q", bad)
	}
}

// TestWords: every value of every enum has words of its own, and one that has none says its number.
func TestWords(t *testing.T) {
	check := func(n uint8, word func(uint8) string) {
		t.Helper()
		seen := map[string]bool{}
		for i := range n {
			w := word(i)
			assert.NotEmpty(t, w)
			assert.NotContains(t, w, "unknown (")
			assert.False(t, seen[w], w)
			seen[w] = true
		}
		assert.Contains(t, word(n), "unknown ("+strconv.Itoa(int(n))+")")
	}
	check(uint8(resetCauses), func(i uint8) string { return ResetCause(i).String() })
	check(uint8(inputKinds), func(i uint8) string { return InputKind(i).String() })
	check(uint8(outputKinds), func(i uint8) string { return OutputKind(i).String() })
	check(uint8(stateCodes), func(i uint8) string { return StateCode(i).String() })
	check(uint8(statuses), func(i uint8) string { return Status(i).String() })
	check(uint8(reasons), func(i uint8) string { return Reason(i).String() })
	assert.Equal(t, "unknown (0x7f)", Type(0x7F).String())
}

func FuzzDecoder(f *testing.F) {
	for _, r := range readRecords(f, "stream.hex") {
		f.Add(r.bytes(f, "wire"), uint16(3))
	}
	f.Fuzz(func(t *testing.T, p []byte, cut uint16) {
		frames, bad := decode(p)
		// A decoder has no memory past a zero, so what follows garbage and a zero is found whole.
		ping := AppendFrame(nil, Ping{Token: 9}.Frame(1))
		after, badAfter := decode(slices.Concat(p, []byte{0}, ping))
		if len(after) == 0 || after[len(after)-1] != (Ping{Token: 9}).Frame(1) {
			t.Fatal("lost the frame after garbage")
		}
		if badAfter < bad || badAfter > bad+1 {
			t.Fatalf("bad went from %d to %d", bad, badAfter)
		}
		// Cutting the stream at a zero gives the same as the whole.
		if i := int(cut); i < len(p) && p[i] == 0 {
			head, badHead := decode(p[:i+1])
			tail, badTail := decode(p[i+1:])
			if !slices.Equal(append(head, tail...), frames) || badHead+badTail != bad {
				t.Fatal("a cut at a zero changed what was read")
			}
		}
		// What was read is written the same, and reads the same again.
		for _, frame := range frames {
			encoded := AppendFrame(nil, frame)
			if !bytes.Contains(append([]byte{0}, p...), encoded) {
				t.Fatalf("frame %v is not in the stream as % x", frame, encoded)
			}
			if m, err := Parse(frame); err == nil && m.Frame(frame.Seq) != frame {
				t.Fatalf("%#v does not mean its own bytes", m)
			}
		}
	})
}

func FuzzFrameRoundTrip(f *testing.F) {
	f.Add(uint8(2), uint8(7), []byte{1, 2, 3, 4})
	f.Add(uint8(0), uint8(0), make([]byte, MaxPayload))
	f.Fuzz(func(t *testing.T, kind, seq uint8, payload []byte) {
		want := Frame{Type: Type(kind), Seq: seq}
		want.N = uint8(copy(want.Payload[:], payload))
		encoded := AppendFrame(nil, want)
		if bytes.IndexByte(encoded, 0) != len(encoded)-1 {
			t.Fatalf("a zero inside % x", encoded)
		}
		frames, bad := decode(encoded)
		if bad != 0 || len(frames) != 1 || frames[0] != want {
			t.Fatalf("%v became %v", want, frames)
		}
		// No single wrong bit goes unseen: 16 bits of CRC find all of them.
		for bit := range 8 * (len(encoded) - 1) {
			damaged := slices.Clone(encoded)
			damaged[bit/8] ^= 1 << (bit % 8)
			if got, _ := decode(damaged); slices.Contains(got, want) {
				t.Fatalf("bit %d flipped and not seen", bit)
			}
		}
	})
}
