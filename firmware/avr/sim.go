package avr

import (
	"bufio"
	"encoding/hex"
	"fmt"
	"io"
	"os"
	"os/exec"
	"strings"
	"testing"
	"time"

	"stillwater/internal/wire"
)

// CyclesPerTick is how many of the processor's cycles a tick of the board has, CyclesPerSecond how many there are.
const (
	CyclesPerTick   = 8
	CyclesPerSecond = 16_000_000
)

// Cycles is a time in the processor's cycles.
func Cycles(d time.Duration) uint64 { return uint64(d.Nanoseconds()) * 16 / 1000 }

// Change is one output's change.
type Change struct {
	Cycle uint64
	Name  string
	On    bool
}

// Byte is a byte that the firmware began to send.
type Byte struct {
	Cycle uint64
	Value byte
}

// Sim is a board in lock-step: its time moves in Run alone, and the same calls have the same results.
type Sim struct {
	Changes []Change // since they were last taken out
	Bytes   []Byte
	Notes   []string // resets and the like
	Now     uint64   // cycle
	Started uint64   // the cycle at which the board's ticks were 0

	t   testing.TB
	cmd *exec.Cmd
	in  *bufio.Writer
	out *bufio.Scanner
	end io.Closer
}

// Start starts a board: it has not run a cycle yet.
func Start(t testing.TB) *Sim {
	t.Helper()
	b := Build(t)
	s := &Sim{t: t, cmd: exec.Command(b.Simulator, b.ELF)}
	s.cmd.Stderr = os.Stderr
	in, err := s.cmd.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	out, err := s.cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := s.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	s.in, s.out, s.end = bufio.NewWriterSize(in, 1<<16), bufio.NewScanner(out), in
	t.Cleanup(func() {
		s.end.Close()
		s.cmd.Wait()
	})
	return s
}

func (s *Sim) line(format string, args ...any) {
	fmt.Fprintf(s.in, format+"\n", args...)
}

// Pin drives an input at a cycle.
func (s *Sim) Pin(name string, high bool, at uint64) {
	level := 0
	if high {
		level = 1
	}
	s.line("pin %s %d %d", name, level, at)
}

// Storm changes an input count times, once each period cycles.
func (s *Sim) Storm(name string, at, period uint64, count int) {
	if count > 0 {
		s.line("storm %s %d %d %d", name, at, period, count)
	}
}

// Microphone puts a voltage at the microphone's pin.
func (s *Sim) Microphone(millivolts int, at uint64) { s.line("mic %d %d", millivolts, at) }

// Send sends bytes to the firmware, as fast as the line can, not before a cycle.
func (s *Sim) Send(p []byte, at uint64) {
	for len(p) > 0 {
		n := min(len(p), 1000)
		s.line("send %s %d", hex.EncodeToString(p[:n]), at)
		p = p[n:]
	}
}

// Poke writes a byte into the chip's memory.
func (s *Sim) Poke(address int, value byte, at uint64) { s.line("poke %x %x %d", address, value, at) }

// Reset resets the chip.
func (s *Sim) Reset(at uint64) { s.line("reset %d", at) }

// Hang lets the firmware hang from a cycle on, interrupts off.
func (s *Sim) Hang(at uint64) { s.line("cut %d", at) }

// Heartbeat makes Changes include those of the heartbeat.
func (s *Sim) Heartbeat() { s.ask("heartbeat", "") }

// Run lets time pass until a cycle.
func (s *Sim) Run(until uint64) {
	s.t.Helper()
	s.ask(fmt.Sprintf("run %d", until), "R")
}

// Tick is the board's time at a cycle.
func (s *Sim) Tick(cycle uint64) wire.Tick { return wire.Tick((cycle - s.Started) / CyclesPerTick) }

// Interrupt is what was seen of one interrupt.
type Interrupt struct {
	Vector, Count   int
	Longest, Latest uint64 // cycles it took, and from its cause to its start
}

// Interrupts says what was seen of interrupts since the start.
func (s *Sim) Interrupts() (list []Interrupt) {
	s.t.Helper()
	for _, words := range s.ask("stats", "E") {
		var i Interrupt
		fmt.Sscan(strings.Join(words, " "), &i.Vector, &i.Count, &i.Longest, &i.Latest)
		list = append(list, i)
	}
	return list
}

// StackLeft is how many bytes above the end of data the stack never reached.
func (s *Sim) StackLeft(end int) (n int) {
	s.t.Helper()
	fmt.Sscan(s.ask(fmt.Sprintf("stack %x", end), "S")[0][0], &n)
	return n
}

// ask sends a line and takes what comes until a line of one kind, if any; of other kinds it knows it keeps what they
// say, and returns the rest and the last.
func (s *Sim) ask(line, last string) (rest [][]string) {
	s.t.Helper()
	s.line("%s", line)
	s.in.Flush()
	if last == "" {
		return nil
	}
	for s.out.Scan() {
		words := strings.Fields(s.out.Text())
		if len(words) == 0 {
			continue
		}
		if !s.keep(words) {
			rest = append(rest, words[1:])
		}
		if words[0] == last {
			return rest
		}
	}
	s.t.Fatalf("the simulator ended after %q", line)
	return nil
}

// keep records what a line reports.
func (s *Sim) keep(words []string) bool {
	var cycle uint64
	if len(words) > 1 {
		fmt.Sscan(words[1], &cycle)
	}
	switch words[0] {
	case "T":
		s.Started = cycle
	case "O":
		s.Changes = append(s.Changes, Change{cycle, words[2], words[3] == "1"})
	case "U":
		var value byte
		fmt.Sscanf(words[2], "%x", &value)
		s.Bytes = append(s.Bytes, Byte{cycle, value})
	case "X":
		s.Notes = append(s.Notes, strings.Join(words[1:], " "))
	case "R":
		s.Now = cycle
	default:
		return false
	}
	return true
}
