package avr

import (
	"math/rand/v2"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/wire"
)

// vectors are the interrupts of the ATmega328P that the firmware uses.
var vectors = map[string]int{
	"INT0": 1, "PCINT1": 4, "PCINT2": 5, "TIMER2_COMPA": 7, "TIMER2_COMPB": 8, "TIMER1_CAPT": 10, "TIMER1_COMPA": 11,
	"TIMER1_COMPB": 12, "TIMER1_OVF": 13, "TIMER0_COMPA": 14, "TIMER0_COMPB": 15, "USART_RX": 18,
	"USART_UDRE": 19, "ADC": 21,
}

// statement is what the comment above some interrupts says, in cycles.
type statement struct {
	budget, measured uint64
	interrupts       []string
}

var (
	budgetWords = regexp.MustCompile(`Budget (\d+) cycles, measured (\d+)`)
	handlerLine = regexp.MustCompile(`(?s)/\*[^/]*?\*/\s*((?:ISR\(\w+\)\s*\{.*?\n\}\s*)+)`)
	handlerName = regexp.MustCompile(`ISR\((\w+)_vect\)`)
)

// statements are read from the sources: a comment may stand above several interrupts.
func statements(t *testing.T) (stated []statement) {
	root, err := Root()
	require.NoError(t, err)
	files, err := filepath.Glob(filepath.Join(root, "firmware", "src", "*.c"))
	require.NoError(t, err)
	for _, file := range files {
		source, err := os.ReadFile(file)
		require.NoError(t, err)
		for _, block := range handlerLine.FindAllString(string(source), -1) {
			words := budgetWords.FindStringSubmatch(block)
			require.NotNil(t, words, "%s: an interrupt without budget and measured worst case:\n%s", file, block)
			var s statement
			s.budget, _ = strconv.ParseUint(words[1], 10, 32)
			s.measured, _ = strconv.ParseUint(words[2], 10, 32)
			for _, name := range handlerName.FindAllStringSubmatch(block, -1) {
				s.interrupts = append(s.interrupts, name[1])
			}
			stated = append(stated, s)
		}
	}
	return stated
}

// Every interrupt keeps to the budget that its comment states, in the worst that this test can make of it, and to what
// the comment says was measured. That is the worst of many runs: a change elsewhere shifts what falls together here.
func TestInterruptBudgets(t *testing.T) {
	stated := statements(t)
	longest := map[int]uint64{}
	overruns := 0
	for _, worst := range []func(h *host, r *rand.Rand){sixAtOnce, byEachInput, storms, killAndLate} {
		h := start(t)
		worst(h, rnd(31))
		for _, i := range h.Interrupts() {
			longest[i.Vector] = max(longest[i.Vector], i.Longest)
		}
		overruns += len(h.Notes)
	}
	all, n := uint64(0), 0
	for _, s := range stated {
		worst := uint64(0)
		for _, name := range s.interrupts {
			got := longest[vectors[name]]
			t.Logf("%-13s %4d cycles, %5.1f us; budget %d", name, got, float64(got)/16, s.budget)
			require.NotZero(t, got, "%s never ran", name)
			worst = max(worst, got)
			n++
		}
		assert.LessOrEqual(t, worst, s.budget, s.interrupts)
		assert.LessOrEqual(t, worst, s.measured+s.measured/16, "%v: worse than the comment says", s.interrupts)
		assert.GreaterOrEqual(t, 3*worst, 2*s.measured, "%v: the comment's figure is out of date", s.interrupts)
		all = max(all, worst)
	}
	t.Logf("longest of all: %d cycles, %.1f us; bytes lost by it: %d", all, float64(all)/16, overruns)
	assert.Equal(t, len(vectors), n, "every interrupt is stated")
}

func sixAtOnce(h *host, r *rand.Rand) {
	for _, delay := range []time.Duration{95 * time.Microsecond, 110 * time.Microsecond, 300 * time.Microsecond,
		5 * time.Millisecond} {
		p := simple(delay, time.Millisecond, 0, 1, 2, 3, 4, 5)
		p.CueLen = 8
		for i := range 2 {
			p.Cues[6+i] = wire.CueSpec{Output: outFlash1 + uint8(i), Offset: int32(ticks(1200 * time.Microsecond)), Width: 200}
		}
		for range 10 {
			h.arm(p, 1)
			h.cross(h.Now + 5000 + uint64(r.IntN(5000)))
			h.wait(20 * time.Millisecond)
		}
	}
}

// byEachInput starts six pulses by each input in turn.
func byEachInput(h *host, r *rand.Rand) {
	for i, input := range []string{"gate", "sync", "button"} {
		p := simple(200*time.Microsecond, time.Millisecond, 0, 1, 2, 3, 4, 5)
		p.Clock.Input = []uint8{inGate, inSync, inButton}[i]
		for range 10 {
			h.arm(p, 1)
			at := h.Now + 5000 + uint64(r.IntN(5000))
			h.Pin(input, false, at)
			h.Pin("beam", false, at-20)
			h.Pin(input, true, at+Cycles(3*time.Millisecond))
			h.Pin("beam", true, at+Cycles(3*time.Millisecond))
			h.wait(20 * time.Millisecond)
		}
	}
	p := simple(400*time.Microsecond, time.Millisecond, 0, 1, 2, 3, 4, 5)
	p.Clock = wire.Source{Input: inMicrophone}
	for range 20 {
		h.arm(p, 1)
		at := h.Now + 5000 + uint64(r.IntN(5000))
		h.Microphone(4500, at)
		h.Microphone(2500, at+Cycles(time.Millisecond))
		h.wait(80 * time.Millisecond)
	}
}

// storms has all inputs change all the time, with traffic.
func storms(h *host, r *rand.Rand) {
	for range 4 {
		h.arm(gated(), 1)
		for _, input := range []string{"gate", "beam", "sync", "button"} {
			h.Storm(input, h.Now+uint64(r.IntN(300)), 150+uint64(r.IntN(3000)), 400)
		}
		h.pings(h.Now+Cycles(120*time.Millisecond), Cycles(5*time.Millisecond))
		h.wait(140 * time.Millisecond)
		h.do(wire.Disarm{})
		h.wait(100 * time.Millisecond)
	}
}

// killAndLate stops all outputs at once, by the kill input and by what is too late.
func killAndLate(h *host, r *rand.Rand) {
	p := simple(2*time.Millisecond, 50*time.Millisecond, 0, 1, 2, 3, 4, 5)
	for range 10 {
		h.arm(p, 1)
		h.cross(h.Now + 5000)
		h.wait(5*time.Millisecond + time.Duration(r.IntN(1000))*time.Microsecond)
		h.Pin("kill", true, h.Now+1)
		h.wait(20 * time.Millisecond)
		h.Pin("kill", false, h.Now+1)
		h.wait(time.Millisecond)
		h.do(wire.Disarm{})
	}
	p.Cues[3].Offset = -int32(ticks(3 * time.Millisecond))
	for range 5 {
		h.arm(p, 1)
		h.cross(h.Now + 5000)
		h.wait(60 * time.Millisecond)
	}
}
