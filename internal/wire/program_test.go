package wire

import (
	"bytes"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// bench are the limits the examples are made for.
func bench() Limits {
	return Limits{
		Inputs: 4, Outputs: 3, Table: MaxTable, Cues: MaxCues, Kill: 1 << 3, Lead: 400,
		MaxOn: [MaxPins]uint32{100_000, 8_000_000, 400_000},
	}
}

// gated is a program that passes Check on bench.
func gated() Program {
	p := Program{
		Clock: Source{Input: 1, Falling: true}, Nth: 1, Gate: Source{Input: 0}, GateMin: 1000, GateMax: 3000,
		HoldOff: 10, Late: 20, Rest: 30, TableLen: 3, CueLen: 2, OpenLen: 2,
	}
	p.Table = [MaxTable]Point{{1000, 5000}, {2000, 6000}, {3000, 4000}}
	p.Cues = [MaxCues]CueSpec{{Output: 0, Offset: -100, Width: 50}, {Output: 0, Offset: 350, Width: 50}}
	p.Opening = [MaxCues]CueSpec{{Output: 1, Width: 9}, {Output: 2, Offset: 1, Width: 400_000}}
	return p
}

// single is a program without a gate that passes Check on bench.
func single() Program {
	p := Program{Clock: Source{Input: 1}, Nth: 2, Gate: Source{Input: NoInput}, TableLen: 1, CueLen: 1}
	p.Table[0].Delay = 5000
	p.Cues[0] = CueSpec{Width: 1}
	return p
}

// windowed has opening cues and a window for its second edge.
func windowed() Program {
	p := single()
	p.OpenLen, p.GateMin, p.GateMax = 1, 2000, 9000
	p.Opening[0] = CueSpec{Output: 1, Width: 1}
	return p
}

func TestExamplePrograms(t *testing.T) {
	limits := bench()
	for _, r := range readRecords(t, "program.hex") {
		encoded := r.bytes(t, "bytes")
		assert.EqualValues(t, r.number(t, "crc"), CRC(encoded))
		p := Program{
			Clock:   Source{uint8(r.number(t, "clock")), r.number(t, "clock_falling") == 1},
			Nth:     uint8(r.number(t, "nth")),
			Gate:    Source{uint8(r.number(t, "gate")), r.number(t, "gate_falling") == 1},
			GateMin: uint32(r.number(t, "gate_min")),
			GateMax: uint32(r.number(t, "gate_max")),
			HoldOff: uint32(r.number(t, "hold_off")),
			Late:    uint32(r.number(t, "late")),
			Rest:    uint32(r.number(t, "rest")),
		}
		for i, row := range r.numbers(t, "point") {
			p.Table[i] = Point{uint32(row[0]), uint32(row[1])}
			p.TableLen++
		}
		for i, row := range r.numbers(t, "cue") {
			p.Cues[i] = CueSpec{uint8(row[0]), int32(row[1]), uint32(row[2])}
			p.CueLen++
		}
		for i, row := range r.numbers(t, "opening") {
			p.Opening[i] = CueSpec{uint8(row[0]), int32(row[1]), uint32(row[2])}
			p.OpenLen++
		}
		assert.Equal(t, encoded, AppendProgram(nil, &p))
		got, problem := ParseProgram(encoded)
		require.NoError(t, problem.Err())
		assert.Equal(t, p, got)
		assert.NoError(t, got.Check(&limits).Err())
	}
}

func TestCheck(t *testing.T) {
	bad := func(at uint32) Problem { return Problem{ReasonBadProgram, at} }
	// Offsets in the encoded gated program: table at 28, cues at 52, opening cues at 70.
	for name, test := range map[string]struct {
		change func(p *Program)
		want   Problem
	}{
		"as it is":                {func(p *Program) {}, Problem{}},
		"no such clock":           {func(p *Program) { p.Clock.Input = 4 }, Problem{ReasonNoSuchPin, 4}},
		"no such gate":            {func(p *Program) { p.Gate.Input = 9 }, Problem{ReasonNoSuchPin, 9}},
		"kill as clock":           {func(p *Program) { p.Clock.Input = 3 }, bad(1)},
		"kill as gate":            {func(p *Program) { p.Gate.Input = 3 }, bad(4)},
		"gate without clock":      {func(p *Program) { p.Clock = Source{Input: NoInput} }, bad(4)},
		"falling none":            {func(p *Program) { p.Clock.Input = NoInput }, bad(2)},
		"gate is clock":           {func(p *Program) { p.Gate.Input = 1 }, bad(4)},
		"nth zero":                {func(p *Program) { p.Nth = 0 }, bad(3)},
		"nth with gate":           {func(p *Program) { p.Nth = 2 }, bad(3)},
		"gate min zero":           {func(p *Program) { p.GateMin = 0 }, bad(8)},
		"gate min above max":      {func(p *Program) { p.GateMax = 999 }, bad(12)},
		"gate max too long":       {func(p *Program) { p.GateMax = MaxDelay + 1 }, bad(12)},
		"hold-off too long":       {func(p *Program) { p.HoldOff = MaxDelay + 1 }, bad(16)},
		"late too long":           {func(p *Program) { p.Late = MaxDelay + 1 }, bad(20)},
		"rest too long":           {func(p *Program) { p.Rest = MaxWidth + 1 }, bad(24)},
		"table too long":          {func(p *Program) { p.TableLen = 33 }, bad(5)},
		"table too short":         {func(p *Program) { p.TableLen = 1 }, bad(5)},
		"table not ascending":     {func(p *Program) { p.Table[1].Interval = 1000 }, bad(36)},
		"interval too long":       {func(p *Program) { p.Table[2].Interval = MaxDelay + 1 }, bad(44)},
		"delay too long":          {func(p *Program) { p.Table[1].Delay = MaxDelay + 1 }, bad(40)},
		"table begins too late":   {func(p *Program) { p.GateMin = 999 }, bad(28)},
		"table ends too early":    {func(p *Program) { p.GateMax = 3001 }, bad(44)},
		"no cues, a dry run":      {func(p *Program) { p.CueLen = 0 }, Problem{}},
		"too many cues":           {func(p *Program) { p.CueLen = 9 }, bad(6)},
		"too many opening cues":   {func(p *Program) { p.OpenLen = 9 }, bad(7)},
		"no such output":          {func(p *Program) { p.Cues[1].Output = 3 }, Problem{ReasonNoSuchPin, 3}},
		"no such opening output":  {func(p *Program) { p.Opening[0].Output = 200 }, Problem{ReasonNoSuchPin, 200}},
		"offset too early":        {func(p *Program) { p.Cues[0].Offset = -MaxDelay - 1 }, bad(53)},
		"offset too late":         {func(p *Program) { p.Cues[1].Offset = MaxDelay + 1 }, bad(62)},
		"opening before go":       {func(p *Program) { p.Opening[1].Offset = -1 }, bad(80)},
		"width zero":              {func(p *Program) { p.Cues[0].Width = 0 }, bad(57)},
		"on too long":             {func(p *Program) { p.Cues[0].Width = 100_001 }, Problem{ReasonMaxOn, 100_000}},
		"opening on too long":     {func(p *Program) { p.Opening[1].Width++ }, Problem{ReasonMaxOn, 400_000}},
		"gap too short":           {func(p *Program) { p.Cues[1].Offset = 349 }, bad(61)},
		"overlap, the other way":  {func(p *Program) { p.Cues[0].Offset = 360 }, bad(61)},
		"opening overlap":         {func(p *Program) { p.Opening[1].Output = 1; p.Opening[1].Width = 9 }, bad(79)},
		"output in both":          {func(p *Program) { p.Opening[0].Output = 0 }, bad(70)},
		"longest offset is fine":  {func(p *Program) { p.Cues[1].Offset = MaxDelay }, Problem{}},
		"soonest offset is fine":  {func(p *Program) { p.Cues[0].Offset = -MaxDelay }, Problem{}},
		"longest on-time is fine": {func(p *Program) { p.Cues[1].Width = 100_000 }, Problem{}},
	} {
		p := gated()
		test.change(&p)
		limits := bench()
		assert.Equal(t, test.want, p.Check(&limits), name)
	}
}

func TestCheckWithoutGate(t *testing.T) {
	bad := func(at uint32) Problem { return Problem{ReasonBadProgram, at} }
	for name, test := range map[string]struct {
		change func(p *Program)
		want   Problem
	}{
		"as it is":         {func(p *Program) {}, Problem{}},
		"by go":            {func(p *Program) { p.Clock.Input, p.Nth = NoInput, 1 }, Problem{}},
		"by go, counting":  {func(p *Program) { p.Clock.Input = NoInput }, bad(3)},
		"gate min":         {func(p *Program) { p.GateMin = 1 }, bad(8)},
		"gate max":         {func(p *Program) { p.GateMax = 1 }, bad(12)},
		"window":           {func(p *Program) { *p = windowed() }, Problem{}},
		"window from Go":   {func(p *Program) { *p = windowed(); p.GateMin = 0 }, Problem{}},
		"window reversed":  {func(p *Program) { *p = windowed(); p.GateMax = p.GateMin - 1 }, bad(12)},
		"window too long":  {func(p *Program) { *p = windowed(); p.GateMax = MaxDelay + 1 }, bad(12)},
		"no clock, window": {func(p *Program) { *p = windowed(); p.Clock.Input, p.Nth = NoInput, 1 }, bad(8)},
		"unopened, window": {func(p *Program) { *p = windowed(); p.OpenLen, p.GateMin = 0, 0 }, bad(12)},
		"two points":       {func(p *Program) { p.TableLen = 2; p.Table[1] = Point{1, 1} }, bad(5)},
		"no point":         {func(p *Program) { p.TableLen = 0 }, bad(5)},
		"interval":         {func(p *Program) { p.Table[0].Interval = 1 }, bad(28)},
		"falling no gate":  {func(p *Program) { p.Gate.Falling = true }, bad(2)},
		"delay is longest": {func(p *Program) { p.Table[0].Delay = MaxDelay }, Problem{}},
	} {
		p := single()
		test.change(&p)
		limits := bench()
		assert.Equal(t, test.want, p.Check(&limits), name)
	}
}

// TestCheckKeepsToTheBoard: a smaller board has smaller limits.
func TestCheckKeepsToTheBoard(t *testing.T) {
	p := gated()
	small := bench()
	small.Table = 2
	assert.Equal(t, Problem{ReasonBadProgram, 5}, p.Check(&small))
	small = bench()
	small.Cues = 1
	assert.Equal(t, Problem{ReasonBadProgram, 6}, p.Check(&small))
	small.Cues = 2
	p.OpenLen = 3
	assert.Equal(t, Problem{ReasonBadProgram, 7}, p.Check(&small))
	small = bench()
	small.Lead = 0
	p = gated()
	p.Cues[1].Offset = -50 // touches the end of the first: a pulse of its own needs a gap
	assert.Equal(t, Problem{ReasonBadProgram, 61}, p.Check(&small))
	p.Cues[1].Offset = -49
	assert.Equal(t, Problem{}, p.Check(&small))
}

func TestParseProgramForm(t *testing.T) {
	p := gated()
	good := AppendProgram(nil, &p)
	for name, test := range map[string]struct {
		bytes []byte
		want  Problem
	}{
		"empty":     {nil, Problem{Reason: ReasonBadLength}},
		"cut":       {good[:len(good)-1], Problem{ReasonBadLength, uint32(len(good) - 1)}},
		"more":      {append(bytes.Clone(good), 0), Problem{ReasonBadLength, uint32(len(good) + 1)}},
		"too long":  {make([]byte, MaxProgram+1), Problem{ReasonBadLength, MaxProgram}},
		"format":    {changed(good, 0, 2), Problem{ReasonBadProgram, 0}},
		"flags":     {changed(good, 2, 4), Problem{ReasonBadProgram, 2}},
		"table len": {changed(good, 5, 33), Problem{ReasonBadProgram, 5}},
		"cue len":   {changed(good, 6, 9), Problem{ReasonBadProgram, 6}},
		"open len":  {changed(good, 7, 9), Problem{ReasonBadProgram, 7}},
	} {
		_, problem := ParseProgram(test.bytes)
		assert.Equal(t, test.want, problem, name)
		assert.Error(t, problem.Err(), name)
	}
}

func changed(p []byte, at int, v byte) []byte {
	c := bytes.Clone(p)
	c[at] = v
	return c
}

func TestLongestProgram(t *testing.T) {
	p := Program{TableLen: MaxTable, CueLen: MaxCues, OpenLen: MaxCues}
	encoded := AppendProgram(nil, &p)
	assert.Len(t, encoded, MaxProgram)
	assert.Equal(t, 428, MaxProgram, "the number in PROTOCOL.md")
	_, problem := ParseProgram(encoded)
	assert.True(t, problem.OK())
	p.TableLen, p.CueLen, p.OpenLen = 255, 255, 255
	assert.Len(t, AppendProgram(nil, &p), MaxProgram, "lengths beyond the limits are cut")
}

func TestProblemWords(t *testing.T) {
	assert.NoError(t, Problem{}.Err())
	assert.ErrorContains(t, Problem{ReasonBadProgram, 28}.Err(), "byte 28")
	assert.ErrorContains(t, Problem{ReasonNoSuchPin, 7}.Err(), "pin 7")
	assert.ErrorContains(t, Problem{ReasonMaxOn, 99}.Err(), "99 ticks")
	assert.ErrorContains(t, Problem{Reason: ReasonBadCRC}.Err(), "damaged")
}

// TestCheckedTimesFit: whatever passes Check keeps every time that a board compares within half a wrap.
func TestCheckedTimesFit(t *testing.T) {
	const seed = 5
	t.Logf("seed %d", seed)
	r := rand.New(rand.NewPCG(seed, 0))
	limits := bench()
	limits.MaxOn = [MaxPins]uint32{1<<32 - 1, 1<<32 - 1, 1<<32 - 1}
	passed := 0
	for range 50000 {
		p := gated()
		p.Cues[1].Output = 1
		p.OpenLen = 0
		p.Table[2].Delay = r.Uint32() >> r.IntN(4)
		p.Cues[0].Offset = int32(r.Uint32()) >> r.IntN(4)
		p.Cues[1].Offset = int32(r.Uint32()) >> r.IntN(4)
		p.Cues[0].Width = r.Uint32() >> r.IntN(4)
		p.Rest = r.Uint32() >> r.IntN(4)
		if !p.Check(&limits).OK() {
			continue
		}
		passed++
		const half = 1 << 31
		for _, c := range p.Cues[:2] {
			start := int64(p.Table[2].Delay) + int64(c.Offset)
			require.Less(t, start, int64(half)-1<<29)
			require.Greater(t, start, int64(-half)+1<<29)
			require.Less(t, int64(c.Width), int64(half)-1<<29)
		}
		require.Less(t, int64(p.Table[2].Delay)+int64(p.Rest), int64(half))
	}
	assert.Greater(t, passed, 500)
}

func FuzzParseProgram(f *testing.F) {
	for _, r := range readRecords(f, "program.hex") {
		f.Add(r.bytes(f, "bytes"))
	}
	limits := bench()
	f.Fuzz(func(t *testing.T, encoded []byte) {
		p, problem := ParseProgram(encoded)
		if !problem.OK() {
			if problem.Reason == ReasonBadProgram && int(problem.Detail) >= len(encoded) {
				t.Fatalf("problem %+v is outside of %d bytes", problem, len(encoded))
			}
			return
		}
		if again := AppendProgram(nil, &p); !bytes.Equal(again, encoded) {
			t.Fatalf("% x became % x", encoded, again)
		}
		if problem := p.Check(&limits); problem.Reason == ReasonBadProgram && int(problem.Detail) >= len(encoded) {
			t.Fatalf("problem %+v is outside of %d bytes", problem, len(encoded))
		}
	})
}
