package avr

import (
	"os"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"stillwater/internal/board/boardtest"
	"stillwater/internal/wire"
)

func TestMain(m *testing.M) {
	code := m.Run()
	Remove()
	os.Exit(code)
}

// The numbers of firmware/src/pins.h.
var (
	inputNames  = []string{"gate", "beam", "microphone", "sync", "kill", "button"}
	outputNames = []string{"shutter", "focus", "flash1", "flash2", "valve1", "valve2"}
)

const (
	inGate, inBeam, inMicrophone, inSync, inKill, inButton           = 0, 1, 2, 3, 4, 5
	outShutter, outFocus, outFlash1, outFlash2, outValve1, outValve2 = 0, 1, 2, 3, 4, 5
)

// bed is the firmware on the simulated chip.
type bed struct {
	*Sim
	wiring boardtest.Wiring
}

func newBed(t *testing.T, w boardtest.Wiring) *bed {
	b := &bed{Start(t), w}
	b.Sleep(50 * time.Millisecond)
	return b
}

func (b *bed) Wiring() boardtest.Wiring { return b.wiring }
func (b *bed) Send(p []byte)            { b.Sim.Send(p, b.Now) }
func (b *bed) Sleep(d time.Duration)    { b.Run(b.Now + Cycles(d)) }
func (b *bed) Exact() bool              { return true }
func (b *bed) Close()                   {}

func (b *bed) Receive() (p []byte) {
	for _, c := range b.Bytes {
		p = append(p, c.Value)
	}
	b.Bytes = nil
	return p
}

func (b *bed) Set(input uint8, high bool) wire.Tick {
	at := b.Now + 1
	b.Pin(inputNames[input], high, at)
	b.Run(at + 1)
	return b.Tick(at)
}

func (b *bed) Changes() (list []boardtest.Change) {
	for _, c := range b.Sim.Changes {
		for i, name := range outputNames {
			if name == c.Name {
				list = append(list, boardtest.Change{Output: uint8(i), On: c.On, At: b.Tick(c.Cycle)})
			}
		}
	}
	b.Sim.Changes = nil
	return list
}

func (b *bed) Restart() {
	b.Reset(b.Now + 1)
	b.Run(b.Now + 2)
	b.Bytes = nil
}

// The firmware is held to the protocol on its capture unit and on each kind of compare unit.
func TestConformance(t *testing.T) {
	for _, test := range []struct {
		name   string
		wiring boardtest.Wiring
	}{
		{"16-bit units, clock at the capture unit", boardtest.Wiring{
			Gate: inGate, Clock: inBeam, Kill: inKill, KillHigh: true,
			Flash: outFlash1, Shutter: outShutter, Valve: outValve1}},
		{"8-bit units, clock stamped by software", boardtest.Wiring{Gate: inBeam, Clock: inGate, Kill: inKill, KillHigh: true,
			Flash: outFlash2, Shutter: outFocus, Valve: outValve2}},
		{"pin changes", boardtest.Wiring{Gate: inButton, Clock: inSync, Kill: inKill, KillHigh: true,
			Flash: outFlash2, Shutter: outShutter, Valve: outValve1}},
	} {
		t.Run(test.name, func(t *testing.T) {
			boardtest.Run(t, func(t *testing.T) boardtest.Bed { return newBed(t, test.wiring) })
		})
	}
}

// A host in another language, made from the protocol's document alone, gets on with the firmware.
func TestSecondHost(t *testing.T) {
	term := StartTerminal(t)
	boardtest.SecondHost(t, term.Path, func(broken bool) { term.Pin("gate", !broken) },
		func(broken bool) { term.Pin("beam", !broken) })
	flashes := 0
	for _, c := range term.Changes() {
		if c.Name == "flash1" && c.On {
			flashes++
		}
	}
	assert.Equal(t, 5, flashes, "a test pulse and four shots")
}
